#!/usr/bin/env python3
"""What images of made-up levels show, beside how far off the answers were: what probabilities are fitted on.

A spine is drawn at random, healthy to very worn (narrow, fused and dense joints, spurs, slips, calcium, thin patchy
bone, screws), and painted once, without noise, on fine voxels; two scans are taken of that, with slices (0.6 to 5 mm),
noise, blur and cut ends of their own. Each is built from its CT alone, names given. At both levels in view the answers
are held against the truth: areas of the canal (by the phantom's own formula), and what the default approach, planned on
the true anatomy, takes and keeps, whole sweep and resection, there and here. One JSON line a scan;
`scripts/why_confidence.py` fits and checks on such lines.

    python scripts/confidence_records.py --seed 1 --count 4 --records FILE
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

os.environ.setdefault("CANALWISE_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
import numpy.typing as npt
from hard_measures import canal_areas, confidence_record, matches, on_grid_of

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.estimate.estimate import estimate_of
from canalwise.estimator.level.prepared_level import PreparedLevel, prepared_level
from canalwise.estimator.outcome.decompressed import decompressed
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.phantoms.anatomy.intensities import Material, ct_table_hu, share_of
from canalwise.phantoms.anatomy.spine import spine_of
from canalwise.phantoms.cases.hard_case import names_in_view
from canalwise.phantoms.cases.random_spec import varied_knobs, varied_spec
from canalwise.phantoms.imaging.artefacts import patches, streaks_hu
from canalwise.phantoms.imaging.grids import GridRequest
from canalwise.phantoms.imaging.render import painted
from canalwise.phantoms.imaging.scanner import Scanner, finished_scan
from canalwise.phantoms.spec import SpineSpec
from canalwise.phantoms.truth.frame import level_frame
from canalwise.phantoms.truth.level import areas_mm2
from canalwise.recon.anatomy import Anatomy
from canalwise.recon.canal.soft_tissue_model import with_modelled_tissue
from canalwise.recon.case.anatomy_builder import anatomy_of, bones_given
from canalwise.recon.case.motion_segments import frames_of, levels_of
from canalwise.recon.errors import AnatomyNotFound, CanalwiseError
from canalwise.recon.examination.working_volume import working_volume
from canalwise.recon.grid import Grid
from canalwise.recon.image.morphology import nearest_on
from canalwise.recon.intake.label_maps import GivenLabels
from canalwise.recon.labels import SIDES, Labels, Side, Tissue, level_vertebrae
from canalwise.recon.scan import Scan

IN_PLANE_MM, FINEST_MM = (0.6, 0.7, 0.8, 1.0), (0.6, 0.75, 1.0)
THICKEST_MM = 5.0
NOISE_HU = (5.0, 12.0, 20.0, 35.0, 60.0, 90.0)
BLUR_MM = (0.6, 2.0)
CUT_MM = (0.0, 0.0, 0.0, 8.0, 14.0, 20.0)
"""Taken off either end of a scan."""

SCANS = 2
"""Of each spine."""


@dataclass(frozen=True, eq=False)
class Subject:
    """A spine painted without noise: (nx, ny, nz) HU and labels, and what is true of its levels.

    `truth`: level -> areas by formula, mm2; `planned`: level -> (approach, what it comes to on the true anatomy).
    """

    spec: SpineSpec
    levels: tuple[str, ...]
    grid: Grid
    hu: npt.NDArray[np.float32]
    labels: Labels
    truth: Mapping[str, Mapping[str, float]]
    planned: Mapping[str, tuple[Approach, Mapping[str, Any]]]


def worn_spec(rng: np.random.Generator) -> SpineSpec:
    """A spine for these trials: a third healthy, the others with anything, and what narrows the canal is bone."""
    # soft tissue in the place of bone nobody sees in a CT, and no canal is as wide as it then is by the formula
    spec, kind = varied_spec(rng), rng.random()
    if kind < 0.33:
        return replace(spec, levels={}, scoliosis_deg=spec.scoliosis_deg / 3, rotation_deg=spec.rotation_deg / 3)
    dense = rng.random() < 0.3
    knobs = {
        name: replace(varied_knobs(rng), canal_narrowing_mm=0.0, bony=True, sclerotic=(dense, dense and kind < 0.6))
        for name in spec.level_names
    }
    screws = (str(rng.choice(spec.vertebrae[2:-1])),) if rng.random() < 0.12 else ()
    return replace(
        spec,
        levels=knobs,
        patchy_hu=float(rng.uniform(0.0, 50.0)),
        cortex_frac=float(rng.uniform(0.4, 1.2)),
        metal=screws,
    )


def subject(rng: np.random.Generator) -> Subject:
    """A spine drawn, painted, and worked out on its true labels."""
    spec = worn_spec(rng)
    names = [name for name in spec.level_names if not name.startswith("T")]
    at = int(rng.integers(0, len(names) - 1))
    levels = tuple(names[at : at + 2])
    wish = GridRequest(
        (*2 * (float(rng.choice(IN_PLANE_MM)),), float(rng.choice(FINEST_MM))), half_width_mm=42.0, behind_mm=2.0
    )
    spine, grid = spine_of(spec), wish.grid(spec, *levels)
    tables = np.stack([ct_table_hu(spec), share_of(Material.TRABECULAR), share_of(Material.METAL)])
    labels, (hu, marrow, metal) = painted(spine, grid, tables)
    clean = finished_scan(hu, np.zeros_like(hu), labels, grid, Scanner(noise_hu=0.0)).ct_hu
    anatomy = true_anatomy(Scan(clean, grid, "CT"), labels, levels)
    side: Side = "left" if rng.random() < 0.5 else "right"
    planned = {}
    for level in anatomy.levels:
        approach = _planned(anatomy, level.name, side)
        if approach is not None:
            planned[level.name] = (approach, effects(prepared_level(anatomy, level.name).ready(), approach))
    seed = int(rng.integers(1 << 30))
    # of what only images show, after the truth was read
    hu = hu + marrow * patches(grid, spec.patchy_hu, seed) if spec.patchy_hu else hu
    hu = hu + streaks_hu(metal, grid, seed) if spec.metal else hu
    truth = {name: areas_mm2(spine, name, level_frame(spine, name)) for name in levels}
    return Subject(spec, levels, grid, hu, labels, truth, planned)


def true_anatomy(scan: Scan, labels: Labels, levels: tuple[str, ...]) -> Anatomy:
    """The anatomy of true bones and canal; ligament and sac are modelled by the same rule as in a build from CT."""
    emptied = np.where(np.isin(labels, (Tissue.SAC, Tissue.FLAVUM, Tissue.ROOT)), np.uint16(Tissue.CANAL), labels)
    bones = bones_given(scan, GivenLabels(emptied, frozenset({"vertebrae", "parts", "canal"})), lambda _: None)
    frames, _ = frames_of(bones.labels, bones.occupancy, scan.grid)
    wanted = {pair: frame for pair, frame in frames.items() if pair in {level_vertebrae(level) for level in levels}}
    full = with_modelled_tissue(bones.labels, scan.grid, frames)
    found = levels_of(full, bones.occupancy, scan.grid, frames=wanted, sources=bones.sources)
    return Anatomy(scan.grid, full, bones.occupancy, found, bones.sources)


def _planned(anatomy: Anatomy, level: str, side: Side) -> Approach | None:
    """The default approach from a side, or from the other where that window is closed."""
    for each in (side, *(other for other in SIDES if other != side)):
        try:
            return default_approach(anatomy, level, each)
        except AnatomyNotFound:
            continue
    return None


def effects(prepared: PreparedLevel, approach: Approach) -> dict[str, Any]:
    """Bone taken (mm3) and facet surface kept (a fraction, by side), by the whole sweep and by the resection."""
    swept, found = estimate_of(prepared, approach), decompressed(prepared, approach)
    return {
        "sweep mm3": swept.cone.removal.total_mm3,
        "resection mm3": found.cost.total_mm3,
        "freed": found.verdict.freed,
        "sweep facets": {side: kept.area_frac for side, kept in swept.cone.facets.items()},
        "resection facets": {side: kept.area_frac for side, kept in found.cost.facets.items()},
    }


def scans(own: Subject, rng: np.random.Generator) -> Iterator[tuple[Scan, dict[str, Any]]]:
    """Scans of a spine, as the command takes them, each with how it was taken."""
    for _ in range(SCANS):
        most = int(THICKEST_MM / own.grid.spacing_mm[2])
        layers = min(int(rng.choice([1, 1, 1, 2, 2, 3, 4, 5])), most)
        scanner = Scanner(int(rng.integers(1 << 30)), float(rng.choice(NOISE_HU)), float(rng.uniform(*BLUR_MM)))
        low, high = (round(float(rng.choice(CUT_MM)) / float(own.grid.spacing_mm[2])) for _ in range(2))
        kept = (slice(None), slice(None), slice(low, own.grid.shape[2] - high))
        hu, grid = slices_of(own.hu[kept], own.grid.cropped(kept), layers)
        taken = finished_scan(hu, np.zeros_like(hu), np.zeros(grid.shape, np.uint16), grid, scanner)
        yield (
            working_volume(Scan(taken.ct_hu, grid, "CT")),
            {
                "spacing_mm": grid.spacing_mm.tolist(),
                "noise_hu": scanner.noise_hu,
                "blur_mm": scanner.point_spread_fwhm_mm,
                "cut_mm": [low * float(own.grid.spacing_mm[2]), high * float(own.grid.spacing_mm[2])],
            },
        )


def slices_of(hu: npt.NDArray[np.float32], grid: Grid, layers: int) -> tuple[npt.NDArray[np.float32], Grid]:
    """An image whose slices are each the mean of so many of the given ones.

    >>> hu, grid = slices_of(np.arange(6, dtype=np.float32).reshape(1, 1, 6), Grid((1, 1, 6), np.eye(4)), 3)
    >>> hu.ravel().tolist(), grid.world_mm([0, 0, 1])[2].item()
    ([1.0, 4.0], 4.0)
    """
    count = hu.shape[2] // layers
    affine = grid.affine_ras_mm @ np.diag([1.0, 1.0, layers, 1.0])
    affine[:3, 3] = grid.world_mm([0.0, 0.0, (layers - 1) / 2])
    mean = hu[:, :, : count * layers].reshape(*hu.shape[:2], count, layers).mean(axis=3)
    return mean, Grid((hu.shape[0], hu.shape[1], count), affine)


def record(own: Subject, scan: Scan) -> dict[str, Any]:
    """What the build shows and says of a scan's levels, and how far off its answers are."""
    labels = nearest_on(scan.grid, own.labels, own.grid)
    wanted = {name for level in own.levels for name in level_vertebrae(level)}
    names = tuple(name for name in names_in_view(labels) if name in wanted)
    if len(names) < 2:
        return {"outcome": "too little in view"}
    try:
        found = anatomy_of(scan, vertebrae=names_in_view(labels))
    except CanalwiseError as why:
        return {"outcome": "refused", "message": str(why)}
    except Exception as why:  # one to be mended, not the end of the trial
        return {"outcome": "crashed", "message": repr(why)}
    same = matches(names, labels, on_grid_of(scan.grid, found))
    out = {"outcome": "built", "shifted": {a: b for a, b in same.items() if a != b}, **confidence_record(found)}
    return out | {"levels": {level.name: _errors(own, found, level.name) for level in found.levels}}


