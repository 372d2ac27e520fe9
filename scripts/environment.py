"""The project's own Python environment, made once and kept: what both scripts share.

Standard library only, and nothing newer than Python 3.8 understands, so that an old Python
can still say that it is too old.
"""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import NoReturn

ROOT = Path(__file__).resolve().parent.parent
SCRIPTS = ROOT / "scripts"
VENV = ROOT / ".venv"
NEEDED = (3, 11)
RUNTIME_LOCK = SCRIPTS / "requirements.lock"
TEST_LOCK = SCRIPTS / "requirements-test.lock"


def stop(sentence: str) -> NoReturn:
    """Say what is missing and end with 1."""
    print(sentence, file=sys.stderr)
    raise SystemExit(1)


def hold_python(version: Sequence[int] = sys.version_info[:2]) -> None:
    """End with a sentence when this Python is too old."""
    if tuple(version[:2]) < NEEDED:
        stop(
            f"This is Python {version[0]}.{version[1]}; lacelay needs {NEEDED[0]}.{NEEDED[1]} or "
            f"newer. Install one and run this again with it: python{NEEDED[0]}.{NEEDED[1]} "
            f"{sys.argv[0]}"
        )


def venv_python(venv: Path = VENV) -> Path:
    """Return where the environment's own Python is."""
    return venv / ("Scripts/python.exe" if os.name == "nt" else "bin/python")


def prepare(locks: Sequence[Path]) -> Path:
    """Return the environment's Python, everything in `locks` and the project installed.

    Nothing is done when all that matters is as it was the last time.
    """
    hold_python()
    stamp_file = VENV / f".{locks[-1].stem}-stamp.json"
    stamp = _stamp(locks)
    python = venv_python()
    if _matches(stamp_file, stamp) and _works(python):
        return python
    print(f"Installing into {VENV} (once; about half a gigabyte) ...", flush=True)
    if not _works(python):
        _make_venv()
    stamp_file.unlink(missing_ok=True)
    pip = [str(python), "-m", "pip", "install", "--disable-pip-version-check", "--no-input", "-q"]
    for lock in locks:
        _run_pip([*pip, "-r", str(lock)])
    _run_pip([*pip, "--no-deps", "--no-build-isolation", "--editable", str(ROOT)])
    stamp_file.write_text(json.dumps(stamp, indent=1), encoding="utf-8")
    return python


def _stamp(locks: Sequence[Path]) -> dict[str, str]:
    """Everything whose change asks for a new installation."""
    stamp = {
        path.name: hashlib.sha256(path.read_bytes()).hexdigest()
        for path in [*locks, ROOT / "pyproject.toml"]
    }
    stamp["python"] = ".".join(str(part) for part in sys.version_info[:3])
    stamp["folder"] = str(ROOT)
    return stamp


def _matches(stamp_file: Path, stamp: dict[str, str]) -> bool:
    try:
        return bool(json.loads(stamp_file.read_text(encoding="utf-8")) == stamp)
    except (OSError, ValueError):
        return False


def _works(python: Path) -> bool:
    """Whether the environment runs, is of this Python's version and knows its own folder."""
    question = "import sys, pip; print(sys.version_info[:3], sys.prefix)"
    try:
        answer = subprocess.run(
            [str(python), "-c", question], capture_output=True, text=True, check=False, timeout=60
        )
    except (OSError, subprocess.TimeoutExpired):
        return False
    expected = f"{tuple(sys.version_info[:3])} {VENV}"
    return answer.returncode == 0 and answer.stdout.strip() == expected


def _make_venv() -> None:
    # A base interpreter is asked for, so that running this from inside another environment
    # does not tie ours to it.
    base = getattr(sys, "_base_executable", None) or sys.executable
    made = subprocess.run(
        [base, "-m", "venv", "--clear", str(VENV)], capture_output=True, text=True, check=False
    )
    if made.returncode != 0:
        said = (made.stdout + made.stderr).strip()
        if "ensurepip" in said:
            stop("Python's venv is not complete here. On Debian: apt-get install python3-venv")
        stop(f"No environment could be made in {VENV}: {last_line(said)}")


def _run_pip(command: list[str]) -> None:
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        errors = [line for line in done.stderr.splitlines() if line.startswith("ERROR")]
        reason = errors[-1] if errors else last_line(done.stderr or done.stdout)
        stop(
            f"The installation failed: {reason}\n"
            "Check the network and the free space on the disk, then run this again."
        )


def last_line(text: str) -> str:
    """Return the last line that is not blank."""
    lines = [line.strip() for line in text.splitlines() if line.strip()]
    return lines[-1] if lines else "no reason was given"
