#!/usr/bin/env python3
"""Response times of the rehearsal page in a headless browser that draws in software.

    .venv/bin/python scripts/bench_page.py CASE [--drags 5] [--seconds 150] [--level L3-L4] [--json]

A drag begins at rest and moves MOVES times, as a pointer does; no further drag begins once the seconds are over.

moves          measured, first_ms the 3D picture of the first move of each drag, from rest
picture_ms     medial tilt moved -> the 3D picture is drawn anew, all of it done; median and 95th percentile
numbers_ms     the same move -> numbers of that plan stand on the page, less the estimator's own time
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
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
from page_server import served

MOVES = 8
"""Of one drag."""

SCREEN: Any = {"width": 1440, "height": 900}
FLAGS = ["--no-sandbox", "--use-angle=swiftshader", "--enable-unsafe-swiftshader", "--disable-background-networking"]

MEASURE = """
async ({drags, moves, seconds, level}) => {
  const {store, bench} = window.rehearsal;
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
  const out = {first_ms: [], picture_ms: [], numbers_ms: [], orbit_ms: []};
  const moved = async (by) => {
    const drawn = bench.drawn;
    const start = performance.now();
    store.move(turned(store.state.plan, by));
    let picture = 0, numbers = 0;
    while (!picture || !numbers) {
      await frame();
      if (!picture && bench.drawn > drawn) {
        drawnOut();
        picture = performance.now() - start;
      }
      if (!numbers && store.state.fresh) numbers = performance.now() - start - 1000 * store.state.answer.took_s;
    }
    out.picture_ms.push(picture);
    out.numbers_ms.push(numbers);
    return picture;
  };
  const begun = performance.now();
  for (let drag = 0; drag < drags && performance.now() - begun < 1000 * seconds; drag++) {
    await rest();
    for (let move = 0; move < moves; move++) {
      const picture = await moved(drag % 2 ? -1 : 1);
      if (move === 0) out.first_ms.push(picture);
    }
    store.settle();
  }
  await rest();
  for (let turn = 0; turn < 60; turn++) {
    const [start, drawn] = [performance.now(), bench.drawn];
    bench.canvas.dispatchEvent(new KeyboardEvent("keydown", {key: "ArrowLeft", bubbles: true}));
    while (bench.drawn === drawn) await frame();
    drawnOut();
    out.orbit_ms.push(performance.now() - start);
  }
  // a second level worked out as the page would, for the server's memory with both
  const other = store.state.facts.levels.map(({name}) => name).find((name) => name !== level);
  if (other) {
    const {link} = window.rehearsal;
    const instrument = store.state.facts.instruments[0].name;
    const {plan} = (await link.ask({ask: "start", level: other, side: "left", instrument})).answer;
    const {task} = store.state;
    await fetch(`levels/${other}/scene.bin`);
    await link.ask({ask: "estimate", plan, task, intervals: true});
    await link.ask({ask: "removal", plan, task});
    await link.ask({ask: "execution", plan}).catch(() => null);
  }
  const scene = await (await fetch(`levels/${level}/scene.bin`)).arrayBuffer();
  const length = new DataView(scene).getUint32(0, true);
  const {arrays} = JSON.parse(new TextDecoder().decode(new Uint8Array(scene, 4, length)));
  const triangles = (name) => arrays[`${name}.triangles`].shape[0];
  return {...out, bone_triangles: triangles("bone"), proxy_triangles: triangles("bone_proxy")};
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
            reported = page.evaluate(
                MEASURE, {"drags": bounds[0], "moves": MOVES, "seconds": bounds[1], "level": level}
            )
            browser.close()
        memory_mb = resident_mb(server.process.pid)
    finally:
        server.stop()
    return _summary(reported) | {
        "server_mb": round(memory_mb),
        "load": [round(before, 1), round(os.getloadavg()[0], 1)],
    }


def confirm_level(page: Any, level: str) -> None:
    """Confirms on the page which level is meant."""
    dialog = page.get_by_role("dialog")
    dialog.locator(f"input[value='{level}']").check(timeout=120_000)
    dialog.get_by_role("button", name=f"Yes, this is {level}").click()


def resident_mb(pid: int) -> float:
    """Memory a process holds."""
    status = Path(f"/proc/{pid}/status").read_text()
    return float(next(line.split()[1] for line in status.splitlines() if line.startswith("VmRSS"))) / 1024


def _summary(reported: dict[str, Any]) -> dict[str, Any]:
    def percentiles(values: list[float]) -> dict[str, float]:
        return {"p50": round(float(np.percentile(values, 50))), "p95": round(float(np.percentile(values, 95)))}

    return {
        "moves": len(reported["picture_ms"]),
        "first_ms": percentiles(reported["first_ms"]),
        "picture_ms": percentiles(reported["picture_ms"]),
        "numbers_ms": percentiles(reported["numbers_ms"]),
        "orbit_per_s": round(1000 / float(np.median(reported["orbit_ms"])), 1),
        "bone_triangles": reported["bone_triangles"],
        "proxy_triangles": reported["proxy_triangles"],
    }


if __name__ == "__main__":
    sys.exit(main())
