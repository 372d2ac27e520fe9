"""The two scripts: installed once, twice in a row, and plain about what is missing."""

import importlib
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement

ROOT = Path(__file__).resolve().parents[1]
LOCKS = ("requirements.lock", "requirements-test.lock")


@pytest.fixture
def environment(monkeypatch):
    monkeypatch.syspath_prepend(str(ROOT / "scripts"))
    return importlib.reload(importlib.import_module("environment"))


@pytest.fixture
def test_script(monkeypatch, environment):
    spec = importlib.util.spec_from_file_location("checks_script", ROOT / "scripts" / "test.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    monkeypatch.setattr(module, "environment", environment)
    return module


def test_an_old_python_is_told(environment, capsys) -> None:
    environment.hold_python((3, 11, 0))
    with pytest.raises(SystemExit) as end:
        environment.hold_python((3, 10, 12))
    assert end.value.code == 1
    said = capsys.readouterr().err
    assert "This is Python 3.10; lacelay needs 3.11 or newer" in said
    assert "Traceback" not in said


def test_the_second_time_nothing_is_installed(environment, monkeypatch, tmp_path) -> None:
    commands = []
    lock = tmp_path / "requirements.lock"
    lock.write_text("click==8.5.1\n")
    monkeypatch.setattr(environment, "VENV", tmp_path / "my venv")
    (tmp_path / "my venv").mkdir()
    monkeypatch.setattr(environment, "_works", lambda python: True)
    monkeypatch.setattr(environment, "_run_pip", commands.append)
    environment.prepare([lock])
    assert len(commands) == 2
    assert str(lock) in commands[0]
    assert commands[1][-1] == str(environment.ROOT)
    environment.prepare([lock])
    assert len(commands) == 2
    lock.write_text("click==8.5.0\n")
    environment.prepare([lock])
    assert len(commands) == 4


def test_an_installation_that_failed_is_tried_again(environment, monkeypatch, tmp_path) -> None:
    lock = tmp_path / "requirements.lock"
    lock.write_text("click==8.5.1\n")
    monkeypatch.setattr(environment, "VENV", tmp_path)
    monkeypatch.setattr(environment, "_works", lambda python: True)

    def fail(command: list[str]) -> None:
        environment.stop("no network")

    monkeypatch.setattr(environment, "_run_pip", fail)
    for _ in range(2):
        with pytest.raises(SystemExit):
            environment.prepare([lock])
    assert not list(tmp_path.glob(".*stamp*"))


@pytest.mark.slow
def test_an_environment_is_made_on_a_path_with_spaces(environment, monkeypatch, tmp_path) -> None:
    venv = tmp_path / "her own folder" / ".venv"
    monkeypatch.setattr(environment, "VENV", venv)
    python = environment.venv_python(venv)
    assert not environment._works(python)
    environment._make_venv()
    assert environment._works(python)
    moved = venv.parent / "moved"
    venv.rename(moved)
    assert not environment._works(environment.venv_python(moved))


def test_a_failing_pip_is_told_in_words(environment, capsys) -> None:
    fails = "import sys; print('ERROR: No matching distribution', file=sys.stderr); sys.exit(1)"
    with pytest.raises(SystemExit) as end:
        environment._run_pip([sys.executable, "-c", fails])
    assert end.value.code == 1
    said = capsys.readouterr().err
    assert "The installation failed: ERROR: No matching distribution" in said
    assert "network" in said


def test_locks_are_exact_and_within_the_ranges_of_the_project(environment) -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    pinned = {}
    for name in LOCKS:
        for line in (ROOT / "scripts" / name).read_text().splitlines():
            if line.startswith("#"):
                continue
            match = re.fullmatch(r"([a-z0-9-]+)==([0-9a-z.]+)", line)
            assert match, line
            assert match[1] not in pinned, f"{match[1]} is in both locks"
            pinned[match[1]] = (match[2], name)
    for lock, wanted in (
        (LOCKS[0], [*project["dependencies"], "hatchling", "editables"]),
        (LOCKS[1], project["optional-dependencies"]["test"]),
    ):
        for each in map(Requirement, wanted):
            version, place = pinned[re.sub(r"[-_.]+", "-", each.name).lower()]
            assert place == lock, each.name
            assert version in each.specifier, each.name


def test_locks_hold_all_that_the_project_needs(environment) -> None:
    """Every distribution reached from the project's own is pinned, at the version here."""
    from importlib.metadata import PackageNotFoundError, distribution

    pinned = dict(
        line.split("==")
        for name in LOCKS
        for line in (ROOT / "scripts" / name).read_text().splitlines()
        if "==" in line
    )
    for name, version in pinned.items():
        found = distribution(name)
        assert found.version == version, name
        for need in map(Requirement, found.requires or []):
            if need.marker is None or need.marker.evaluate({"extra": ""}):
                plain = re.sub(r"[-_.]+", "-", need.name).lower()
                try:
                    distribution(plain)
                except PackageNotFoundError:
                    pytest.fail(f"{name} needs {plain}, which is not here")
                assert plain in pinned, f"{name} needs {plain}"


def test_pytests_closing_line_is_found_and_the_code_kept(test_script, capfd) -> None:
    prints = "print('one'); print('== 3 passed ==\\n'); raise SystemExit(5)"
    code, closing = test_script.run_pytest([sys.executable, "-c", prints])
    assert (code, closing) == (5, "== 3 passed ==")


@pytest.mark.parametrize("broken", [0, 1, 2, 3])
def test_any_failure_is_a_failure(test_script, environment, monkeypatch, capsys, broken) -> None:
    monkeypatch.setattr(environment, "prepare", lambda locks: Path("python"))
    monkeypatch.setattr(test_script, "install_programs", lambda: None)
    codes = [0, 0, 0, 0]
    codes[broken] = 1
    turn = iter(codes)
    monkeypatch.setattr(
        test_script.subprocess,
        "run",
        lambda command, **_: subprocess.CompletedProcess(command, next(turn)),
    )
    monkeypatch.setattr(test_script, "run_pytest", lambda command: (next(turn), "9 passed"))
    assert test_script.main([]) == 1
    printed = capsys.readouterr().out.splitlines()
    assert printed[-1] == "9 passed"
    assert printed[-2].startswith("Failed: ")


def test_missing_programs_are_named(test_script, monkeypatch, capsys) -> None:
    monkeypatch.setattr(test_script.shutil, "which", lambda name: None)
    with pytest.raises(SystemExit) as end:
        test_script.install_programs()
    assert end.value.code == 1
    assert "apt-get install chromium poppler-utils" in capsys.readouterr().err


def test_continuous_integration_runs_the_same_script() -> None:
    script = ROOT / ".ci" / "run"
    assert script.stat().st_mode & 0o111
    lines = script.read_text().splitlines()
    assert lines[0] == "#!/usr/bin/env bash"
    assert lines[-1] == 'exec python3 scripts/test.py "$@"'


def test_help_needs_no_installation(tmp_path) -> None:
    done = subprocess.run(
        [sys.executable, str(ROOT / "scripts" / "run.py"), "--help"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=True,
    )
    assert "--open" in done.stdout
