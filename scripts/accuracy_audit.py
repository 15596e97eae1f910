#!/usr/bin/env python3
"""How well an audit tells what was taken, and how well an MR is laid on a CT, on made-up pairs of scans.

    .venv/bin/python scripts/accuracy_audit.py --records FILE [--kind audit|untouched|mr] [--cases 15] [--report]
    .venv/bin/python scripts/accuracy_audit.py --records FILE --kind crop --crop FOLDER

audit: a spine drawn at random (`phantoms.cases.random_spec`) is scanned, its labels given; the usual approach is planned
and carried out with errors of the hand; the scan after has another pose (1 to 6 mm and degrees and a table elsewhere),
grid, noise and kernel. untouched: the same without any operation. mr: the phantom's MR in sagittal slices of 4 mm with
the lordosis changed, so that every vertebra has its own motion. crop: the real crop of the tests with a resection drawn
in and noise added. Records are appended to FILE as they come, one JSON line each; those it holds are not done again, and
--report only reads it.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

os.environ.setdefault("OMP_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.audit.audit import AuditQuestion, audit_of
from canalwise.estimator.audit.fitted_approach import ToolMotion, fitted_approach
from canalwise.estimator.level.level_bone import PROTECTED
from canalwise.estimator.level.prepared_level import PreparedLevel, prepared_level
from canalwise.estimator.outcome.decompressed import decompressed
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.estimator.removal.bone_removal import Removal
from canalwise.estimator.resection.resection import Resection
from canalwise.phantoms.anatomy.spine import spine_of
from canalwise.phantoms.anatomy.spine_model import Spine
from canalwise.phantoms.cases.random_spec import varied_spec
from canalwise.phantoms.imaging.grids import GridRequest
from canalwise.phantoms.imaging.operated import SOFT_HU, operated_scan, taken_share
from canalwise.phantoms.imaging.render import scan_of
from canalwise.phantoms.imaging.scanner import Scanner
from canalwise.phantoms.solid.pose import turn
from canalwise.recon.anatomy import Anatomy
from canalwise.recon.case.anatomy_builder import anatomy_of
from canalwise.recon.errors import CanalwiseError
from canalwise.recon.grid import Float, Grid
from canalwise.recon.intake.label_maps import GivenLabels, read_given_labels
from canalwise.recon.intake.reader import read_scan
from canalwise.recon.labels import SIDES, Side
from canalwise.recon.registration.column import LabelledScan, laid_on
from canalwise.recon.registration.masks import bone_about_mm
from canalwise.recon.registration.rigid_motion import RigidMotion
from canalwise.recon.scan import Scan

SEED = 4242
GIVEN = frozenset({"vertebrae", "parts", "canal", "sac", "flavum"})
LEVELS = ("L2-L3", "L3-L4", "L4-L5")
NAMES = Path(__file__).resolve().parents[1] / "tests" / "recon" / "intake" / "label_names_example.toml"

SHIFT_SD_MM, TILT_SD_DEG = 1.2, 2.5
"""The hand's errors at the bone: between guided and free (docs/published-values.md)."""

TABLE_MM = 60.0
"""The table stands up to this far elsewhere, along each axis."""

Record = dict[str, Any]


@dataclass(frozen=True, eq=False)
class Before:
    """A case before the operation."""

    spine: Spine
    scan: Scan
    mr: npt.NDArray[np.int16]
    anatomy: Anatomy
    level: str
    side: Side
    rng: np.random.Generator


