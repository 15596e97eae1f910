"""An approach: a level, a side, a docking point, and the phases run from one skin entry."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np

from canalwise.estimator.approach.instrument import Channel
from canalwise.recon.anatomy import Frame
from canalwise.recon.errors import WrongUse
from canalwise.recon.grid import Float
from canalwise.recon.labels import SIDES, Side, level_vertebrae

IPSILATERAL, OVER_THE_TOP = "ipsilateral", "over the top"

FARTHEST_MM = 80.0
"""No docking point lies further from the level's origin along an axis, and no pivot is moved further: about twice the
distance from the middle of the disc to the outer edge of the joints or to the skin of a slim patient, so that a plan
beyond it is a slip of the pen (common practice, no source)."""

DEEPEST_MM = 300.0
"""No sleeve or tool ends further past or short of the docking depth: as far as any pivot may lie (choice)."""

MOST_PHASES = 8
"""An operation through one skin entry has two to four positions of the channel (common practice, no source)."""

LONGEST_NAME = 64
"""Characters of a phase's name: what a table shows (choice)."""

PHASE_RELATION: Mapping[str, str] = MappingProxyType({IPSILATERAL: "ipsilateral", OVER_THE_TOP: "contralateral"})
"""Phases of the usual plan, in their order -> side that each works on, relative to the side of the skin entry.

A plan may hold others, as many as MOST_PHASES in all; `works_across` and `far_phase` say what is taken of those.
"""


def works_across(name: str) -> bool:
    """Does a phase of that name work on the side opposite the skin entry? All do but the ipsilateral one.

    >>> works_across("ipsilateral"), works_across("over the top"), works_across("far foramen")
    (False, True, True)
    """
    return PHASE_RELATION.get(name) != PHASE_RELATION[IPSILATERAL]


def far_phase(names: Sequence[str]) -> int:
    """The place of the phase that goes over the top: the one of that name, else the last.

    >>> far_phase(("ipsilateral", "over the top", "far foramen")), far_phase(("ipsilateral", "steep"))
    (1, 1)
    """
    return names.index(OVER_THE_TOP) if OVER_THE_TOP in names else len(names) - 1


@dataclass(frozen=True)
class Phase:
    """One position of the channel about its pivot, and the sweep round it.

    Parameters
    ----------
    name : 'ipsilateral' or 'over the top' (others allowed)
    medial_tilt_deg : in the level's axial plane, 0 straight ventral, positive = tip across the midline
    cranial_tilt_deg : positive = tip cranial
    sweep_half_angle_deg : half-angle of the cone the axis is moved through, [0, 45)
    sleeve_past_lamina_mm : how far the sleeve's end passes the depth of the docking point, along the axis
    tip_past_lamina_mm : how far the tool's end passes it; both within +-DEEPEST_MM
    pivot_shift_mm : (left, dorsal, cranial) mm by which the pivot moves for this phase, at most FARTHEST_MM each

    Raises
    ------
    WrongUse : a value beyond its bounds or not finite, or a name that cannot be shown
    """

    name: str
    medial_tilt_deg: float
    cranial_tilt_deg: float = 0.0
    sweep_half_angle_deg: float = 3.0
    sleeve_past_lamina_mm: float = 0.0
    tip_past_lamina_mm: float = 20.0
    pivot_shift_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def __post_init__(self) -> None:
        for name in ("medial_tilt_deg", "cranial_tilt_deg"):
            if not -80 <= getattr(self, name) <= 80:
                raise WrongUse(f"{name!r}", "must be in [-80, 80]", got=getattr(self, name))
        if not 0 <= self.sweep_half_angle_deg < 45:
            raise WrongUse("'sweep_half_angle_deg'", "must be in [0, 45)", got=self.sweep_half_angle_deg)
        if not 0 < len(self.name) <= LONGEST_NAME or not self.name.isprintable():
            raise WrongUse("a phase's 'name'", f"must be of 1 to {LONGEST_NAME} printable characters", got=self.name)
        for name in ("sleeve_past_lamina_mm", "tip_past_lamina_mm"):
            if not abs(getattr(self, name)) <= DEEPEST_MM:
                raise WrongUse(f"{name!r}", f"must be in [-{DEEPEST_MM:g}, {DEEPEST_MM:g}]", got=getattr(self, name))
        check_near("'pivot_shift_mm'", self.pivot_shift_mm)


@dataclass(frozen=True)
class Approach:
    """What is carried to theatre: level, side, docking point, pivot, phases, instrument.

    Parameters
    ----------
    level : such as 'L3-L4'
    side : of the patient the skin entry is on
    docking_point_mm : (left, dorsal, cranial) mm in the level frame, on the lamina or window's edge; at most
        FARTHEST_MM each
    pivot_distance_mm : pivot to docking point along the first phase's axis, (0, 300)
    phases : one to MOST_PHASES

    Raises
    ------
    WrongUse : an unknown level or side, or a value beyond its bounds or not finite
    """

    level: str
    side: Side
    docking_point_mm: tuple[float, float, float]
    pivot_distance_mm: float
    phases: tuple[Phase, ...]
    channel: Channel = field(default_factory=Channel)

    def __post_init__(self) -> None:
        level_vertebrae(self.level)
        if self.side not in SIDES:
            raise WrongUse("'side'", "must be left or right", got=self.side)
        check_near("'docking_point_mm'", self.docking_point_mm)
        if not 0 < self.pivot_distance_mm < 300:
            raise WrongUse("'pivot_distance_mm'", "must be in (0, 300)", got=self.pivot_distance_mm)
        if not 0 < len(self.phases) <= MOST_PHASES:
            raise WrongUse("'phases'", f"must hold 1 to {MOST_PHASES} phases", got=len(self.phases))


