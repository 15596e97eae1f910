#!/usr/bin/env python3
"""Why resections are found on the lattices they are: tips, pivots, rounds, the bound, and the usual entry's tilt.

    .venv/bin/python scripts/why_resection.py [--cases 4]

Narrow spines of `phantoms.cases.stenotic`, their own labels given, from the left by the usual plan. Every row is the
mean over the cases: share freed near and far, weighted bone, processor seconds of one resection (for tips also the
time to find them). On four spines: an entry tilted by 20 deg is the least that frees the far side for the bone of a
straighter one. Before lines were moved off the lattice, fewer pivots freed less for more bone and tips 3 mm apart left
a tenth of the far side; 150 witnesses in 60 steps bring the bound to within 2 points of five times the effort.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.outcome.decompressed import decompressed
from canalwise.estimator.planning import default_approach as plan
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.estimator.resection import (
    bound,
    choice,
    coarse,
    line_values,
    refinement,
    resection,
    resection_level,
)
from canalwise.estimator.resection.resection import resection_level_of, resection_of
from canalwise.estimator.resection.resection_level import Resection
from canalwise.workbench.validation.published_resections import prepared_case

Cases = Sequence[PreparedLevel]


def approach_of(prepared: PreparedLevel) -> Approach:
    """The usual plan from the left."""
    return default_approach(prepared.anatomy, prepared.level.name, "left")


def row(name: str, cases: Cases, of: Callable[[PreparedLevel], Resection]) -> None:
    """Print the mean of one setting."""
    found = []
    for prepared in cases:
        of(prepared)  # once unmeasured: what does not depend on the approach is found now
        start = time.process_time()
        one = of(prepared)
        spent, wanted = time.process_time() - start, one.at.wanted
        left = wanted.on_side("left")
        shares = [float(wanted.mm3[side] @ one.taken_frac[side] / wanted.mm3[side].sum()) for side in (left, ~left)]
        found.append((*shares, one.weighted_mm3, spent))
    near, far, weighted, seconds = np.mean(found, axis=0)
    print(f"{name:28s} near {near:5.3f}  far {far:5.3f}  weighted {weighted:7.0f} mm3  {seconds:6.3f} s", flush=True)


def usual(prepared: PreparedLevel) -> Resection:
    """One resection."""
    return resection_of(resection_level_of(prepared), approach_of(prepared))


def fresh(prepared: PreparedLevel) -> Resection:
    """The same with nothing kept from other settings."""
    at = resection_level_of(prepared)
    made = replace(at)
    for name in ("room", "wanted", "set_cells", "set_bricks", "cells", "solid", "_laminae"):
        made.__dict__[name] = getattr(at, name)
    return resection_of(made, approach_of(prepared))


def worth_it(prepared: PreparedLevel, worth: float) -> Resection:
    """One resection where a cubic millimetre of tissue is worth so much bone."""
    at = resection_level_of(prepared)
    made = replace(at, rules=at.rules.changed(bone_per_tissue=worth))
    made.__dict__.update({name: found for name, found in vars(at).items() if name not in vars(made)})
    return resection_of(made, approach_of(prepared))


def main() -> None:
    """Print every table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--cases", type=int, default=4)
    cases = [prepared_case(seed, 0.9) for seed in range(parser.parse_args().cases)]
    tables(cases)


def tables(cases: Cases) -> None:
    """All tables over some cases."""
    print("tilt of the usual entry (plan.ENTRY_TILT_DEG)")
    for plan.ENTRY_TILT_DEG in (0.0, 10.0, 15.0, 25.0, 20.0):
        row(f"  {plan.ENTRY_TILT_DEG:g} deg", cases, usual)
    print("pivots across and along (line_values.PLACES)")
    for places in ((3, 3), (3, 5), (5, 9), (5, 5)):
        setattr(resection, "entry_window", partial(line_values.entry_window, places=places))  # noqa: B010
        row(f"  {places[0]} x {places[1]}", cases, usual)
    print("beginnings, groups and rounds (choice.THOROUGH)")
    for effort in (
        ((0.05,), (1,), 1),
        ((0.05, 2.0), (1, 3), 3),
        ((0.05, 0.5, 2.0, 8.0), (1, 2, 4, 8), 3),
        choice.THOROUGH,
    ):
        setattr(refinement, "THOROUGH", choice.ChoiceEffort(*effort))  # noqa: B010
        row(f"  {effort[0]} {effort[1]} {effort[2]}", cases, usual)
    print("steps off the lattice, mm (refinement.STEPS_MM)")
    for steps in ((), (1.0,), (1.0, 0.5)):
        refined = partial(refinement.chosen_and_refined, steps_mm=steps)
        setattr(resection, "chosen_and_refined", refined)  # noqa: B010
        row(f"  {steps}", cases, usual)
    print("bone that a mm3 of tissue is worth (rules.bone_per_tissue)")
    for worth in (1e6, 40.0, 10.0, 5.0, 20.0):
        row(f"  {worth:g}", cases, partial(worth_it, worth=worth))
    print("tips apart (bite.TIP_STEP_MM)")
    for step in (1.5, 3.0, 2.0):
        resection_level.ResectionLevel.tips.__defaults__ = (step,)
        row(f"  {step:g} mm", cases, fresh)
    bounds(cases)
    print("coarse form, resections a second of processor time")
    for prepared in cases[:1]:
        many = [approach_of(prepared)] * 20
        coarse.coarse_resections(resection_level_of(prepared), many[:1])
        start = time.process_time()
        coarse.coarse_resections(resection_level_of(prepared), many)
        print(f"  {len(many) / (time.process_time() - start):.0f}")


def bounds(cases: Cases) -> None:
    """How far the bound lies below, for some effort."""
    print("bound: witnesses, steps -> mean gap, processor seconds")
    for bound.WITNESSES, bound.STEPS in ((40, 120), (80, 120), (150, 300), (150, 60)):
        gaps, start = [], time.process_time()
        for prepared in cases:
            gaps.append(decompressed(prepared, approach_of(prepared)).gap_to_bound_frac)
        print(
            f"  {bound.WITNESSES:4d} {bound.STEPS:4d}  {np.mean(gaps):5.3f} [{min(gaps):.3f}-{max(gaps):.3f}]"
            f"  {(time.process_time() - start) / len(cases):6.2f} s",
            flush=True,
        )


if __name__ == "__main__":
    main()