def before_of(number: int) -> Before:
    """The case of that number, always the same."""
    rng = np.random.default_rng([SEED, number])
    spec = varied_spec(rng)
    level = str(rng.choice([name for name in LEVELS if name in spec.level_names]))
    edge, slice_mm = float(rng.uniform(0.7, 1.0)), float(rng.uniform(0.8, 1.0))
    spine = spine_of(spec)
    grid = GridRequest((edge, edge, slice_mm), (float(rng.uniform(-8, 8)), 0.0, 0.0)).grid(spec, level)
    scanner = Scanner(number, float(rng.uniform(12, 35)), float(rng.uniform(0.6, 1.2)))
    made = scan_of(spine, grid, scanner)
    scan = Scan(made.ct_hu, grid, "CT")
    anatomy = anatomy_of(scan, given=GivenLabels(made.labels, GIVEN))
    return Before(spine, scan, made.mr, anatomy, level, SIDES[int(rng.integers(2))], rng)


def posed(case: Before, spacing: tuple[float, float, float]) -> tuple[Grid, Float]:
    """(grid of the scan after in its own world, (4, 4) its world -> the spine's)."""
    rng, grid = case.rng, case.scan.grid
    turns = rng.uniform(1, 6, 3) * rng.choice([-1, 1], 3) / np.sqrt(3)
    shift = rng.uniform(1, 6) * np.eye(3)[rng.integers(3)] + np.round(rng.uniform(-TABLE_MM, TABLE_MM, 3), 1)
    rotation = turn(0, float(turns[0])) @ turn(1, float(turns[1])) @ turn(2, float(turns[2]))
    corners = grid.world_mm(np.array([[0, 0, 0], np.array(grid.shape) - 1]))
    centre = corners.mean(axis=0)
    to_spine = np.eye(4)
    to_spine[:3, :3] = rotation
    to_spine[:3, 3] = centre - rotation @ (centre + shift)
    low = np.minimum(*corners) + shift
    shape = np.ceil((np.abs(corners[1] - corners[0])) / spacing).astype(int) + 1
    affine = np.diag([*spacing, 1.0])
    affine[:3, 3] = low
    i, j, k = (int(n) for n in shape)
    return Grid((i, j, k), affine), to_spine


@dataclass(frozen=True, eq=False)
class CarriedOut:
    """A resection as a hand carried it out: its ways moved and tilted; asked about RAS points of the scan before."""

    resection: Resection
    motion: ToolMotion

    def holds(self, points_mm: Float) -> npt.NDArray[np.bool_]:
        """(N,) array: was what lies there taken?"""
        found, frame = self.resection, self.resection.at.level.frame
        side, docking = found.approach.side, np.array(found.approach.docking_point_mm)
        near = (found.tips_mm[:, 0] >= 0) == (side == "left")
        level_mm = frame.to_level_mm(points_mm)
        inside = np.zeros(len(points_mm), dtype=bool)
        for part, mine in enumerate((near, ~near)):
            if mine.any():
                region = replace(found.region, pivots_mm=found.pivots_mm[mine], tips_mm=found.tips_mm[mine])
                moved = frame.to_world_mm(self.motion.before_mm(side, docking, part, level_mm))
                inside |= region.holds(moved)
        return inside


def hand(rng: np.random.Generator) -> ToolMotion:
    """Errors of a hand."""
    lateral, cranial = rng.normal(0, SHIFT_SD_MM, 2)
    tilts = rng.normal(0, TILT_SD_DEG, 4)
    return ToolMotion.of(np.array([lateral, cranial, rng.normal(0, 0.4), *tilts]))


def true_removal(prepared: PreparedLevel, done: CarriedOut) -> Removal:
    """What was taken of the case's own bone."""
    level_bone = prepared.level_bone
    share = taken_share(level_bone.grid, done.holds)
    share[PROTECTED[level_bone.labels]] = 0
    share[level_bone.bone_mm3 <= 0] = 0
    voxels = np.flatnonzero(share)
    return Removal(level_bone, voxels, share.reshape(-1)[voxels])


