#!/usr/bin/env python3
"""Runs every check_*.py beside this file, prints what each compared, and fails if any failed.

Needs the packages of requirements.txt in the Python that runs it, and cargo (or
POURBOOK_REFERENCE naming the built `reference` example).
"""

import os
import pathlib
import subprocess
import sys

HERE = pathlib.Path(__file__).resolve().parent


def main():
    sys.path.insert(0, str(HERE))
    from reference import binary

    os.environ["POURBOOK_REFERENCE"] = str(binary())
    checks = sorted(HERE.glob("check_*.py"))
    if not checks:
        sys.exit("no check_*.py found")
    failed = []
    for check in checks:
        done = subprocess.run(
            [sys.executable, str(check)], capture_output=True, text=True, cwd=HERE, check=False
        )
        verdict = "ok    " if done.returncode == 0 else "FAILED"
        summary = (done.stdout.strip().splitlines() or ["no count"])[-1]
        print(f"{verdict} {check.stem.removeprefix('check_')}: {summary}")
        if done.returncode != 0:
            failed.append(check.name)
            print(done.stderr.strip(), file=sys.stderr)
    print(f"{len(checks)} reference checks, {len(failed)} failed")
    sys.exit(1 if failed else 0)


if __name__ == "__main__":
    main()