def check_near(who: str, offset_mm: tuple[float, ...]) -> None:
    """Refuse an offset in the level frame that no operation has; raises WrongUse.

    Everything downstream walks, fills and searches between the places of a plan: one at 1e9 mm would never end.

    >>> check_near("'docking_point_mm'", (8.0, 14.0, -3.0))
    """
    if len(offset_mm) != 3 or not all(abs(mm) <= FARTHEST_MM for mm in offset_mm):
        raise WrongUse(
            who,
            f"must be three numbers in [-{FARTHEST_MM:g}, {FARTHEST_MM:g}]",
            got=offset_mm,
            do="Give left, dorsal and cranial mm from the level's origin, the middle of the canal.",
        )


def axis_level(side: Side, medial_tilt_deg: float, cranial_tilt_deg: float) -> Float:
    """(3,) array, unit direction pivot -> tip in the level frame.

    Tilt 0 is straight ventral (-y). The medial tilt turns it in the axial plane toward
    the other side of the patient; the cranial tilt then lifts it out of that plane.

    >>> axis_level("right", 90.0, 0.0).round(6).tolist()
    [1.0, -0.0, 0.0]
    """
    medial, cranial = np.radians([medial_tilt_deg, cranial_tilt_deg])
    toward_other_side = 1.0 if side == "right" else -1.0
    return np.array(
        [toward_other_side * np.sin(medial) * np.cos(cranial), -np.cos(medial) * np.cos(cranial), np.sin(cranial)]
    )


def tilts_deg(side: Side, direction_level: Float) -> tuple[float, float]:
    """(medial, cranial) tilt of a direction in the level frame; the inverse of `axis_level`.

    >>> medial, cranial = tilts_deg("left", axis_level("left", 20.0, -5.0))
    >>> round(medial, 6), round(cranial, 6)
    (20.0, -5.0)
    """
    x, y, z = np.asarray(direction_level, dtype=float) / np.linalg.norm(direction_level)
    toward_other_side = 1.0 if side == "right" else -1.0
    return float(np.degrees(np.arctan2(toward_other_side * x, -y))), float(np.degrees(np.arcsin(np.clip(z, -1, 1))))


def other_side(side: Side) -> Side:
    """The contralateral side.

    >>> other_side("left")
    'right'
    """
    return "left" if side == "right" else "right"


@dataclass(frozen=True, eq=False)
class PlacedPhase:
    """A phase placed in the patient: all that is needed to recompute its swept region.

    The swept region is the set of points within `sleeve_radius_mm` of the solid cone
    (apex `pivot_ras_mm`, unit `axis_ras`, half-angle `sweep_deg`, length along the axis
    `sleeve_depth_mm`), united with those within `tool_radius_mm` of the cone of length `tip_depth_mm`.
    """

    name: str
    pivot_ras_mm: Float
    axis_ras: Float
    sweep_deg: float
    sleeve_radius_mm: float
    sleeve_depth_mm: float
    tool_radius_mm: float
    tip_depth_mm: float


def placed_phases(approach: Approach, frame: Frame) -> tuple[PlacedPhase, ...]:
    """The approach's phases in RAS.

    The pivot lies `pivot_distance_mm` back from the docking point along the first phase's
    axis. Depths are cone lengths from the pivot: the rounded end reaches one radius
    further, so the sleeve's own end stands `sleeve_past_lamina_mm` past the docking depth.

    >>> plan = Approach("L3-L4", "left", (8.0, 12.0, 0.0), 50.0, (Phase("ipsilateral", 0.0),))
    >>> (placed,) = placed_phases(plan, Frame([0, 0, 0], np.diag([-1.0, -1.0, 1.0])))
    >>> placed.pivot_ras_mm.tolist(), placed.axis_ras.tolist()
    ([-8.0, -62.0, 0.0], [0.0, 1.0, 0.0])
    """
    first = approach.phases[0]
    axis = axis_level(approach.side, first.medial_tilt_deg, first.cranial_tilt_deg)
    pivot = np.array(approach.docking_point_mm) - approach.pivot_distance_mm * axis
    return tuple(_placed(approach, phase, pivot, frame) for phase in approach.phases)


def _placed(approach: Approach, phase: Phase, pivot_level_mm: Float, frame: Frame) -> PlacedPhase:
    channel = approach.channel
    tip_mm = min(approach.pivot_distance_mm + phase.tip_past_lamina_mm, channel.working_length_mm)
    sleeve_mm = min(approach.pivot_distance_mm + phase.sleeve_past_lamina_mm, channel.working_length_mm)
    return PlacedPhase(
        name=phase.name,
        pivot_ras_mm=frame.to_world_mm(pivot_level_mm + np.array(phase.pivot_shift_mm)),
        axis_ras=frame.direction_ras(axis_level(approach.side, phase.medial_tilt_deg, phase.cranial_tilt_deg)),
        sweep_deg=phase.sweep_half_angle_deg,
        sleeve_radius_mm=channel.sleeve_radius_mm,
        sleeve_depth_mm=max(sleeve_mm - channel.sleeve_radius_mm, 0.0),
        tool_radius_mm=channel.tool_radius_mm,
        tip_depth_mm=max(tip_mm - channel.tool_radius_mm, 0.0),
    )