def audit_record(number: int, operated: bool) -> Record:
    """One pair of scans, with or without an operation between them."""
    start = time.perf_counter()
    case = before_of(number)
    out: Record = {"case": number, "kind": "audit" if operated else "untouched", "level": case.level, "side": case.side}
    prepared = prepared_level(case.anatomy, case.level)
    plan = default_approach(case.anatomy, case.level, case.side)
    done = CarriedOut(decompressed(prepared, plan).resection, hand(case.rng))
    edge = float(case.rng.uniform(0.7, 1.0))
    grid, to_spine = posed(case, (edge, edge, float(case.rng.uniform(0.8, 1.0))))

    def taken(points_mm: Float) -> npt.NDArray[np.bool_]:
        if not operated:
            return np.zeros(len(points_mm), dtype=bool)
        inside = done.holds(points_mm)
        if inside.any():
            labels = case.spine.label_and_depth(points_mm[inside])[0]
            inside[inside] = ~PROTECTED[labels]
        return inside

    scanner = Scanner(number + 9000, float(case.rng.uniform(12, 35)), float(case.rng.uniform(0.6, 1.2)))
    after = operated_scan(case.spine, grid, to_spine, taken, scanner)
    truth = RigidMotion(np.linalg.inv(to_spine))
    return out | _judged(case, prepared, (plan, done), Scan(after.ct_hu, grid, "CT"), truth, operated, start)


def _judged(
    case: Before, prepared: PreparedLevel, planned: tuple[Approach, CarriedOut], after: Scan, truth: RigidMotion,
    operated: bool, start: float,
) -> Record:  # fmt: skip
    plan, done = planned
    rendered = time.perf_counter()
    found = audit_of(case.anatomy, case.scan, after, AuditQuestion(case.level, plan))
    true = true_removal(prepared, done) if operated else Removal(prepared.level_bone, np.zeros(0, int), np.zeros(0))
    out: Record = {
        "registration_mm": {
            name: float(one.motion.apart_mm(truth, bone_about_mm(case.anatomy.labels, case.anatomy.grid, name)).mean())
            for name, one in found.pair.registrations.items()
        },
        "residual_mm": found.pair.residual_mm,
        "fit": {name: one.fit for name, one in found.pair.registrations.items()},
        "true_mm3": true.total_mm3,
        "found_mm3": found.taken.removal.total_mm3,
        "interval95": list(found.taken.interval95_mm3),
        "limit_mm3": found.taken.limit_mm3,
        "elsewhere_mm3": found.taken.elsewhere_mm3,
        "findings": list(found.findings),
        "audit_s": round(time.perf_counter() - rendered, 1),
        "all_s": round(time.perf_counter() - start, 1),
    }
    if operated and found.fitted is not None:
        blind = fitted_approach(prepared, found.taken.removal, None)
        bone = prepared.level_bone.bone_mm3
        both = float((bone * np.minimum(true.taken_frac, found.taken.removal.taken_frac)).sum())
        fitted, real = found.fitted.motion, done.motion
        out |= {
            "overlap_frac": 2 * both / max(true.total_mm3 + found.taken.removal.total_mm3, 1e-9),
            "side_with_plan": found.fitted.approach.side,
            "side_blind": None if blind is None else blind.approach.side,
            "medial_error_deg": [a - b for a, b in zip(fitted.medial_deg, real.medial_deg, strict=True)],
            "cranial_error_deg": [a - b for a, b in zip(fitted.cranial_deg, real.cranial_deg, strict=True)],
            "shift_error_mm": [
                fitted.lateral_mm - real.lateral_mm, fitted.cranial_mm - real.cranial_mm,
                fitted.deeper_mm - real.deeper_mm,
            ],
        }  # fmt: skip
    return out


