#!/usr/bin/env python3
"""Run the whole job on a built-in phantom: set up if need be, then case, plan, estimate, report.

python3 scripts/demo.py [--out FOLDER] [--no-open]
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import webbrowser
from pathlib import Path

from environment import clean_environ, ready_environment, run_and_exit, say


def main() -> int:
    """Exit status of the demonstration."""
    parser = argparse.ArgumentParser(description="Run the whole job on a built-in phantom spine.")
    parser.add_argument("--out", type=Path, default=Path("canalwise-demo"), help="folder to write [%(default)s]")
    parser.add_argument("--no-open", action="store_true", help="do not open the report in the browser")
    options = parser.parse_args()
    commands = ready_environment()
    # --force replaces an earlier demonstration and nothing else: canalwise refuses folders that are not its own.
    demo = [commands / "canalwise", "demo", "--force", "--out", options.out]
    status = subprocess.run(demo, env=clean_environ()).returncode
    if status == 0:
        _show_report(options.out, opening=not options.no_open)
    return status


def _show_report(folder: Path, *, opening: bool) -> None:
    report = next(iter(sorted(folder.rglob("report.html"))), None)
    if report is None:
        return
    say(f"The report is {report.resolve()}")
    if opening and _has_display():
        webbrowser.open(report.resolve().as_uri())


def _has_display() -> bool:
    if os.environ.get("CI"):
        return False
    return sys.platform in ("darwin", "win32") or any(os.environ.get(v) for v in ("DISPLAY", "WAYLAND_DISPLAY"))


if __name__ == "__main__":
    run_and_exit(main)
