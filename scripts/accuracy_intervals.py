#!/usr/bin/env python3
"""Coverage of the 95 % intervals when a plan is carried out with execution errors.

    .venv/bin/python scripts/accuracy_intervals.py --records FILE [--cases 200] [--jobs N] [--ct-every K] [--report]

Each case is a spine drawn at random (`phantoms.cases.random_spec`), scanned on a grid of 0.7 to 1 mm with noise, its
labels given; every K-th is built from its CT alone instead. A usual approach, its tilts a little changed, is planned on
what was built and estimated. Then one execution error is drawn from the same records as the estimate's samples, and
the phantom's own functions give what the approach so carried out takes, keeps and reaches; and the same for
the plan carried out exactly. A case that cannot be built or planned is counted, not replaced. Records go to FILE
as they come, one JSON line each; cases it holds already are not done again, and --report only reads it.

Printed for each number: the share of cases whose truth lies in the interval, with and without execution errors, the
mean width, how large errors are against the interval's half-width (root mean square, of those that are not 0), and the
share of cases in which reported value and truth are both 1 (which nothing threatens). For each limit and target of
which the truth is known, the mean chance reported, how often it came true, and the Brier score.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

os.environ.setdefault("OMP_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np

from canalwise.estimator.approach.approach import Approach, other_side, placed_phases
from canalwise.estimator.approach.execution_errors import BY_EXECUTION, ExecutionErrors, executed_approaches
from canalwise.estimator.estimate.estimate import Estimate, estimate
from canalwise.estimator.estimate.estimate_json import estimate_as_json
from canalwise.estimator.estimate.intervals import Intervals, intervals_of
from canalwise.estimator.estimate.probabilities import Chances, chances_of
from canalwise.estimator.interval import Interval
from canalwise.estimator.level.target_names import AT_DISC, FROM_TARGETS
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.phantoms.anatomy.spine import spine_of
from canalwise.phantoms.anatomy.spine_model import Spine
from canalwise.phantoms.cases.hard_case import names_in_view
from canalwise.phantoms.cases.random_spec import varied_spec
from canalwise.phantoms.imaging.grids import GridRequest
from canalwise.phantoms.imaging.render import render_scan
from canalwise.phantoms.imaging.scanner import PhantomScan
from canalwise.phantoms.solid.pose import Pose
from canalwise.phantoms.solid.quadrature import Volumes
from canalwise.phantoms.truth.frame import level_frame
from canalwise.phantoms.truth.joint import JointTruth, joint_truth
from canalwise.phantoms.truth.landmarks import landmarks
from canalwise.phantoms.truth.removal import PlannedPhantom, facets_kept, reached, rehearsal_of, removed_volumes
from canalwise.phantoms.truth.swept_region import phases_of
from canalwise.phantoms.truth.targets import targets
from canalwise.recon.anatomy import Anatomy, Frame
from canalwise.recon.case.anatomy_builder import anatomy_of
from canalwise.recon.errors import CanalwiseError
from canalwise.recon.grid import Float
from canalwise.recon.intake.label_maps import GivenLabels
from canalwise.recon.labels import SIDES, Side
from canalwise.recon.scan import Scan

SEED = 2026
GIVEN = frozenset({"vertebrae", "parts", "canal", "sac", "flavum"})
SPACING_MM, NOISE_HU, TURN_DEG, TILT_DEG = (0.7, 1.0), (10.0, 40.0), 12.0, 3.0
"""Ranges of voxel edge and noise; half-ranges of the scan's turns and of what is added to the usual tilts (choices)."""

COVER_TOL = 1e-3
"""Slack of an interval's ends: what single precision and the truth's own quadrature take off."""

NEARLY_ONE = 0.999


@dataclass(frozen=True)
class Drawn:
    """One random case; its generator goes on to draw the execution error."""

    number: int
    spine: Spine
    level: str
    side: Side
    grid_request: GridRequest
    noise_hu: float
    rng: np.random.Generator


def drawn(number: int) -> Drawn:
    """The case of that number, always the same."""
    rng = np.random.default_rng([SEED, number])
    spec = varied_spec(rng)
    spacing_mm = rng.uniform(*SPACING_MM, 2)
    turns = rng.uniform(-TURN_DEG, TURN_DEG, 3)
    grid_request = GridRequest(
        (float(spacing_mm[0]), float(spacing_mm[0]), float(spacing_mm[1])),
        (float(turns[0]), float(turns[1]), float(turns[2])),
    )
    return Drawn(
        number,
        spine_of(spec),
        str(rng.choice(spec.level_names)),
        SIDES[int(rng.integers(2))],
        grid_request,
        float(rng.uniform(*NOISE_HU)),
        rng,
    )


