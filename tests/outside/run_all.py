"""Runs every check of the written tables against engines outside the project.

    python run_all.py SQUARELAW_BINARY

Each check is a script of its own, called with the binary; the first that fails stops the run.
"""

import subprocess
import sys
from pathlib import Path


def main() -> int:
    binary = str(Path(sys.argv[1]).resolve())
    here = Path(__file__).resolve().parent
    checks = sorted(here.glob("check_*.py"))
    failed = 0
    for check in checks:
        print(f"-- {check.name}", flush=True)
        failed += subprocess.run([sys.executable, str(check), binary], check=False).returncode != 0
    print(f"outside: {len(checks) - failed} passed, {failed} failed")
    return 1 if failed or not checks else 0


if __name__ == "__main__":
    sys.exit(main())