def mr_record(number: int) -> Record:
    """A CT and the MR of the same spine, bent anew and elsewhere."""
    start, case = time.perf_counter(), before_of(number)
    spec = case.spine.spec
    bent = spine_of(replace(spec, lordosis_deg=float(np.clip(spec.lordosis_deg + case.rng.uniform(-6, 6), 5, 85))))
    grid, to_spine = posed(case, (4.0, 0.8, 0.8))
    made = scan_of(bent, Grid(grid.shape, to_spine @ grid.affine_ras_mm), Scanner(number + 5000))
    mr = Scan(made.mr, grid, "MR")
    laid = laid_on(LabelledScan(case.scan, case.anatomy.labels, case.anatomy.grid), LabelledScan(mr, made.labels, grid))
    to_mr = RigidMotion(np.linalg.inv(to_spine))
    errors = {}
    for name, one in laid.items():
        points = bone_about_mm(case.anatomy.labels, case.anatomy.grid, name)
        moved = bent.poses[name].to_world_mm(case.spine.poses[name].to_local_mm(points))
        error = float(np.linalg.norm(one.motion.moved_mm(points) - to_mr.moved_mm(moved), axis=1).mean())
        errors[name] = {"mm": error, "residual_mm": one.residual_mm, "problem": one.problem, "fit": one.fit}
    seconds = round(time.perf_counter() - start, 1)
    return {"case": number, "kind": "mr", "level": case.level, "vertebrae": errors, "all_s": seconds}


def crop_record(number: int, folder: Path, operated: bool) -> Record:
    """The real crop, and the same with a resection drawn in, turned, shifted and with more noise."""
    start, rng = time.perf_counter(), np.random.default_rng([SEED, 7, number])
    scan = read_scan(folder / "ct.nii.gz")
    files = [folder / name for name in ("vertebrae.nii.gz", "parts.nii.gz")]
    anatomy = anatomy_of(scan, given=read_given_labels(files, NAMES, scan.grid))
    level, side = "L3-L4" if number % 2 else "L2-L3", SIDES[int(rng.integers(2))]
    case = Before(None, scan, None, anatomy, level, side, rng)  # type: ignore[arg-type]
    prepared = prepared_level(anatomy, level)
    plan = default_approach(anatomy, level, side)
    done = CarriedOut(decompressed(prepared, plan).resection, hand(rng))
    voxels = scan.voxels.astype(np.float32)
    if operated:
        share = taken_share(scan.grid, done.holds)
        keep = PROTECTED[anatomy.labels] | (voxels < SOFT_HU)
        voxels = np.where(keep, voxels, voxels + share * (SOFT_HU - voxels))
    grid, to_before = posed(case, (1.5, 1.5, 1.5))
    index = scan.grid.index_of((grid.voxel_centres_mm() @ to_before[:3, :3].T) + to_before[:3, 3])
    moved = ndimage.map_coordinates(voxels, np.moveaxis(index, -1, 0), order=3, mode="nearest")
    noisy = moved + rng.normal(0, 25.0, moved.shape)
    after = Scan(np.rint(noisy).astype(np.int16), grid, "CT")
    out: Record = {"case": number, "kind": "crop" if operated else "crop untouched", "level": level, "side": side}
    return out | _judged(case, prepared, (plan, done), after, RigidMotion(np.linalg.inv(to_before)), operated, start)


def recorded(records: Path, wanted: Iterator[tuple[str, int, Callable[[], Record]]]) -> None:
    """Appends what is not there yet, one line each."""
    done = {(row["kind"], row["case"]) for row in rows_of(records)}
    for kind, number, make in wanted:
        if (kind, number) in done:
            continue
        try:
            record = make()
        except CanalwiseError as problem:
            record = {"case": number, "kind": kind, "refused": str(problem)}
        with records.open("a", encoding="utf-8") as file:
            file.write(json.dumps(record) + "\n")
        print(json.dumps(record), flush=True)


def rows_of(records: Path) -> list[Mapping[str, Any]]:
    """What FILE holds."""
    if not records.is_file():
        return []
    return [json.loads(line) for line in records.read_text(encoding="utf-8").splitlines() if line.strip()]


