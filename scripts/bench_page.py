#!/usr/bin/env python3
"""Response times of the rehearsal page in a headless browser that draws in software.

    .venv/bin/python scripts/bench_page.py CASE [--drags 5] [--seconds 150] [--level L3-L4] [--json]

A drag begins at rest and moves MOVES times, as a pointer does; no further drag begins once the seconds are over.

moves          measured, first_ms the 3D picture of the first move of each drag, from rest
picture_ms     medial tilt moved -> the 3D picture is drawn anew, all of it done; median and 95th percentile
move_cpu_ms    processor time of page, graphics and server for one move: says as much on a busy machine
numbers_ms     the same move -> numbers of that plan stand on the page, less the estimator's own time
orbit_cpu_ms   processor time for one picture of an orbit
orbit_per_s    pictures a second while the view is turned by one small step after another
bone_triangles of the full mesh; proxy_triangles of the one shown while moving
server_mb      resident memory of the server afterwards, with a second level worked out where there is one
load           load average of this machine before and after: a busy machine is slower, so say it beside the figures
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import sys
import time
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
from page_server import served

MOVES = 8
"""Of one drag."""

TURNS = 60
"""Pictures of an orbit."""

SCREEN: Any = {"width": 1440, "height": 900}
FLAGS = ["--no-sandbox", "--use-angle=swiftshader", "--enable-unsafe-swiftshader", "--disable-background-networking"]

TIMING = """
() => {
  const {store, bench, link} = window.rehearsal;
  const frame = () => new Promise((done) => requestAnimationFrame(done));
  // what was requested of the graphics is done only when this returns
  const graphics = bench.canvas.getContext("webgl2");
  const drawnOut = () => graphics.readPixels(0, 0, 1, 1, graphics.RGBA, graphics.UNSIGNED_BYTE, new Uint8Array(4));
  const resting = () => store.state.removal && store.state.answer.estimate.samples && bench.mode === "full";
  const quiet = (ms) => new Promise((done) => setTimeout(done, ms));
  // intervals worked out and every picture drawn at its finest: a person who begins to move
  const rest = async () => { while (!store.state.fresh || !resting()) await frame(); drawnOut(); await quiet(400); };
  const turned = (plan, by) => ({...plan, phases: plan.phases.map((phase, i) =>
    i === plan.phases.length - 1 ? {...phase, medial_tilt_deg: phase.medial_tilt_deg + by} : phase)});
  const moved = async (by) => {
    const drawn = bench.drawn;
    const start = performance.now();
    store.move(turned(store.state.plan, by));
    let picture_ms = 0, numbers_ms = 0;
    while (!picture_ms || !numbers_ms) {
      await frame();
      if (!picture_ms && bench.drawn > drawn) {
        drawnOut();
        picture_ms = performance.now() - start;
      }
      if (!numbers_ms && store.state.fresh)
        numbers_ms = performance.now() - start - 1000 * store.state.answer.took_s;
    }
    return {picture_ms, numbers_ms};
  };
  const drag = async ([moves, by]) => {
    const out = [];
    for (let move = 0; move < moves; move++) out.push(await moved(by));
    return out;
  };
  const orbit = async (turns) => {
    const out = [];
    for (let turn = 0; turn < turns; turn++) {
      const [start, drawn] = [performance.now(), bench.drawn];
      bench.canvas.dispatchEvent(new KeyboardEvent("keydown", {key: "ArrowLeft", bubbles: true}));
      while (bench.drawn === drawn) await frame();
      drawnOut();
      out.push(performance.now() - start);
    }
    return out;
  };
  // a second level worked out as the page would, for the server's memory with both
  const other = async (level) => {
    const name = store.state.facts.levels.map((one) => one.name).find((one) => one !== level);
    if (!name) return;
    const instrument = store.state.facts.instruments[0].name;
    const {plan} = (await link.ask({ask: "start", level: name, side: "left", instrument})).answer;
    const {task} = store.state;
    await fetch(`levels/${name}/scene.bin`);
    await link.ask({ask: "estimate", plan, task, intervals: true});
    await link.ask({ask: "removal", plan, task});
    await link.ask({ask: "execution", plan}).catch(() => null);
  };
  const triangles = async (level) => {
    const scene = await (await fetch(`levels/${level}/scene.bin`)).arrayBuffer();
    const length = new DataView(scene).getUint32(0, true);
    const {arrays} = JSON.parse(new TextDecoder().decode(new Uint8Array(scene, 4, length)));
    return ["bone", "bone_proxy"].map((name) => arrays[`${name}.triangles`].shape[0]);
  };
  window.timing = {rest, drag, orbit, other, triangles, settle: () => store.settle()};
}
"""


def main() -> int:
    """Prints the figures."""
    parser = argparse.ArgumentParser(description="Time the rehearsal page in a headless browser.")
    parser.add_argument("case", type=Path)
    parser.add_argument("--drags", type=int, default=5)
    parser.add_argument("--seconds", type=float, default=150.0, help="after these no further drag begins")
    parser.add_argument("--level", default="L3-L4")
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    figures = page_figures(options.case, options.level, (options.drags, options.seconds))
    text = json.dumps(figures, indent=2) if options.json else "\n".join(f"{k:16} {v}" for k, v in figures.items())
    print(text)
    return 0


def page_figures(case: Path, level: str, bounds: tuple[int, float]) -> dict[str, Any]:
    """The figures of one run of so many drags, or of those that begin within so many seconds."""
    from playwright.sync_api import sync_playwright

    before = os.getloadavg()[0]
    server = served(case)
    try:
        with sync_playwright() as driver:
            browser = driver.chromium.launch(executable_path=shutil.which("chromium"), args=FLAGS)
            page = browser.new_page(viewport=SCREEN)
            page.goto(server.url)
            confirm_level(page, level)
            page.wait_for_function("() => window.rehearsal && window.rehearsal.store.state.fresh", timeout=120_000)
            page.evaluate(TIMING)
            figures = _drags(page, bounds) | _orbit(page) | _triangles(page, level)
            page.evaluate("level => window.timing.other(level)", level)
            browser.close()
        memory_mb = resident_mb(server.process.pid)
    finally:
        server.stop()
    return figures | {"server_mb": round(memory_mb), "load": [round(before, 1), round(os.getloadavg()[0], 1)]}


def _drags(page: Any, bounds: tuple[int, float]) -> dict[str, Any]:
    """So many drags, or those that begin in time; the processor's time is that of page, graphics and server."""
    drags, seconds = bounds
    until_s, moves, first, used_s = time.monotonic() + seconds, [], [], 0.0
    for number in range(drags):
        if time.monotonic() > until_s:
            break
        page.evaluate("() => window.timing.rest()")
        before_s = _processor_s()
        found = page.evaluate("given => window.timing.drag(given)", [MOVES, -1 if number % 2 else 1])
        used_s += _processor_s() - before_s
        page.evaluate("() => window.timing.settle()")
        moves += found
        first.append(found[0]["picture_ms"])
    return {
        "moves": len(moves),
        "first_ms": percentiles(first),
        "picture_ms": percentiles([one["picture_ms"] for one in moves]),
        "numbers_ms": percentiles([one["numbers_ms"] for one in moves]),
        "move_cpu_ms": round(1000 * used_s / max(len(moves), 1)),
    }


