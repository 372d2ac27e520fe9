#!/usr/bin/env python3
"""Install lacelay into .venv (once) and run its demonstration.

python3 scripts/run.py [--out DIR] [--photos DIR] [--open]
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import webbrowser
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))
import environment


def main() -> int:
    """Install, run, and say where the results are."""
    parser = argparse.ArgumentParser(
        description="Install lacelay into .venv (once) and lay the sample laces along our own "
        "invented garment's edges."
    )
    parser.add_argument("--out", type=Path, default=environment.ROOT / "results")
    parser.add_argument("--photos", type=Path, help="a folder of your own lace photos")
    parser.add_argument("--open", action="store_true", help="open the results in the browser")
    wanted = parser.parse_args()
    out = wanted.out.absolute()
    python = environment.prepare([environment.RUNTIME_LOCK])
    command = [str(python), "-m", "lacelay", "demo", "--out", str(out)]
    if wanted.photos is not None:
        command += ["--photos", str(wanted.photos.absolute())]
    code = subprocess.run(command, check=False).returncode
    index = out / "index.html"
    if index.exists():
        print(f"The results are in {out}; open {index}")
        if wanted.open:
            webbrowser.open(index.as_uri())
    return code


if __name__ == "__main__":
    raise SystemExit(main())
