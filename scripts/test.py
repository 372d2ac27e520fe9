#!/usr/bin/env python3
"""Install lacelay and its tests into .venv (once) and run every check.

python3 scripts/test.py [arguments for pytest]
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))
import environment

#: Programs that tests run, and the Debian packages that bring them.
PROGRAMS = {"chromium": "chromium", "pdftoppm": "poppler-utils"}


def main(arguments: list[str]) -> int:
    """Run all checks; pytest's closing line is printed last."""
    python = environment.prepare([environment.RUNTIME_LOCK, environment.TEST_LOCK])
    install_programs()
    failed = []
    for name, command in (
        (
            "ruff check",
            ["-m", "ruff", "check", "--output-format=concise", "lacelay", "tests", "scripts"],
        ),
        ("ruff format", ["-m", "ruff", "format", "--check", "lacelay", "tests", "scripts"]),
        ("mypy", ["-m", "mypy", "lacelay", "scripts"]),
    ):
        print(f"== {name}", flush=True)
        if subprocess.run([str(python), *command], cwd=environment.ROOT, check=False).returncode:
            failed.append(name)
    print("== pytest", flush=True)
    code, closing = run_pytest([str(python), "-m", "pytest", "-n", "2", *arguments])
    if code:
        failed.append("pytest")
    print(f"Failed: {', '.join(failed)}" if failed else "Everything passed.")
    print(closing, flush=True)
    return 1 if failed else 0


def run_pytest(command: list[str]) -> tuple[int, str]:
    """Run pytest, its output shown as it comes; return its code and its closing line."""
    lines = ["pytest printed nothing"]
    with subprocess.Popen(
        command, cwd=environment.ROOT, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    ) as running:
        assert running.stdout is not None
        for line in running.stdout:
            print(line, end="", flush=True)
            if line.strip():
                lines.append(line.strip())
    return running.returncode, lines[-1]


def install_programs() -> None:
    """Install what the tests need besides Python, or say what it is and stop."""
    missing = [package for program, package in PROGRAMS.items() if not shutil.which(program)]
    if not missing:
        return
    names = " ".join(missing)
    ask = f"The tests need {' and '.join(missing)}. Install with: apt-get install {names}"
    prefix = _rights()
    if not shutil.which("apt-get") or prefix is None:
        environment.stop(ask)
    print(f"Installing {names} ...", flush=True)
    install = [*prefix, "apt-get", "install", "-y", "--no-install-recommends", *missing]
    surroundings = {**os.environ, "DEBIAN_FRONTEND": "noninteractive"}
    for command in (install, [*prefix, "apt-get", "update"], install):
        done = subprocess.run(
            command, capture_output=True, text=True, check=False, env=surroundings
        )
        if command is install and done.returncode == 0:
            break
    still = [program for program in PROGRAMS if not shutil.which(program)]
    if still:
        environment.stop(f"{ask} ({environment.last_line(done.stderr)})")


def _rights() -> list[str] | None:
    """What to put before a command to run it as root, or None where that cannot be."""
    if hasattr(os, "geteuid") and os.geteuid() == 0:
        return []
    if shutil.which("sudo"):
        able = subprocess.run(["sudo", "-n", "true"], capture_output=True, check=False)
        if able.returncode == 0:
            return ["sudo", "-n"]
    return None


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
