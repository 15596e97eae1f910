#!/usr/bin/env python3
"""How well an audit tells what was taken, and how well an MR is registered to a CT, on made-up pairs of scans.

    .venv/bin/python scripts/accuracy_audit.py --records FILE [--cases 15] [--report]
    .venv/bin/python scripts/accuracy_audit.py --records FILE --crop FOLDER [--cases 4]
    .venv/bin/python scripts/accuracy_audit.py --records FILE --mr-only [--cases 50]
    .venv/bin/python scripts/accuracy_audit.py --records FILE --no-mr [--screws] [--cases 50]

A narrow spine drawn at random (`phantoms.cases.stenotic`) is scanned, its labels given; the usual approach is planned
and carried out with execution errors. Three scans are made afterwards, each in another pose (1 to 6 mm and degrees,
and the table elsewhere), grid, noise and kernel: operated, untouched, and an MR in sagittal slices of 4 mm in which
every vertebra has a motion of its own; where it lies is found from the truth's labels of it, and once more from what
the network sees in it. With --crop the first two are made of the real crop of the tests, with a
resection drawn in and noise added. With --screws the scans afterwards show pedicle screws and their streaks, which
were not there before: in even cases at the level, in odd ones at the level below. Records are appended to FILE as they
come, one JSON line each; those it holds are not done again, and --report only reads it.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any, Literal

os.environ.setdefault("OMP_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
import numpy.typing as npt
from scipy import ndimage
from scipy.spatial import cKDTree

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.audit.audit import AuditQuestion, audit_of
from canalwise.estimator.audit.fitted_approach import ToolMotion, fitted_approach, overhang_of
from canalwise.estimator.level.level_bone import PROTECTED
from canalwise.estimator.level.prepared_level import PreparedLevel, prepared_level
from canalwise.estimator.outcome.decompressed import decompressed
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.estimator.removal.bone_removal import Removal
from canalwise.estimator.resection.resection_level import Resection
from canalwise.phantoms.anatomy.intensities import TITANIUM_HU
from canalwise.phantoms.anatomy.spine import spine_of
from canalwise.phantoms.anatomy.spine_model import Spine
from canalwise.phantoms.cases.stenotic import stenotic_spec
from canalwise.phantoms.imaging.grids import GridRequest
from canalwise.phantoms.imaging.operated import taken_share, without
from canalwise.phantoms.imaging.render import scan_of
from canalwise.phantoms.imaging.scanner import PhantomScan, Scanner, finished_scan
from canalwise.phantoms.solid.pose import turn
from canalwise.recon.anatomy import Anatomy
from canalwise.recon.case.anatomy_builder import anatomy_of
from canalwise.recon.errors import CanalwiseError
from canalwise.recon.grid import Float, Grid
from canalwise.recon.image.implants import METAL_HU
from canalwise.recon.image.sampling import linear_at
from canalwise.recon.intake.label_maps import GivenLabels, read_given_labels
from canalwise.recon.intake.reader import read_scan
from canalwise.recon.labelling.mr_labels import labelled_mr
from canalwise.recon.labels import SIDES, Side
from canalwise.recon.registration.blend import blended
from canalwise.recon.registration.column import LabelledScan, registered_on
from canalwise.recon.registration.masks import bone_about_mm
from canalwise.recon.registration.rigid_motion import RigidMotion
from canalwise.recon.scan import Scan

SEED = 4242
GIVEN = frozenset({"vertebrae", "parts", "canal", "sac", "flavum"})
LEVELS = ("L2-L3", "L3-L4", "L4-L5")
NAMES = Path(__file__).resolve().parents[1] / "tests" / "recon" / "intake" / "label_names_example.toml"

SHIFT_SD_MM, TILT_SD_DEG = 1.2, 2.5
"""Execution errors at the bone: between guided and free (docs/published-values.md)."""

HALF = 0.5
"""A place stands in the room needed from this share of its voxel on."""

REACH_MM = 40.0
"""No tool of these plans reaches further."""

TABLE_MM = 60.0
"""The table stands up to this far elsewhere, along each axis."""

Record = dict[str, Any]


@dataclass(frozen=True, eq=False)
class Before:
    """A case before the operation.

    Parameters
    ----------
    still : the patient without noise and blur, from which every scan is made; None for a real one
    scan, anatomy : what is known before
    """

    still: PhantomScan | None
    spine: Spine | None
    scan: Scan
    anatomy: Anatomy
    level: str
    side: Side
    rng: np.random.Generator


def before_of(number: int) -> Before:
    """The case of that number, always the same."""
    rng = np.random.default_rng([SEED, number])
    spec, level = stenotic_spec(number)
    spec = replace(spec, patchy_hu=float(rng.uniform(10, 50)), trabecular_hu=float(rng.uniform(80, 160)))
    edge = float(rng.uniform(0.85, 1.0))
    spine = spine_of(spec)
    grid = GridRequest((edge, edge, edge), (float(rng.uniform(-8, 8)), 0.0, 0.0), 40.0).grid(spec, level)
    still = scan_of(spine, grid, Scanner(number, 0.0, 0.0, 0.0))
    ct = scanned(still.ct_hu, still, grid, rng, number)
    scan = Scan(ct.ct_hu, grid, "CT")
    anatomy = anatomy_of(scan, given=GivenLabels(still.labels, GIVEN))
    return Before(still, spine, scan, anatomy, level, SIDES[int(rng.integers(2))], rng)


def scanned(
    ct_hu: npt.NDArray[Any], still: PhantomScan, grid: Grid, rng: np.random.Generator, seed: int
) -> PhantomScan:
    """A scan of noiseless values with a kernel and a noise of its own."""
    scanner = Scanner(seed, float(rng.uniform(12, 35)), float(rng.uniform(0.6, 1.3)))
    zero = np.zeros(grid.shape)
    return finished_scan(ct_hu.astype(np.float32), zero.astype(np.float32), zero.astype(np.uint16), grid, scanner)


def posed(case: Before, spacing: tuple[float, float, float]) -> tuple[Grid, RigidMotion]:
    """(grid of the scan after in its own world, its world -> that of the scan before)."""
    rng, grid = case.rng, case.scan.grid
    turns = rng.uniform(1, 6, 3) * rng.choice([-1, 1], 3) / np.sqrt(3)
    shift = rng.uniform(1, 6) * np.eye(3)[rng.integers(3)] + np.round(rng.uniform(-TABLE_MM, TABLE_MM, 3), 1)
    rotation = turn(0, float(turns[0])) @ turn(1, float(turns[1])) @ turn(2, float(turns[2]))
    corners = grid.world_mm(np.array([[i, j, k] for i in (0, 1) for j in (0, 1) for k in (0, 1)])
                            * (np.array(grid.shape) - 1))  # fmt: skip
    low, high = corners.min(axis=0), corners.max(axis=0)
    centre = (low + high) / 2
    shape = np.ceil((high - low) / spacing).astype(int) + 1
    affine = np.diag([*spacing, 1.0])
    affine[:3, 3] = low + shift
    i, j, k = (int(n) for n in shape)
    return Grid((i, j, k), affine), RigidMotion.of(rotation, centre - rotation @ (centre + shift))


def resampled(
    values: npt.NDArray[Any], grid: Grid, onto: Grid, back: Callable[[Float], Float], order: Literal[0, 1, 3] = 3
) -> npt.NDArray[np.float32]:
    """(onto's shape) array: values read where each of its voxels came from, slab by slab."""
    field = values.astype(np.float32)
    spline = ndimage.spline_filter(field, order) if order > 1 else field
    out = np.zeros(onto.shape, dtype=np.float32)
    plane = np.stack(np.meshgrid(*(np.arange(n) for n in onto.shape[1:]), indexing="ij"), axis=-1)
    for i in range(onto.shape[0]):
        index = np.concatenate([np.full((*plane.shape[:2], 1), i), plane], axis=-1).reshape(-1, 3)
        at = grid.index_of(back(onto.world_mm(index)))
        read = ndimage.map_coordinates(spline, at.T, order=order, mode="nearest", prefilter=False)
        out[i] = read.reshape(onto.shape[1:])
    return out


@dataclass(frozen=True, eq=False)
class ExecutedPlan:
    """A resection as executed: paths and tips moved and tilted; of RAS points of the scan before.

    Tips bite off what stands in the room needed, as in the plan: that bone stays where it is.
    """

    resection: Resection
    motion: ToolMotion

    @cached_property
    def overhang(self) -> npt.NDArray[np.float32]:
        """(nx, ny, nz) array: share of each voxel of the level that is bone in the room needed."""
        return overhang_of(self.resection)

    def holds(self, points_mm: Float) -> npt.NDArray[np.bool_]:
        """(N,) array: was what lies there taken?"""
        found, frame = self.resection, self.resection.at.level.frame
        side, docking = found.approach.side, np.array(found.approach.docking_point_mm)
        near = (found.tips_mm[:, 0] >= 0) == (side == "left")
        level_mm = frame.to_level_mm(points_mm)
        inside = np.zeros(len(points_mm), dtype=bool)
        overhangs = linear_at(self.overhang, found.removal.level_bone.grid.index_of(points_mm)) >= HALF
        bite_mm = found.at.rules.value("bite_mm")
        for part, mine in enumerate((near, ~near)):
            if mine.any():
                region = replace(found.region, pivots_mm=found.pivots_mm[mine], tips_mm=found.tips_mm[mine])
                planned_mm = self.motion.before_mm(side, docking, part, level_mm)
                inside |= region.holds(frame.to_world_mm(planned_mm))
                away_mm = cKDTree(found.tips_mm[mine]).query(planned_mm, distance_upper_bound=2 * bite_mm)[0]
                inside |= overhangs & (away_mm <= bite_mm)
        return inside


def execution_motion(rng: np.random.Generator) -> ToolMotion:
    """Errors of one execution."""
    lateral, cranial = rng.normal(0, SHIFT_SD_MM, 2)
    tilts = rng.normal(0, TILT_SD_DEG, 4)
    return ToolMotion.of(np.array([lateral, cranial, rng.normal(0, 0.4), *tilts]))


def with_screws_hu(case: Before, number: int) -> npt.NDArray[np.float32]:
    """The patient after pedicle screws were put in, at the level or at the next below, without noise and blur."""
    assert case.spine is not None
    names = case.spine.spec.vertebrae
    upper = names.index(case.level.split("-")[0])
    first = min(upper + number % 2, len(names) - 2)
    spec = replace(case.spine.spec, metal=names[first : first + 2])
    ct_hu = scan_of(spine_of(spec), case.scan.grid, Scanner(number, 0.0, 0.0, 0.0, streaks=True)).ct_hu
    return np.where(ct_hu >= METAL_HU, TITANIUM_HU, ct_hu.astype(np.float32))


def near_level(case: Before, grid: Grid) -> npt.NDArray[np.bool_]:
    """(nx, ny, nz) array: bone and its rim, within an operation's reach of the level's origin."""
    frame = case.anatomy.level(case.level).frame
    start, steps = frame.to_level_mm(grid.world_mm([0, 0, 0])), frame.axes_ras @ grid.affine_ras_mm[:3, :3]
    i, j, k = np.ogrid[: grid.shape[0], : grid.shape[1], : grid.shape[2]]
    near = ndimage.binary_dilation(case.anatomy.occupancy > 0, iterations=1)
    for row in range(3):
        near = near & (np.abs(start[row] + steps[row, 0] * i + steps[row, 1] * j + steps[row, 2] * k) < REACH_MM)
    return np.asarray(near)


def true_removal(prepared: PreparedLevel, done: ExecutedPlan) -> Removal:
    """What was taken of the case's own bone."""
    level_bone = prepared.level_bone
    share = taken_share(level_bone.grid, done.holds, (level_bone.bone_mm3 > 0) & ~PROTECTED[level_bone.labels])
    voxels = np.flatnonzero(share)
    return Removal(level_bone, voxels, share.reshape(-1)[voxels])


def records_of(number: int, with_mr: bool = True, screws: bool = False) -> Iterator[Record]:
    """One patient: operated, untouched, and the MR where it is wanted."""
    start, case = time.perf_counter(), before_of(number)
    assert case.still is not None
    prepared = prepared_level(case.anatomy, case.level)
    plan = default_approach(case.anatomy, case.level, case.side)
    done = ExecutedPlan(decompressed(prepared, plan).resection, execution_motion(case.rng))
    still, here = case.still, case.scan.grid
    clear = with_screws_hu(case, number) if screws else still.ct_hu.astype(np.float32)
    for operated in (True, False):
        edge = float(case.rng.uniform(0.7, 1.0))
        grid, back = posed(case, (edge, edge, float(case.rng.uniform(0.8, 1.0))))
        ct = clear
        if operated:
            ct = without(ct, taken_share(here, done.holds, near_level(case, here) & ~PROTECTED[still.labels]))
        after = scanned(resampled(ct, here, grid, back.moved_mm), still, grid, case.rng, number + 9000 + operated)
        kind = ("audit" if operated else "untouched") + (", screws" if screws else "")
        yield {"case": number, "kind": kind, "level": case.level, "side": case.side} | _tried(
            case, prepared, (plan, done), Scan(after.ct_hu, grid, "CT"), back.inverse(), operated, start
        )
        start = time.perf_counter()
    if with_mr:
        yield from mr_records(number, case)


def mr_records(number: int, case: Before | None = None) -> Iterator[Record]:
    """The MR of a patient, its labels given and found."""
    try:
        yield from mr_record(number, case or before_of(number))
    except CanalwiseError as problem:
        yield {"case": number, "kind": "mr", "refused": str(problem)}


def _tried(*arguments: Any) -> Record:
    """What is judged, or why it was refused."""
    try:
        return _judged(*arguments)
    except CanalwiseError as problem:
        return {"refused": str(problem)}


def _judged(
    case: Before, prepared: PreparedLevel, planned: tuple[Approach, ExecutedPlan], after: Scan, truth: RigidMotion,
    operated: bool, start: float,
) -> Record:  # fmt: skip
    plan, done = planned
    rendered = time.perf_counter()
    found = audit_of(case.anatomy, case.scan, after, AuditQuestion(case.level, plan))
    true = (
        true_removal(prepared, done)
        if operated
        else Removal(prepared.level_bone, np.zeros(0, int), np.zeros(0, np.float32))
    )
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
        "psf_mm": found.change.psf_mm,
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


def mr_record(number: int, case: Before) -> Iterator[Record]:
    """A CT and the MR of the same spine in sagittal slices of 4 mm, each vertebra with its own motion."""
    start = time.perf_counter()
    assert case.still is not None
    grid, back = posed(case, (4.0, 0.8, 0.8))
    own = {}
    for name in prepared_level(case.anatomy, case.level).level.name.split("-"):
        middle = bone_about_mm(case.anatomy.labels, case.anatomy.grid, name).mean(axis=0)
        angles = case.rng.uniform(-3, 3, 3)
        turned = turn(0, float(angles[0])) @ turn(1, float(angles[1])) @ turn(2, float(angles[2]))
        own[name] = RigidMotion.about(middle, turned, case.rng.uniform(-1.5, 1.5, 3))
    bend = blended(case.anatomy.labels, case.anatomy.grid, own)

    def origin_of(points_mm: Float) -> Float:
        wanted = back.moved_mm(points_mm)
        found = wanted.copy()
        for _ in range(5):  # the bend is small and smooth: a few rounds turn it round
            found += wanted - bend.moved_mm(found)
        return found

    mean = ndimage.uniform_filter1d(case.still.mr.astype(np.float32), max(round(4.0 / case.scan.grid.spacing_mm[0]), 1),
                                    axis=0)  # fmt: skip
    clear = resampled(mean, case.scan.grid, grid, origin_of, 1)
    noisy = np.hypot(clear + case.rng.normal(0, 15, clear.shape), case.rng.normal(0, 15, clear.shape))
    labels = np.rint(placed_labels(case.still.labels, case.scan.grid, grid, origin_of)).astype(np.uint16)
    mr = Scan(np.rint(noisy).astype(np.int16), grid, "MR")
    fixed = LabelledScan(case.scan, case.anatomy.labels, case.anatomy.grid)
    out = {"case": number, "level": case.level}
    for kind, moving in (("mr, labels found", None), ("mr", LabelledScan(mr, labels, grid))):
        try:
            found = registered_on(fixed, moving or labelled_mr(mr, None))
        except CanalwiseError as problem:
            yield out | {"kind": kind, "refused": str(problem)}
            continue
        errors = {}
        for name, one in found.items():
            if name not in own:
                continue
            points = bone_about_mm(case.anatomy.labels, case.anatomy.grid, name)
            true = back.inverse().moved_mm(own[name].moved_mm(points))
            error = float(np.linalg.norm(one.motion.moved_mm(points) - true, axis=1).mean())
            errors[name] = {"mm": error, "residual_mm": one.residual_mm, "problem": one.problem, "fit": one.fit}
        yield out | {"kind": kind, "vertebrae": errors, "all_s": round(time.perf_counter() - start, 1)}


def placed_labels(
    labels: npt.NDArray[np.uint16], grid: Grid, onto: Grid, back: Callable[[Float], Float]
) -> npt.NDArray[np.float32]:
    """As `resampled`, nearest voxel."""
    return resampled(labels, grid, onto, back, 0)


def crop_records(number: int, folder: Path) -> Iterator[Record]:
    """The real crop, and the same with and without a resection drawn in, turned, shifted and with more noise."""
    start, rng = time.perf_counter(), np.random.default_rng([SEED, 7, number])
    scan = read_scan(folder / "ct.nii.gz")
    files = [folder / name for name in ("vertebrae.nii.gz", "parts.nii.gz")]
    anatomy = anatomy_of(scan, given=read_given_labels(files, NAMES, scan.grid))
    level, side = "L3-L4" if number % 2 else "L2-L3", SIDES[int(rng.integers(2))]
    case = Before(None, None, scan, anatomy, level, side, rng)
    prepared = prepared_level(anatomy, level)
    plan = default_approach(anatomy, level, side)
    done = ExecutedPlan(decompressed(prepared, plan).resection, execution_motion(rng))
    for operated in (True, False):
        voxels = scan.voxels.astype(np.float32)
        if operated:
            where = near_level(case, scan.grid) & ~PROTECTED[anatomy.labels]
            voxels = without(voxels, taken_share(scan.grid, done.holds, where))
        grid, back = posed(case, (1.5, 1.5, 1.5))
        moved = resampled(voxels, scan.grid, grid, back.moved_mm)
        after = Scan(np.rint(moved + rng.normal(0, 25.0, moved.shape)).astype(np.int16), grid, "CT")
        kind = {"case": number, "kind": "crop" if operated else "crop untouched", "level": level, "side": side}
        yield kind | _tried(case, prepared, (plan, done), after, back.inverse(), operated, start)
        start = time.perf_counter()


def recorded(records: Path, wanted: Iterator[tuple[int, Callable[[], Iterator[Record]]]], last: str) -> None:
    """Appends what is not there yet, one line each; a patient is done when the `last` of its kinds is there."""
    done = {(row["kind"], row["case"]) for row in rows_of(records)}
    for number, make in wanted:
        if (last, number) in done:
            continue
        for record in make():
            if (record["kind"], number) not in done:
                _append(records, record)


def _append(records: Path, record: Record) -> None:
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
        if kind.startswith("mr"):
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
        away = [round(row["elsewhere_mm3"], 1) for row in mine]
        print(f"  false removal, mm3: {[round(mm, 1) for mm in false]} (elsewhere {away})")
        return
    off = np.array([row["found_mm3"] / row["true_mm3"] - 1 for row in operated])
    good = [abs(r["found_mm3"] / r["true_mm3"] - 1) <= 0.15 or abs(r["found_mm3"] - r["true_mm3"]) <= r["limit_mm3"]
            for r in operated]  # fmt: skip
    inside = [r["interval95"][0] <= r["true_mm3"] <= r["interval95"][1] for r in operated]
    print(f"  volume: mean error {off.mean():+.1%}, SD {off.std():.1%}")
    print(f"  within 15 % or the limit: {sum(good)} of {len(good)}")
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
    parser.add_argument("--cases", type=int, default=15)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--crop", type=Path, help="folder of the real crop")
    parser.add_argument("--mr-only", action="store_true", help="register MRs, audit nothing")
    parser.add_argument("--no-mr", action="store_true", help="audits alone")
    parser.add_argument("--screws", action="store_true", help="pedicle screws in the scans afterwards")
    parser.add_argument("--report", action="store_true", help="only print what FILE holds")
    options = parser.parse_args()
    if not options.report:
        numbers = range(options.first, options.first + options.cases)
        if options.crop:
            wanted = ((n, lambda n=n: crop_records(n, options.crop)) for n in numbers)
        elif options.mr_only:
            wanted = ((n, lambda n=n: mr_records(n)) for n in numbers)
        else:
            wanted = ((n, lambda n=n: records_of(n, not options.no_mr, options.screws)) for n in numbers)
        untouched = "untouched, screws" if options.screws else "untouched"
        recorded(options.records, wanted, "crop untouched" if options.crop else untouched if options.no_mr else "mr")
    report(rows_of(options.records))


if __name__ == "__main__":
    main()