def scanned(case: Drawn) -> PhantomScan:
    """The case's CT and labels."""
    spec = case.spine.spec
    return render_scan(spec, case.grid_request.grid(spec, case.level), noise_hu=case.noise_hu, seed=case.number)


def built(scan: PhantomScan, from_ct: bool) -> Anatomy:
    """The case's anatomy, from its CT and labels or from its CT alone with the vertebrae's names."""
    ct = Scan(scan.ct_hu, scan.grid, "CT")
    if from_ct:
        return anatomy_of(ct, vertebrae=names_in_view(scan.labels))
    return anatomy_of(ct, given=GivenLabels(scan.labels, GIVEN))


def planned(anatomy: Anatomy, case: Drawn) -> Approach:
    """The usual approach with each tilt changed by up to TILT_DEG."""
    usual = default_approach(anatomy, case.level, case.side)
    phases = tuple(
        replace(phase, medial_tilt_deg=phase.medial_tilt_deg + float(case.rng.uniform(-TILT_DEG, TILT_DEG)),
                cranial_tilt_deg=phase.cranial_tilt_deg + float(case.rng.uniform(-TILT_DEG, TILT_DEG)))
        for phase in usual.phases
    )  # fmt: skip
    return replace(usual, phases=phases)


def record_of(number: int, from_ct: bool) -> dict[str, Any]:
    """All numbers of one case with their intervals and truths, as plain data."""
    start, case = time.perf_counter(), drawn(number)
    out: dict[str, Any] = {"case": number, "level": case.level, "from_ct": from_ct}
    try:
        scan = scanned(case)
        anatomy = built(scan, from_ct)
        found = estimate(anatomy, planned(anatomy, case))
    except CanalwiseError as why:
        return out | {"refused": str(why)}
    reported = intervals_of(found)
    executed = executed_approaches(found.approach, ExecutionErrors(), 1, case.rng).approach(0)
    approaches = (executed, found.approach)
    try:
        known = truth_of(case.spine, scan, (found, reported), approaches)
    except ValueError as why:  # a spine so bent or grown over that a landmark its truth needs is not there
        return out | {"refused": f"no truth: {why}"}
    true, exact = (known.numbers(approach) for approach in approaches)
    numbers = [
        _row(name, interval, true[name], exact[name])
        for name, interval in reported_intervals(found, reported)
        if name in true
    ]
    chances = list(reported_chances(found, chances_of(found, reported.spread), true))
    return out | {"numbers": numbers, "chances": chances, "seconds": round(time.perf_counter() - start, 1)}


def _row(name: str, interval: Interval, true: float, exact: float) -> dict[str, Any]:
    return {"name": name, "value": interval.value, "ends": list(interval.ends), "true": true,
            "ends_as_planned": list(interval.without(BY_EXECUTION).ends), "true_as_planned": exact}  # fmt: skip


def reported_intervals(found: Estimate, reported: Intervals) -> Iterator[tuple[str, Interval]]:
    """(number, interval) of the whole sweep; sides of the patient."""
    yield "bone removed, mm3", reported.cone.bone_mm3
    for side, shares in reported.cone.facets.items():
        yield from ((f"{side} facet {name}", interval) for name, interval in shares.items())
    far = other_side(found.approach.side)
    if far in reported.reach:
        yield "reach, mm", reported.reach[far]["lateral_mm"]
    for side in reported.reach:
        yield from ((f"{side} {name}", reported.reach[side][name]) for name in found.reach[side].targets)


def reported_chances(found: Estimate, chances: Chances, true: Mapping[str, float]) -> Iterator[dict[str, Any]]:
    """Each chance whose outcome the phantom knows, with whether it came true."""
    for relation, side in (("ipsilateral", found.approach.side), ("contralateral", other_side(found.approach.side))):
        for share in ("area", "width"):
            name, value = f"{relation} facet {share} kept", true.get(f"{side} facet {share}_frac")
            limit = found.limits.value(f"facet_{share}_kept_frac")
            if value is not None and chances.limits.get(name) is not None:
                yield {"name": name, "chance": chances.limits[name], "came_true": bool(value >= limit)}
    for name, chance in chances.targets.items():
        across, which = FROM_TARGETS.get(name, (False, ""))
        side = other_side(found.approach.side) if across else found.approach.side
        if chance is not None and f"{side} {which}" in true:
            came_true = bool(true[f"{side} {which}"] >= chances.enough_frac)
            yield {"name": name, "chance": chance, "came_true": came_true}


