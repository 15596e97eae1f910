#!/usr/bin/env python3
"""Check everything: tests and doctests with warnings as errors, types, style.

    python3 scripts/test.py [PYTEST ARGUMENT ...]

Any arguments go to pytest, for example `tests/recon -k window`.
"""

from __future__ import annotations

import subprocess
import sys
import time

from environment import DEVELOPER_LOCK, ROOT, clean_environ, ready_environment, run_and_exit, say


def main() -> int:
    """0 when every check passed, else 1."""
    commands = ready_environment(DEVELOPER_LOCK)
    checks = {
        "tests": ["pytest", "-W", "error", "-n", "auto", "--durations", "5", *sys.argv[1:]],
        "types": ["mypy"],
        "types of the scripts": ["mypy", "scripts", "examples"],
        "style": ["ruff", "check", "."],
        "layout": ["ruff", "format", "--check", "."],
    }
    # All run even if one fails: one run tells all there is to mend.
    failed = [name for name, check in checks.items() if not _passed(name, [str(commands / check[0]), *check[1:]])]
    say(f"FAILED: {', '.join(failed)}." if failed else "All checks passed.")
    return 1 if failed else 0


def _passed(name: str, command: list[str]) -> bool:
    say(f"\n== {name}")
    start_s = time.monotonic()
    # One thread per worker: pytest already runs one worker per core.
    status = subprocess.run(command, cwd=ROOT, env=clean_environ(OMP_NUM_THREADS="1")).returncode
    say(f"-- {name}: {'passed' if status == 0 else 'FAILED'} in {time.monotonic() - start_s:.0f} s")
    return status == 0


if __name__ == "__main__":
    run_and_exit(main)