def _orbit(page: Any) -> dict[str, Any]:
    page.evaluate("() => window.timing.rest()")
    before_s = _processor_s()
    found = page.evaluate("turns => window.timing.orbit(turns)", TURNS)
    used_s = _processor_s() - before_s
    return {"orbit_per_s": round(1000 / float(np.median(found)), 1), "orbit_cpu_ms": round(1000 * used_s / TURNS)}


def _triangles(page: Any, level: str) -> dict[str, int]:
    bone, proxy = page.evaluate("level => window.timing.triangles(level)", level)
    return {"bone_triangles": bone, "proxy_triangles": proxy}


def _processor_s() -> float:
    """Processor time of all that this process has started, without its own."""
    parents, used = {}, {}
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = stat.read_text().rpartition(")")[2].split()
        except OSError:  # it has ended meanwhile
            continue
        pid = int(stat.parent.name)
        parents[pid], used[pid] = int(fields[1]), int(fields[11]) + int(fields[12])

    def is_ours(pid: int) -> bool:
        while pid in parents:
            pid = parents[pid]
            if pid == os.getpid():
                return True
        return False

    return sum(ticks for pid, ticks in used.items() if is_ours(pid)) / os.sysconf("SC_CLK_TCK")


def confirm_level(page: Any, level: str) -> None:
    """Confirms on the page which level is meant."""
    dialog = page.get_by_role("dialog")
    dialog.locator(f"input[value='{level}']").check(timeout=120_000)
    dialog.get_by_role("button", name=f"Yes, this is {level}").click()


def resident_mb(pid: int) -> float:
    """Memory a process holds."""
    status = Path(f"/proc/{pid}/status").read_text()
    return float(next(line.split()[1] for line in status.splitlines() if line.startswith("VmRSS"))) / 1024


def percentiles(values: list[float]) -> dict[str, float]:
    """Median and 95th percentile."""
    return {"p50": round(float(np.percentile(values, 50))), "p95": round(float(np.percentile(values, 95)))}


if __name__ == "__main__":
    sys.exit(main())