@dataclass(frozen=True, eq=False)
class Truth:
    """Truth of a level, for approaches that were planned on an estimate's anatomy.

    Parameters
    ----------
    centred : level frame about the canal's centroid, in which joints and targets are distinguished
    parts : volumes of all parts, counted in the phantom's own labels: a process to about 0.3 %, of what is lost of it
    midline : pose whose x = 0 the level was made about; disease moves the canal's centroid and the arches' likeness
    frame : of the built level, in which approaches are given
    rehearsal : covers all approaches to be evaluated; its phases are exchanged for each one's
    """

    centred: Pose
    joints: Mapping[Side, JointTruth]
    targets_ras_mm: Mapping[Side, Mapping[str, Float]]
    parts: Volumes
    midline: Pose
    frame: Frame
    rehearsal: PlannedPhantom

    def numbers(self, approach: Approach) -> dict[str, float]:
        """Name, as in `reported_intervals`, -> what the approach truly takes, keeps and reaches."""
        phases = phases_of({"phases": _phases(approach, self.frame)})
        rehearsal = replace(self.rehearsal, phases=phases, cutting_regions=phases)
        removed = removed_volumes(rehearsal)
        reported = {"bone removed, mm3": removed.total_mm3()}
        kept = facets_kept(rehearsal, self.centred, self.joints, removed, self.parts)
        for side, shares in kept.items():
            reported |= {f"{side} facet {name}": value for name, value in asdict(shares).items()}
        lateral = 0.0
        for side, aims in self.targets_ras_mm.items():
            for name, points in aims.items():
                mask = reached(rehearsal, points)
                reported[f"{side} {name}"] = float(mask.mean())
                if side != approach.side and name in AT_DISC and mask.any():
                    lateral = max(lateral, float(np.abs(self.midline.to_local_mm(points[mask])[:, 0]).max()))
        return reported | {"reach, mm": lateral}


def truth_of(
    spine: Spine, scan: PhantomScan, estimated: tuple[Estimate, Intervals], approaches: Sequence[Approach]
) -> Truth:
    """The truth of an estimate's level, ready for some approaches."""
    found, reported = estimated
    name, frame = found.level.name, found.level.frame
    counts = np.bincount(scan.labels.ravel())
    parts = {int(n): float(counts[n]) * scan.grid.voxel_mm3 for n in np.flatnonzero(counts)}
    geometry = estimate_as_json(found, reported)["geometry"]
    phases = [phase for approach in approaches for phase in _phases(approach, frame)]
    centred = level_frame(spine, name)
    marks = landmarks(spine, name, centred)
    return Truth(
        centred,
        {side: joint_truth(spine, name, side, centred) for side in SIDES},
        {side: targets(spine, centred, side, marks) for side in SIDES},
        Volumes(parts, {}),
        spine.poses[name],
        frame,
        rehearsal_of(spine, name, geometry | {"phases": phases}),
    )


def _phases(approach: Approach, frame: Frame) -> list[dict[str, Any]]:
    return [asdict(phase) for phase in placed_phases(approach, frame)]


def kind_of(name: str) -> str:
    """A number's name without its side.

    >>> kind_of("left facet area_frac"), kind_of("reach, mm")
    ('facet area_frac', 'reach, mm')
    """
    return name.removeprefix("left ").removeprefix("right ")


def report(records: Iterable[Mapping[str, Any]]) -> str:
    """The tables of some records."""
    done = list(records)
    good = [record for record in done if "numbers" in record]
    lines = [f"{len(done)} spines, {len(good)} planned; {sum(r['from_ct'] for r in good)} of them from CT alone"]
    lines += [f"  case {r['case']} refused: {r['refused']}" for r in done if "refused" in r]
    for from_ct in sorted({bool(r["from_ct"]) for r in good}):
        of_kind = [record for record in good if record["from_ct"] == from_ct]
        head = "from CT alone" if from_ct else "labels given"
        lines += ["", head, *_coverage_lines(of_kind), *_chance_lines(of_kind)]
    return "\n".join(lines)


