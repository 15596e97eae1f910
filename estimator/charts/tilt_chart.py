"""Chart of a plan over the medial tilt of its entry: the pivot turned about the docking point, all else as planned."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.approach.search_bounds import BOUNDS
from canalwise.estimator.charts.chart_json import chart_as_json, chart_of_json
from canalwise.estimator.charts.chart_numbers import ChartNumbers, chart_numbers, runs, wanted_words
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.limits import Limit
from canalwise.estimator.outcome.decompressed import numbers_of_plans
from canalwise.estimator.planning.entry_plans import entry_of
from canalwise.estimator.resection.resection import resection_level_of
from canalwise.recon.anatomy import Level
from canalwise.recon.grid import Float
from canalwise.recon.labels import Side

SCHEMA = "canalwise.angle-chart/2"

STEP_DEG = 2.5
"""Between tilts; a band's ends are known as finely. Each is an exact estimate (choice)."""


@dataclass(frozen=True, eq=False)
class TiltChart:
    """The entry's medial tilt against everything that depends on it; A tilts, the plan's own among them.

    Parameters
    ----------
    approach : the plan; its docking point, pivot distance, cranial tilt and instrument are held
    medial_tilt_deg : (A,) array, rising, of the line from pivot to docking point; 0 = straight ventral, positive = tip
        across the midline
    numbers : what each frees, takes and keeps
    plan : index of the plan's own tilt
    limits : in force
    enough_frac : share of each side that must be freed
    feasible : (A,) array, enough freed with all limits kept
    bands_deg : least and greatest tilt of each unbroken run of those
    """

    level: str
    side: Side
    approach: Approach
    medial_tilt_deg: Float
    numbers: ChartNumbers
    plan: int
    limits: dict[str, Limit]
    enough_frac: float
    feasible: npt.NDArray[np.bool_]
    bands_deg: tuple[tuple[float, float], ...]

    def as_json(self) -> dict[str, Any]:
        """The chart as JSON data, its fields, "nan" where not in view; `tilt_chart_of_json` reads it back."""
        return chart_as_json(SCHEMA, self)

    def __str__(self) -> str:
        low, high = self.medial_tilt_deg[[0, -1]]
        bands = ", ".join(f"{a:.1f} to {b:.1f} deg" for a, b in self.bands_deg) or "none"
        return (
            f"{self.level} {self.side}: entry's medial tilt {low:g} to {high:g} deg\n"
            f"feasible ({wanted_words(self.enough_frac)}, all limits kept): {bands}\n"
            f"plan: {self.medial_tilt_deg[self.plan]:.1f} deg frees "
            f"{100 * self.numbers.least_freed_frac[self.plan]:.0f} % on the side freed less, "
            f"{self.numbers.bone_mm3[self.plan]:.0f} mm3 of bone"
        )


def tilt_chart_of_json(data: Mapping[str, Any]) -> TiltChart:
    """The chart that `as_json` wrote; raises BadFile for anything else."""
    return chart_of_json(TiltChart, SCHEMA, data, "the angle chart")


def tilt_chart(
    prepared: PreparedLevel,
    approach: Approach,
    tilts_deg: Float | None = None,
    progress: Callable[[int], None] = lambda _: None,
) -> TiltChart:
    """The chart of a plan.

    Parameters
    ----------
    tilts_deg : to show, any number; the search's bound, STEP_DEG apart, where left out
    progress : called with the number of tilts done

    Raises
    ------
    AnatomyNotFound : no dural sac, no ligament, or no targets to aim at
    """
    own = entry_of(approach).medial_tilt_deg
    shown = usual_tilts_deg(own) if tilts_deg is None else np.asarray(tilts_deg, dtype=float)
    tilts = np.unique(np.append(shown, own))
    plan, found = int(np.searchsorted(tilts, own)), []
    for one in numbers_of_plans(prepared, tilted_plans(prepared.level, approach, tilts)):
        found.append(one)
        progress(len(found))
    numbers = chart_numbers(found, approach.side)
    return TiltChart(
        approach.level,
        approach.side,
        approach,
        tilts,
        numbers,
        plan,
        dict(prepared.limits.records),
        resection_level_of(prepared).rules.value("freed_enough_frac"),
        numbers.feasible,
        tuple((float(tilts[a]), float(tilts[b])) for a, b in runs(numbers.feasible)),
    )


def usual_tilts_deg(own_deg: float, step_deg: float = STEP_DEG) -> Float:
    """(A,) array: the tilts shown, a step past the plan's own where that lies outside the bound.

    >>> usual_tilts_deg(20.0)[[0, 1, -1]].tolist()
    [-10.0, -7.5, 35.0]
    """
    bound = BOUNDS["medial_tilt_deg"]
    low, high = min(bound.low, np.floor(own_deg) - 1.0), max(bound.high, np.ceil(own_deg) + 1.0)
    return np.asarray(np.arange(int((high - low) / step_deg) + 1) * step_deg + low)


def tilted_plans(level: Level, approach: Approach, tilts_deg: Float) -> list[Approach]:
    """The plan at each tilt of its entry; at its own tilt it is the plan itself.

    `tilts_deg` (A,) array of medial tilts, degrees.
    """
    entry = entry_of(approach)
    own = entry.medial_tilt_deg
    return [approach if tilt == own else entry.tilted(level, float(tilt)) for tilt in tilts_deg]
