"""Quantities by which plans are compared: each with its unit, which direction is better, and what is no difference."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from canalwise.estimator.estimate.monte_carlo import AFTER
from canalwise.estimator.geometry.level_arrays import F64
from canalwise.estimator.ties import SAME_MM3
from canalwise.recon.labels import SIDES

CHANCES = ("all", "all_limits", "all_targets")
"""Of a plan's chances, those that are compared; named as in `estimator.estimate.probabilities.Chances`."""


@dataclass(frozen=True)
class ComparedQuantity:
    """One line of the table.

    Parameters
    ----------
    words : what it is
    unit : 'mm', 'mm2', 'mm3' or 'fraction'
    good : is 'more' of it better, or 'less'?
    least_difference : less than this is no difference to a surgeon (choice)
    """

    words: str
    unit: str
    good: str
    least_difference: float


QUANTITIES: Mapping[str, ComparedQuantity] = {
    "freed": ComparedQuantity("freed of what presses, side freed less", "fraction", "more", 0.02),
    "area_after": ComparedQuantity("least free canal area after", "mm2", "more", 2.0),
    "resection_bone": ComparedQuantity("bone that must go", "mm3", "less", SAME_MM3),
    "cone_bone": ComparedQuantity("bone removed, whole sweep", "mm3", "less", SAME_MM3),
    "task_bone": ComparedQuantity("bone removed, task only", "mm3", "less", SAME_MM3),
    "left_facet": ComparedQuantity("left joint surface kept", "fraction", "more", 0.02),
    "right_facet": ComparedQuantity("right joint surface kept", "fraction", "more", 0.02),
    "left_pars": ComparedQuantity("left pars width remaining", "mm", "more", 0.25),
    "right_pars": ComparedQuantity("right pars width remaining", "mm", "more", 0.25),
    "bridge": ComparedQuantity("bony bridge of the spinous base left", "mm", "more", 0.25),
    "reach": ComparedQuantity("reach past the midline at disc level", "mm", "more", 0.5),
    "reached": ComparedQuantity("targets touched", "fraction", "more", 0.02),
    "canal_after": ComparedQuantity("free canal area at disc after", "mm2", "more", 2.0),
    "all": ComparedQuantity("chance of all limits kept and all targets reached", "fraction", "more", 0.01),
    "all_limits": ComparedQuantity("chance of all limits kept", "fraction", "more", 0.01),
    "all_targets": ComparedQuantity("chance of all targets reached", "fraction", "more", 0.01),
}
"""What is compared, in the table's order; joints and pars by the patient's side, all of the whole sweep but one."""


SAMPLED = {
    "cone_bone": "bone_mm3",
    **{f"{side}_facet": f"{side} area_frac" for side in SIDES},
    **{f"{side}_pars": f"{side} pars_mm" for side in SIDES},
    "bridge": "bridge_mm",
    "canal_after": AFTER,
}
"""What a quantity is called in `estimator.estimate.monte_carlo`, where it does not depend on the plan."""


def known(values: Mapping[str, float]) -> dict[str, float]:
    """Those that are numbers.

    >>> known({"reach": 2.0, "pars": float("nan")})
    {'reach': 2.0}
    """
    return {name: float(value) for name, value in values.items() if not np.isnan(value)}


def within(name: str, samples: F64) -> F64:
    """Samples drawn in to what the quantity can be at all.

    Parameters
    ----------
    name : of QUANTITIES
    samples : (N,) array, in the quantity's unit

    >>> within("freed", np.array([-0.1, 0.9, 1.2])).tolist()
    [0.0, 0.9, 1.0]
    """
    return np.clip(samples, 0.0, 1.0 if QUANTITIES[name].unit == "fraction" else np.inf)