def _coverage_lines(records: list[Mapping[str, Any]]) -> list[str]:
    by_kind: dict[str, list[Mapping[str, Any]]] = defaultdict(list)
    for record in records:
        for row in record["numbers"]:
            by_kind[kind_of(row["name"])].append(row)
    lines = [f"{'number':26}{'n':>5}{'covered':>9}{'width':>9}{'rms/half':>9}{'both 1':>8}"
             f"{'as planned':>12}{'width':>9}{'rms/half':>9}"]  # fmt: skip
    for kind, rows in by_kind.items():
        value, true, exact = (np.array([row[key] for row in rows]) for key in ("value", "true", "true_as_planned"))
        one = np.mean((value >= NEARLY_ONE) & (true >= NEARLY_ONE) & ("frac" in kind))
        carried, plan = (_covered(rows, ends, of) for ends, of in (("ends", true), ("ends_as_planned", exact)))
        lines.append(f"{kind:26}{len(rows):5}{carried}{100 * one:7.0f}%{'':3}{plan}")
    return lines


def _covered(rows: list[Mapping[str, Any]], ends: str, true: np.ndarray) -> str:
    """Share covered, mean width, and errors against the interval's half-width on the side they fall."""
    low, high = np.array([row[ends] for row in rows], dtype=float).T
    value = np.array([row["value"] for row in rows])
    held = (low - COVER_TOL <= true) & (true <= high + COVER_TOL)
    error = np.where(true > value, (true - value) / np.maximum(high - value, COVER_TOL),
                     (value - true) / np.maximum(value - low, COVER_TOL))  # fmt: skip
    moved = np.abs(true - value) > COVER_TOL
    rms = float(np.sqrt(np.mean(np.minimum(error[moved], 10.0) ** 2))) if moved.any() else float("nan")
    return f"{100 * held.mean():8.1f}%{np.mean(high - low):9.3g}{rms:9.2f}"


def _chance_lines(records: list[Mapping[str, Any]]) -> list[str]:
    by_name: dict[str, list[tuple[float, bool]]] = defaultdict(list)
    for record in records:
        for row in record["chances"]:
            by_name[row["name"]].append((row["chance"], row["came_true"]))
    lines = [f"{'chance of':36}{'n':>5}{'stated':>8}{'came true':>11}{'Brier':>8}"]
    for name, pairs in by_name.items():
        reported, true = np.array(pairs, dtype=float).T
        lines.append(
            f"{name:36}{len(pairs):5}{reported.mean():8.3f}{true.mean():11.3f}{np.mean((reported - true) ** 2):8.3f}"
        )
    return lines


def read_records(path: Path) -> dict[int, dict[str, Any]]:
    """The records kept so far, by case; a last line cut short is left out."""
    lines = path.read_text().splitlines() if path.exists() else []
    kept = [json.loads(line) for line in lines if line.endswith("}")]
    return {record["case"]: record for record in kept}


def main() -> None:
    """Do what is missing, keep it, print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--records", type=Path, required=True, metavar="FILE", help="kept here, one JSON line a case")
    parser.add_argument("--cases", type=int, default=200, help="spines in all [%(default)s]")
    parser.add_argument("--jobs", type=int, default=1, help="processes at once (about 1.5 GB each) [%(default)s]")
    parser.add_argument("--ct-every", type=int, default=0, metavar="K", help="build every K-th from its CT alone")
    parser.add_argument("--report", action="store_true", help="only read FILE")
    options = parser.parse_args()
    have = read_records(options.records)
    missing = [] if options.report else [n for n in range(options.cases) if n not in have]
    with ProcessPoolExecutor(options.jobs) as pool, options.records.open("a") as file:
        every = options.ct_every
        tasks = [pool.submit(record_of, n, bool(every) and n % every == every - 1) for n in missing]
        for task in as_completed(tasks):
            record = task.result()
            have[record["case"]] = record
            file.write(json.dumps(record) + "\n")
            file.flush()
            print(f"case {record['case']}: {record.get('seconds', record.get('refused'))}", file=sys.stderr, flush=True)
    print(report(have[n] for n in sorted(have)))


if __name__ == "__main__":
    main()
