"""Many approaches to one level as columns of numbers, for search, charts and chance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from canalwise.estimator.approach.approach import Approach, Phase
from canalwise.estimator.approach.instrument import Channel
from canalwise.recon.errors import WrongUse
from canalwise.recon.grid import Float
from canalwise.recon.labels import Side

PHASE_NUMBERS = 14
"""Numbers of one packed phase: pivot (3), unit axis (3), then twice (length, base radius, 1 / slope^2, grown by),
first of the sleeve's cone, then of the tool's."""

TINY_MM2 = 1e-12
"""Stands for a cone's squared slope where its length is nothing."""


@dataclass(frozen=True, eq=False)
class ApproachTable:
    """A approaches of P phases each; angles and depths mean what they mean in `Approach`, `Phase` and `Channel`.

    Parameters
    ----------
    level : such as 'L3-L4', common to all
    phase_names : P names
    from_left : (A,) array, True where the entry is on the patient's left
    docking_mm : (A, 3) array, level frame
    pivot_distance_mm : (A,) array
    medial_deg, cranial_deg, sweep_deg, sleeve_past_mm, tip_past_mm : (A, P) arrays
    shift_mm : (A, P, 3) array, level frame
    sleeve_mm, scope_mm, tool_mm : (A,) arrays, diameters
    working_length_mm, working_distance_mm : (A,) arrays
    """

    level: str
    phase_names: tuple[str, ...]
    from_left: npt.NDArray[np.bool_]
    docking_mm: Float
    pivot_distance_mm: Float
    medial_deg: Float
    cranial_deg: Float
    sweep_deg: Float
    sleeve_past_mm: Float
    tip_past_mm: Float
    shift_mm: Float
    sleeve_mm: Float
    scope_mm: Float
    tool_mm: Float
    working_length_mm: Float
    working_distance_mm: Float

    def __post_init__(self) -> None:
        count, phases = len(self.from_left), len(self.phase_names)
        for name in ("medial_deg", "cranial_deg", "sweep_deg", "sleeve_past_mm", "tip_past_mm"):
            if getattr(self, name).shape != (count, phases):
                raise WrongUse(f"'{name}'", f"must have the shape {(count, phases)}", got=getattr(self, name).shape)

    def __len__(self) -> int:
        return len(self.from_left)

    def rows(self, which: npt.NDArray[np.intp] | npt.NDArray[np.bool_]) -> ApproachTable:
        """The table of some of the approaches, by index or mask.

        >>> from canalwise.estimator.approach.approach import Phase
        >>> phases = (Phase("ipsilateral", 0.0),)
        >>> plans = [Approach("L3-L4", side, (8.0, 12.0, 0.0), 50.0, phases) for side in ("left", "right")]
        >>> table = table_of(plans)
        >>> table.rows(table.from_left).from_left.tolist()
        [True]
        """
        return ApproachTable(self.level, self.phase_names, **{name: getattr(self, name)[which] for name in COLUMNS})

    def approach(self, row: int) -> Approach:
        """One row as an `Approach`.

        >>> from canalwise.estimator.approach.approach import Phase
        >>> plan = Approach("L3-L4", "left", (8.0, 12.0, 0.0), 50.0, (Phase("ipsilateral", 4.0),))
        >>> table_of([plan]).approach(0) == plan
        True
        """
        phases = tuple(self._phase(row, p) for p in range(len(self.phase_names)))
        channel = Channel(
            float(self.sleeve_mm[row]),
            float(self.scope_mm[row]),
            float(self.tool_mm[row]),
            float(self.working_length_mm[row]),
            float(self.working_distance_mm[row]),
        )
        x, y, z = (float(v) for v in self.docking_mm[row])
        side: Side = "left" if self.from_left[row] else "right"
        return Approach(self.level, side, (x, y, z), float(self.pivot_distance_mm[row]), phases, channel)

    def _phase(self, row: int, p: int) -> Phase:
        columns = (self.medial_deg, self.cranial_deg, self.sweep_deg, self.sleeve_past_mm, self.tip_past_mm)
        medial, cranial, sweep, sleeve, tip = (float(column[row, p]) for column in columns)
        x, y, z = (float(v) for v in self.shift_mm[row, p])
        return Phase(self.phase_names[p], medial, cranial, sweep, sleeve, tip, (x, y, z))


COLUMNS = tuple(f.name for f in fields(ApproachTable) if f.name not in ("level", "phase_names"))
"""Names of the columns that have one row per approach."""