def _errors(own: Subject, found: Anatomy, level: str) -> dict[str, Any]:
    """Relative errors of the canal's areas, and what an approach comes to here and in truth."""
    if level not in own.truth:
        return {}
    here = found.level(level)
    areas = canal_areas(here, here.lower)
    canal = {at: areas[at] / own.truth[level][at] - 1.0 for at in ("canal at disc", "canal at pedicle") if at in areas}
    out: dict[str, Any] = {"canal": canal, "canal mm2": areas}
    if level in own.planned:
        approach, true = own.planned[level]
        try:
            out |= {"true": true, "ours": effects(prepared_level(found, level).ready(), approach)}
        except CanalwiseError as why:
            out |= {"true": true, "no effect": str(why)[:200]}
        except Exception as why:
            out |= {"true": true, "effect crashed": repr(why)[:200]}
    return out


def records(seed: int, number: int) -> Iterator[dict[str, Any]]:
    """The records of one spine."""
    rng = np.random.default_rng([seed, number])
    own = subject(rng)
    about = {"seed": [seed, number], "healthy": not own.spec.levels, "metal": list(own.spec.metal)}
    for n, (scan, taken) in enumerate(scans(own, rng)):
        start = time.process_time()
        yield about | {"scan": n, **taken, **record(own, scan), "cpu_s": time.process_time() - start}


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--count", type=int, default=4, help="spines")
    parser.add_argument("--seconds", type=float, default=1e9, help="begin no further spine after this")
    parser.add_argument("--records", type=Path)
    args = parser.parse_args()
    start = time.perf_counter()
    for n in range(args.count):
        if time.perf_counter() - start > args.seconds:
            break
        try:
            for one in records(args.seed, n):
                line = json.dumps(one, default=float)
                print(line, flush=True)
                if args.records:
                    with args.records.open("a") as file:
                        file.write(line + "\n")
        except CanalwiseError as why:
            print(f"{args.seed} {n}: not drawn, {why}", file=sys.stderr)


if __name__ == "__main__":
    main()
