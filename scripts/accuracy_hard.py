#!/usr/bin/env python3
"""How well a build from CT alone does on sixty hard cases, and what its errors cost a plan.

    .venv/bin/python scripts/accuracy_hard.py --cache FOLDER [--only TEXT] [--jobs N] [--json FILE]
                                              [--pictures N FOLDER]

Each case of `phantoms.cases.hard_cases` is rendered (once: the folder keeps it), built from its CT alone, and held
against its truth. The same approach, planned on the true anatomy, is then estimated on both anatomies. Rendering the
surfaces needs the folder of lumbar mean shapes (CANALWISE_DATA); without it these cases are left out, and said so.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import sys
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path
from typing import Any

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("ITK_GLOBAL_DEFAULT_NUMBER_OF_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
from hard_measures import Rendered, formula_truth, on_grid_of, record_of
from hard_pictures import draw
from hard_table import summary, worst
from rich.console import Console
from rich.progress import MofNCompleteColumn, Progress, TimeElapsedColumn

from canalwise.phantoms.cases.hard_case import HardCase
from canalwise.phantoms.cases.hard_cases import hard_suite
from canalwise.phantoms.imaging.mesh_scans import read_meshes
from canalwise.phantoms.imaging.write import whole_file
from canalwise.recon.grid import Grid
from canalwise.recon.scan import Scan

ROOT = Path(__file__).resolve().parents[1]
NOT_RENDERING = ("hard.py", "varied.py", "suite.py", "write.py")
"""Modules of `phantoms` that may change without the rendered scans changing; the case itself is part of the key."""

MESHES = "mesh_lumbar_mean_L2-L5"


def data_folder() -> Path:
    """The folder of lumbar mean shapes."""
    return Path(os.environ.get("CANALWISE_DATA", ROOT.parent / "shared" / "data")) / MESHES


def rendered(case: HardCase, cache: Path) -> Rendered:
    """The case's scan and truth, from the cache or rendered into it."""
    path = cache / f"{slug(case.name)}-{_key(case)}.npz"
    if not path.exists():
        scan = case.scan(read_meshes(data_folder()) if case.is_mesh else None)
        truth = json.dumps(formula_truth(case, scan.labels))
        with whole_file(path) as part, part.open("wb") as file:
            np.savez_compressed(file, ct=scan.ct_hu, labels=scan.labels, affine=scan.grid.affine_ras_mm, truth=truth)
    with np.load(path) as kept:
        ct, labels, affine = kept["ct"], kept["labels"], kept["affine"]
        joints, areas = json.loads(str(kept["truth"]))
    i, j, k = ct.shape
    return Rendered(case, Scan(ct, Grid((i, j, k), affine), "CT"), labels, joints, areas)


def slug(name: str) -> str:
    """A name as part of a file's.

    >>> slug("slip 5, bad")
    'slip-5-bad'
    """
    return "-".join("".join(c if c.isalnum() else " " for c in name).split())


def _key(case: HardCase) -> str:
    sources = sorted(p for p in (ROOT / "phantoms").glob("*.py") if p.name not in NOT_RENDERING)
    digest = hashlib.sha256(repr(case).encode())
    for path in sources:
        digest.update(path.read_bytes())
    return digest.hexdigest()[:12]


def measured(case: HardCase, cache: Path, pictures: Path | None = None) -> dict[str, Any]:
    """The record of one case; draws it too when a folder is given."""
    ready = rendered(case, cache)
    record, found = record_of(ready)
    if pictures is not None:
        labels = None if found is None else on_grid_of(ready.scan.grid, found)
        draw(ready.scan, ready.labels, labels, case.level, pictures / f"{slug(case.name)}.png")
    return record


def measured_all(cases: list[HardCase], cache: Path, jobs: int, pictures: Path | None) -> Iterable[dict[str, Any]]:
    """Records as they come, with a bar on stderr."""
    bar = Progress(
        *Progress.get_default_columns(), MofNCompleteColumn(), TimeElapsedColumn(), console=Console(stderr=True)
    )
    with bar, ProcessPoolExecutor(jobs) as pool:
        task = bar.add_task("hard cases", total=len(cases))
        for done in as_completed([pool.submit(measured, case, cache, pictures) for case in cases]):
            record = done.result()
            bar.console.print(line(record), highlight=False)
            bar.advance(task)
            yield record


def line(record: dict[str, Any]) -> str:
    """One case in a line."""
    least = min(record.get("vertebra_dice", {}).values(), default=float("nan"))
    said = record.get("message") or record.get("effect_message") or record.get("effect_crash") or ""
    return (
        f"{record['name']}: {record['outcome']}, names {record.get('names', '-')}, least Dice {least:.2f}, "
        f"{record['seconds']:.0f} s {said}"
    )


def main() -> None:
    """Measure, print the table, write what is requested."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cache", type=Path, required=True, metavar="FOLDER", help="rendered scans are kept here")
    parser.add_argument(
        "--only",
        nargs="+",
        default=[""],
        metavar="TEXT",
        help="cases whose name holds one of these texts, or that have it among their axes",
    )
    parser.add_argument("--jobs", type=int, default=1, help="processes at once (about 1.5 GB each) [%(default)s]")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the records here")
    parser.add_argument("--pictures", nargs=2, metavar=("N", "FOLDER"), help="leave pictures of the N worst there")
    options = parser.parse_args()
    wanted = [c for c in hard_suite() if any(text in c.name or text in c.axes for text in options.only)]
    cases = [c for c in wanted if not c.is_mesh or data_folder().is_dir()]
    if len(cases) < len(wanted):
        print(f"{len(wanted) - len(cases)} cases of surfaces left out: no folder {MESHES}", file=sys.stderr)
    options.cache.mkdir(parents=True, exist_ok=True)
    pictures = Path(options.pictures[1]) if options.pictures else None
    records: list[dict[str, Any]] = []
    for record in measured_all(cases, options.cache, options.jobs, pictures):
        records = sorted([*records, record], key=lambda r: str(r["name"]))
        if options.json:
            with whole_file(options.json) as part:
                part.write_text(json.dumps(records, indent=1) + "\n")
    print(summary(records))
    if pictures is not None:
        keep = {slug(record["name"]) for record in worst(records, int(options.pictures[0]))}
        for record in records:
            if slug(record["name"]) not in keep:
                (pictures / f"{slug(record['name'])}.png").unlink(missing_ok=True)


if __name__ == "__main__":
    main()