def joined(tables: Sequence[ApproachTable]) -> ApproachTable:
    """One table under the other; all must be of one level and have the same phases.

    >>> from canalwise.estimator.approach.approach import Phase
    >>> one = table_of([Approach("L3-L4", "left", (8.0, 12.0, 0.0), 50.0, (Phase("ipsilateral", 4.0),))])
    >>> len(joined([one, one, one]))
    3
    """
    first = tables[0]
    columns = {name: np.concatenate([getattr(table, name) for table in tables]) for name in COLUMNS}
    return ApproachTable(first.level, first.phase_names, **columns)


def table_of(approaches: Sequence[Approach]) -> ApproachTable:
    """The approaches, one row each; raises WrongUse unless all share level and phase names.

    >>> from canalwise.estimator.approach.approach import Phase
    >>> plan = Approach("L3-L4", "left", (8.0, 12.0, 0.0), 50.0, (Phase("ipsilateral", 5.0),))
    >>> table_of([plan, plan]).medial_deg.tolist()
    [[5.0], [5.0]]
    """
    first = approaches[0]
    names = tuple(phase.name for phase in first.phases)
    if any((a.level, tuple(p.name for p in a.phases)) != (first.level, names) for a in approaches):
        raise WrongUse("approaches", "must all be of one level and have the same phases")

    def of_phases(name: str) -> Float:
        return np.array([[getattr(phase, name) for phase in a.phases] for a in approaches], dtype=float)

    def of_channel(name: str) -> Float:
        return np.array([getattr(a.channel, name) for a in approaches], dtype=float)

    return ApproachTable(
        first.level,
        names,
        np.array([a.side == "left" for a in approaches]),
        np.array([a.docking_point_mm for a in approaches], dtype=float),
        np.array([a.pivot_distance_mm for a in approaches], dtype=float),
        *(of_phases(n) for n in ("medial_tilt_deg", "cranial_tilt_deg", "sweep_half_angle_deg")),
        *(of_phases(n) for n in ("sleeve_past_lamina_mm", "tip_past_lamina_mm", "pivot_shift_mm")),
        *(of_channel(n) for n in ("sleeve_diameter_mm", "scope_diameter_mm", "tool_diameter_mm")),
        *(of_channel(n) for n in ("working_length_mm", "working_distance_mm")),
    )


def axes_level(table: ApproachTable) -> Float:
    """(A, P, 3) array: unit directions from pivot to tip, level frame (as `axis_level` of one phase).

    >>> from canalwise.estimator.approach.approach import Phase
    >>> plan = Approach("L3-L4", "left", (8.0, 12.0, 0.0), 50.0, (Phase("ipsilateral", 90.0 / 3),))
    >>> axes_level(table_of([plan])).round(3).tolist()
    [[[-0.5, -0.866, 0.0]]]
    """
    medial, cranial = np.radians(table.medial_deg), np.radians(table.cranial_deg)
    toward_other_side = np.where(table.from_left, -1.0, 1.0)[:, None]
    x = toward_other_side * np.sin(medial) * np.cos(cranial)
    return np.stack([x, -np.cos(medial) * np.cos(cranial), np.sin(cranial)], axis=-1)


def pivots_level_mm(table: ApproachTable) -> Float:
    """(A, P, 3) array: each phase's pivot in the level frame.

    >>> from canalwise.estimator.approach.approach import Phase
    >>> plan = Approach("L3-L4", "left", (8.0, 12.0, 0.0), 50.0, (Phase("ipsilateral", 0.0),))
    >>> pivots_level_mm(table_of([plan])).tolist()
    [[[8.0, 62.0, 0.0]]]
    """
    first_axis = axes_level(table)[:, 0]
    pivot = table.docking_mm - table.pivot_distance_mm[:, None] * first_axis
    return pivot[:, None] + table.shift_mm


def packed_phases(table: ApproachTable) -> npt.NDArray[np.float32]:
    """(A, P, PHASE_NUMBERS) array in the level frame, as `estimator.approach.approach.placed_phases` places them."""
    half_angle = np.tan(np.radians(table.sweep_deg))
    longest = table.working_length_mm[:, None]
    cones = []
    for past_mm, diameter_mm in ((table.sleeve_past_mm, table.sleeve_mm), (table.tip_past_mm, table.tool_mm)):
        radius = np.broadcast_to(diameter_mm[:, None] / 2, past_mm.shape)
        length = np.maximum(np.minimum(table.pivot_distance_mm[:, None] + past_mm, longest) - radius, 0.0)
        base = length * half_angle
        cones += [length, base, 1.0 / np.maximum(length**2 + base**2, TINY_MM2), radius]
    numbers = [*np.moveaxis(pivots_level_mm(table), -1, 0), *np.moveaxis(axes_level(table), -1, 0), *cones]
    return np.ascontiguousarray(np.stack(numbers, axis=-1), dtype=np.float32)