def report(rows: list[Mapping[str, Any]]) -> None:
    """Prints the figures of each kind."""
    for kind in dict.fromkeys(row["kind"] for row in rows):
        mine = [row for row in rows if row["kind"] == kind and "refused" not in row]
        refused = [row for row in rows if row["kind"] == kind and "refused" in row]
        print(f"{kind}: {len(mine)} pairs, {len(refused)} refused")
        for row in refused:
            print(f"  case {row['case']}: {row['refused']}")
        if kind == "mr":
            all_of = [one for row in mine for one in row["vertebrae"].values()]
            kept = np.array([one["mm"] for one in all_of if not one["problem"]])
            lost = [one for one in all_of if one["problem"]]
            silent = sum(one["mm"] > 2.0 for one in all_of if not one["problem"])
            _line("  registration error, mm", kept)
            print(f"  flagged {len(lost)} of {len(all_of)}; over 2 mm and not flagged: {silent}")
            continue
        if mine:
            _audit_lines(mine)


def _audit_lines(mine: list[Mapping[str, Any]]) -> None:
    _line("  registration error, mm", np.array([mm for row in mine for mm in row["registration_mm"].values()]))
    operated = [row for row in mine if row["true_mm3"] > 0]
    if not operated:
        false = [row["found_mm3"] for row in mine]
        print(
            f"  false removal, mm3: {[round(mm, 1) for mm in false]} (elsewhere {[round(r['elsewhere_mm3'], 1) for r in mine]})"
        )
        return
    off = np.array([row["found_mm3"] / row["true_mm3"] - 1 for row in operated])
    good = [abs(r["found_mm3"] / r["true_mm3"] - 1) <= 0.15 or abs(r["found_mm3"] - r["true_mm3"]) <= r["limit_mm3"]
            for r in operated]  # fmt: skip
    inside = [r["interval95"][0] <= r["true_mm3"] <= r["interval95"][1] for r in operated]
    print(
        f"  volume: mean error {off.mean():+.1%}, SD {off.std():.1%}; within 15 % or the limit {sum(good)} of {len(good)}"
    )
    print(f"  interval holds the truth {sum(inside)} of {len(inside)}")
    print(f"  side: with plan {sum(r.get('side_with_plan') == r['side'] for r in operated)}, "
          f"without {sum(r.get('side_blind') == r['side'] for r in operated)} of {len(operated)}")  # fmt: skip
    for name in ("medial_error_deg", "cranial_error_deg"):
        for part, words in enumerate(("near", "far")):
            _line(f"  {name} {words}", np.abs([r[name][part] for r in operated if name in r]))


def _line(name: str, values: npt.NDArray[np.float64]) -> None:
    if len(values):
        print(f"{name}: mean {values.mean():.2f}, 95th percentile {np.percentile(values, 95):.2f}, "
              f"largest {values.max():.2f} ({len(values)})")  # fmt: skip


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=str(__doc__).splitlines()[0])
    parser.add_argument("--records", type=Path, required=True)
    parser.add_argument("--kind", choices=("audit", "untouched", "mr", "crop"), default="audit")
    parser.add_argument("--cases", type=int, default=15)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--crop", type=Path, help="folder of the real crop")
    parser.add_argument("--report", action="store_true", help="only print what FILE holds")
    options = parser.parse_args()
    if not options.report:
        recorded(options.records, _wanted(options))
    report(rows_of(options.records))


def _wanted(options: argparse.Namespace) -> Iterator[tuple[str, int, Callable[[], Record]]]:
    for number in range(options.first, options.first + options.cases):
        if options.kind == "crop":
            yield "crop", number, lambda n=number: crop_record(n, options.crop, True)  # type: ignore[misc]
            yield "crop untouched", number, lambda n=number: crop_record(n, options.crop, False)  # type: ignore[misc]
        elif options.kind == "mr":
            yield "mr", number, lambda n=number: mr_record(n)  # type: ignore[misc]
        else:
            operated = options.kind == "audit"
            yield options.kind, number, lambda n=number, o=operated: audit_record(n, o)  # type: ignore[misc]


if __name__ == "__main__":
    main()
