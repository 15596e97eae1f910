#!/usr/bin/env python3
"""Check everything: tests and doctests with warnings as errors, types, style.

    python3 scripts/test.py [PYTEST ARGUMENT ...]

Any arguments go to pytest, for example `tests/recon -k window`.
"""

from __future__ import annotations

import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from environment import DEVELOPER_LOCK, ROOT, clean_environ, ready_environment, run_and_exit, say

TESTS = ("pytest", "-W", "error", "-n", "auto", "--dist", "worksteal", "--durations", "5")
"""Each worker has a run of neighbouring tests, which share what is costly to set up; who is done takes of another's."""

KERNELS = ("pytest", "-q", "-n", "0", "tests/workbench/charts/test_estimate_charts.py")
"""Calls most of the estimator's loops. On a fresh checkout they are compiled here once, rather than by each worker."""

OTHER_CHECKS = {
    "types": ("mypy",),
    "style": ("ruff", "check", "."),
    "layout": ("ruff", "format", "--check", "."),
}


def main() -> int:
    """0 when every check passed, else 1."""
    commands = ready_environment(DEVELOPER_LOCK)
    # All run even if one fails: one run tells all there is to mend. The others use one processor only, so they run
    # beside the tests rather than let the rest wait for them; what they say is kept for the end.
    with ThreadPoolExecutor(1) as beside:
        others = {name: beside.submit(_run, commands, check, quiet=True) for name, check in OTHER_CHECKS.items()}
        if not sys.argv[1:]:
            _run(commands, KERNELS, quiet=True)
        say("\n== tests")
        passed = {"tests": _reported("tests", _run(commands, (*TESTS, *sys.argv[1:]), quiet=False))}
        for name, check in others.items():
            say(f"\n== {name}")
            passed[name] = _reported(name, check.result())
    failed = [name for name, well in passed.items() if not well]
    say(f"FAILED: {', '.join(failed)}." if failed else "All checks passed.")
    return 1 if failed else 0


def _run(commands: Path, check: tuple[str, ...], *, quiet: bool) -> tuple[int, str, float]:
    """(exit status, what it said where `quiet` kept it, seconds) of one check."""
    start_s = time.monotonic()
    # One thread per worker: pytest already runs one worker per core.
    done = subprocess.run(
        [str(commands / check[0]), *check[1:]],
        cwd=ROOT,
        env=clean_environ(OMP_NUM_THREADS="1"),
        stdout=subprocess.PIPE if quiet else None,
        stderr=subprocess.STDOUT if quiet else None,
        text=True,
    )
    return done.returncode, done.stdout or "", time.monotonic() - start_s


def _reported(name: str, done: tuple[int, str, float]) -> bool:
    status, said, took_s = done
    say(f"{said}-- {name}: {'passed' if status == 0 else 'FAILED'} in {took_s:.0f} s")
    return status == 0


if __name__ == "__main__":
    run_and_exit(main)
