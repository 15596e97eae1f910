"""Do the intervals cover the truth? Each number's error on phantoms, in its own standard deviations.

Phantoms of every level and disease are rendered on grids of 0.7 to 1.2 mm with noise and blur, their labels are given,
the default plan is estimated, and the same geometry is evaluated by the phantom's own functions. Prints for each number
the share of cases whose truth lies in the 95 % interval, the root mean square of error over standard deviation (1 is
right, less is wide), and the median half-width. Execution errors are left out of the
intervals, as of the truth (scripts/accuracy_intervals.py weighs both); given labels are taken as right.
"""

from __future__ import annotations

import argparse
import sys
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from canalwise.estimator.approach.approach import other_side
from canalwise.estimator.approach.execution_errors import BY_EXECUTION
from canalwise.estimator.estimate.estimate import Estimate, estimate
from canalwise.estimator.estimate.estimate_json import estimate_as_json
from canalwise.estimator.estimate.intervals import Intervals, intervals_of
from canalwise.estimator.interval import Interval
from canalwise.estimator.level.target_names import AT_DISC
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.phantoms.anatomy.spine import spine_of
from canalwise.phantoms.cases.suite import SuiteCase, phantom_suite
from canalwise.phantoms.imaging.grids import GridRequest
from canalwise.phantoms.imaging.render import render_scan
from canalwise.phantoms.solid.quadrature import Volumes
from canalwise.phantoms.truth.level import level_truth, part_volumes
from canalwise.phantoms.truth.removal import facets_kept, reached, rehearsal_of, removed_volumes
from canalwise.recon.case.anatomy_builder import anatomy_of
from canalwise.recon.intake.label_maps import GivenLabels
from canalwise.recon.labels import SIDES, level_vertebrae
from canalwise.recon.scan import Scan

GIVEN = frozenset({"vertebrae", "parts", "canal", "sac", "flavum"})
SPACINGS_MM = ((0.7, 0.7, 0.7), (0.8, 0.8, 1.2), (1.0, 1.0, 1.0))
"""The grids the cases are spread over."""

IntervalRow = tuple[str, Interval, float]
"""(number, interval, truth)."""


def compared(case: SuiteCase, noise_hu: float) -> Iterator[IntervalRow]:
    """Every interval of a case's default plan with the truth it should hold."""
    spine, scan = spine_of(case.spec), render_scan(case.spec, case.grid(), noise_hu=noise_hu)
    anatomy = anatomy_of(Scan(scan.ct_hu, scan.grid, "CT"), given=GivenLabels(scan.labels, GIVEN))
    found = estimate(anatomy, default_approach(anatomy, case.level, case.side))
    reported, truth = intervals_of(found), level_truth(spine, case.level)
    rehearsal = rehearsal_of(spine, case.level, estimate_as_json(found, reported)["geometry"])
    removed = removed_volumes(rehearsal)
    yield "bone removed, cone, mm3", reported.cone.bone_mm3, removed.total_mm3()
    upper, lower = (part_volumes(spine, vertebra) for vertebra in level_vertebrae(case.level))
    parts = Volumes(upper.by_label_mm3 | lower.by_label_mm3, {})
    kept = facets_kept(rehearsal, truth.frame, truth.joints, removed, parts)
    for side in SIDES:
        for name, interval in reported.cone.facets[side].items():
            yield f"facet {name}", interval, getattr(kept[side], name)
    yield "reach, mm", reported.reach[other_side(case.side)]["lateral_mm"], _lateral_mm(found, truth, rehearsal)
    for area, bound in _areas(found, reported):
        yield "free canal before, mm2", bound, truth.areas_mm2["canal at disc"] + area


def _lateral_mm(found: Estimate, truth, rehearsal) -> float:  # type: ignore[no-untyped-def]
    """The true reach: the farthest true target at disc level that is touched."""
    lateral = 0.0
    for name, points in truth.targets_ras_mm[other_side(found.approach.side)].items():
        mask = reached(rehearsal, points)
        if name in AT_DISC and mask.any():
            lateral = max(lateral, float(np.abs(truth.frame.to_local_mm(points[mask])[:, 0]).max()))
    return lateral


def _areas(found: Estimate, reported: Intervals) -> Iterator[tuple[float, Interval]]:
    """The free area's interval, and by how much it and the measured whole canal differ: ligament, taken as right."""
    whole = [m.value for m in found.level.measurements if m.name == "canal area" and m.at == "canal at disc"]
    for value in whole:
        yield found.decompression.canal_area_before_mm2 - value, reported.canal_before_mm2


def main() -> None:
    """Run the cases and print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--only", default="", help="cases whose name holds this text")
    parser.add_argument("--every", type=int, default=2, help="take every n-th case")
    args = parser.parse_args()
    cases = [case for case in phantom_suite() if args.only in case.name][:: args.every]
    gathered: dict[str, list[tuple[float, float]]] = defaultdict(list)
    for number, case in enumerate(cases):
        placed = replace(
            case, grid_request=GridRequest(SPACINGS_MM[number % len(SPACINGS_MM)], case.grid_request.turn_deg)
        )
        for name, interval, true in compared(placed, noise_hu=20.0 + 20.0 * (number % 2)):
            gathered[name].append((interval.value - true, interval.without(BY_EXECUTION).sd))
        print(f"{case.name}: {gathered['bone removed, cone, mm3'][-1]}", file=sys.stderr, flush=True)
    print(f"{len(cases)} phantoms")
    print(f"{'number':26}{'n':>4}{'covered':>9}{'rms/sd':>8}{'median error':>14}{'half-width':>12}")
    for name, pairs in gathered.items():
        error, sd = np.array(pairs).T
        covered, z = np.abs(error) <= 1.96 * sd + 1e-6, error / np.maximum(sd, 1e-3)
        print(
            f"{name:26}{len(pairs):4}{100 * covered.mean():8.0f}%{np.sqrt((z**2).mean()):8.2f}"
            f"{np.median(np.abs(error)):14.4f}{np.median(1.96 * sd):12.4f}"
        )


if __name__ == "__main__":
    main()
