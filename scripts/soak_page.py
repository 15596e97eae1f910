#!/usr/bin/env python3
"""Moves a plan about at random on the rehearsal page for hours, and watches for growth and errors.

    .venv/bin/python scripts/soak_page.py CASE [--minutes 120] [--seed 0]

Every move is a user's: a tilt, a sweep, a depth, the side, an undo, a view, a panel. Once a minute a line tells the
moves made, the server's resident memory, the page's heap after a collection, and whatever went wrong. At the end the
memory of the last third is held against that of the second: growth beyond GROWTH_FRAC, or any error, is a failure.
"""

from __future__ import annotations

import argparse
import random
import shutil
import statistics
import sys
import time
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from bench_page import FLAGS, SCREEN, confirm_level, resident_mb
from page_server import served

GROWTH_FRAC = 0.05
"""More memory than this from the middle third of the run to the last is growth."""

MOVE_S = 0.35
"""Between moves: a quick user's."""

MOVE = """
({kind, value}) => {
  const {store} = window.rehearsal;
  const {plan} = store.state;
  const panels = ["slices", "charts", "search", "compare", "lesson", "sheet"];
  const within = (low, high) => low + (high - low) * value;
  const last = plan.phases.length - 1;
  const phase = (change) => ({...plan, phases: plan.phases.map((p, i) => i === last ? {...p, ...change} : p)});
  const moves = {
    tilt: () => store.move(phase({medial_tilt_deg: within(5, 40)})),
    cranial: () => store.move(phase({cranial_tilt_deg: within(-10, 10)})),
    sweep: () => store.move(phase({sweep_half_angle_deg: within(0, 5)})),
    depth: () => store.look({scope_past_mm: within(-10, 20)}),
    phase: () => store.look({phase: value < 0.5 ? 0 : 1}),
    turned: () => store.look({turned: value < 0.5 ? "theatre" : "reading"}),
    panel: () => store.look({panel: panels[Math.floor(value * panels.length)]}),
    undo: () => store.undo(),
    redo: () => store.redo(),
  };
  moves[kind]();
  store.settle();
}
"""

KINDS = ("tilt",) * 6 + ("cranial", "cranial", "sweep", "depth", "phase", "turned", "panel", "undo", "redo")


def main() -> int:
    """0 when nothing grew and nothing went wrong."""
    parser = argparse.ArgumentParser(description="Move a plan about at random for hours.")
    parser.add_argument("case", type=Path)
    parser.add_argument("--minutes", type=float, default=120)
    parser.add_argument("--level", default="L3-L4")
    parser.add_argument("--seed", type=int, default=0)
    options = parser.parse_args()
    server = served(options.case)
    try:
        return soaked(server, options)
    finally:
        server.stop()


def soaked(server: Any, options: argparse.Namespace) -> int:
    """Runs the soak on a server; prints as it goes."""
    from playwright.sync_api import sync_playwright

    wrong: list[str] = []
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=shutil.which("chromium"), args=FLAGS)
        page = browser.new_page(viewport=SCREEN)
        page.on("pageerror", lambda error: wrong.append(str(error)))
        page.on("console", lambda said: wrong.append(said.text) if said.type == "error" else None)
        page.goto(server.url)
        confirm_level(page, options.level)
        page.wait_for_function("() => window.rehearsal && window.rehearsal.store.state.fresh", timeout=120_000)
        rows = _moved_about(page, server, options, wrong)
        browser.close()
    grown = [name for name, column in zip(("server", "page"), zip(*rows, strict=True), strict=True) if _grew(column)]
    print(f"grew: {', '.join(grown) or 'nothing'}; errors: {len(wrong)}")
    return 1 if grown or wrong else 0


def _moved_about(page: Any, server: Any, options: argparse.Namespace, wrong: list[str]) -> list[tuple[float, float]]:
    """(server MB, page MB) once a minute."""
    rows: list[tuple[float, float]] = []
    rng, moves = random.Random(options.seed), 0
    heap = page.context.new_cdp_session(page)
    start_s = time.monotonic()
    while (now_s := time.monotonic() - start_s) < 60 * options.minutes:
        page.evaluate(MOVE, {"kind": rng.choice(KINDS), "value": rng.random()})
        moves += 1
        page.wait_for_timeout(1000 * MOVE_S)
        if now_s >= 60 * (len(rows) + 1):
            heap.send("HeapProfiler.collectGarbage")
            used = heap.send("Runtime.getHeapUsage")["usedSize"] / 2**20
            rows.append((resident_mb(server.process.pid), used))
            problem = page.evaluate("window.rehearsal.store.state.problem")
            wrong += [problem] if problem else []
            print(
                f"{len(rows):4} min  {moves:6} moves  server {rows[-1][0]:6.0f} MB  page {used:6.1f} MB  "
                f"errors {len(wrong)} {wrong[-1][:80] if wrong else ''}",
                flush=True,
            )
    return rows


def _grew(column: tuple[float, ...]) -> bool:
    third = len(column) // 3
    middle, last = column[third : 2 * third], column[2 * third :]
    return bool(middle) and statistics.median(last) > (1 + GROWTH_FRAC) * statistics.median(middle)


if __name__ == "__main__":
    sys.exit(main())
