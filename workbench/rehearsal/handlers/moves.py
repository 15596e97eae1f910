"""Moves of a plan that need the anatomy: a start, another docking point, another skin entry.

A move changes what it must and keeps what a person has set. Where the planner would plan otherwise from the new
place than from the old one, in its tilts, depths and pivot, the plan is changed by that difference; so a move back
undoes a move, a move of no length changes nothing, and a plan that the planner made stays one that it would make.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace

import numpy as np

from canalwise.estimator.approach.approach import Approach, Phase, placed_phases
from canalwise.estimator.approach.search_bounds import INSTRUMENTS
from canalwise.estimator.approach.table import axes_level, pivots_level_mm
from canalwise.estimator.charts.entry_map import landmark_z_mm
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.planning.canal_entry import canal_entry_in_view
from canalwise.estimator.planning.default_approach import default_approach, docked_approach, resting_point_mm
from canalwise.estimator.planning.docking import HALF_MM
from canalwise.estimator.planning.entry_variation import EntryVariation, entry_variation_of
from canalwise.recon.anatomy import Anatomy
from canalwise.recon.errors import WrongUse
from canalwise.recon.grid import Float, triple
from canalwise.recon.image.skin import skin_point_mm
from canalwise.recon.labels import Side
from canalwise.workbench.rehearsal.session.request import Json, RequestJob, RequestKind
from canalwise.workbench.rehearsal.session.session import Session

FARTHEST_ENTRY_MM = 60.0
"""No entry of an interlaminar approach lies further from the midline, or cranial or caudal of the lamina's edge
(common practice, no source)."""

ENTRY_TOL_MM = 1e-3
"""The entry is as requested within this."""

ENTRY_ROUNDS = 40
"""Rounds in which the axis and the skin it runs through are brought together; two to five are the rule."""

LEAST_DISTANCE_MM = 1.0
"""A pivot is never nearer to its docking depth."""

FOLLOWS = ("medial_tilt_deg", "cranial_tilt_deg", "sleeve_past_lamina_mm", "tip_past_lamina_mm")
"""What of a phase follows a move; its sweep is the person's own."""


@dataclass(frozen=True)
class StartRequest:
    """A level, the side of the skin entry, and the class of instrument."""

    level: str
    side: Side
    instrument: str


@dataclass(frozen=True)
class DockRequest:
    """A plan, and the place (level frame) that its sleeve is to be lowered on."""

    plan: Approach
    point_mm: tuple[float, float, float]


@dataclass(frozen=True)
class EntryRequest:
    """Request for a plan with a new skin entry, in the estimate's terms."""

    plan: Approach
    lateral_mm: float
    cranial_mm: float


def start(session: Session, message: StartRequest, job: RequestJob) -> Json:
    """Where a surgeon would start from, with that instrument."""
    del job
    if message.instrument not in INSTRUMENTS:
        raise WrongUse("the instrument", f"must be one of {', '.join(INSTRUMENTS)}", got=message.instrument)
    channel = INSTRUMENTS[message.instrument].channel
    return {"plan": asdict(default_approach(session.case.anatomy, message.level, message.side, channel))}


def dock(session: Session, message: DockRequest, job: RequestJob) -> Json:
    """The plan docked on another place."""
    del job
    return {"plan": asdict(docked(session.case.anatomy, message.plan, np.array(message.point_mm)))}


def enter(session: Session, message: EntryRequest, job: RequestJob) -> Json:
    """The plan through another skin entry."""
    del job
    plan = message.plan
    return {"plan": asdict(entered(session.prepared(plan.level), plan, (message.lateral_mm, message.cranial_mm)))}


def docked(anatomy: Anatomy, plan: Approach, point_mm: Float) -> Approach:
    """A plan with its sleeve lowered through a point of the level frame; instrument and sweeps stay.

    `point_mm` (3,) array, mm.

    Raises
    ------
    WrongUse : the point lies across the midline, or too far from the interlaminar window
    """
    level = anatomy.level(plan.level)
    toward_side = 1.0 if plan.side == "left" else -1.0
    if not toward_side * point_mm[0] > 0:
        raise WrongUse(
            "the docking point",
            f"must lie on the {plan.side} of the midline",
            do="Dock on the side of the skin entry, or choose the other side first.",
        )
    if not np.linalg.norm((point_mm - canal_entry_in_view(level, plan.side).centre_mm)[[0, 2]]) <= HALF_MM:
        raise WrongUse(
            "the docking point",
            f"must lie within {HALF_MM:.0f} mm of the interlaminar window",
            do=f"Choose a point on the laminae or the joint of {level.name}.",
        )
    place = resting_point_mm(anatomy, level, plan.side, point_mm, plan.channel.sleeve_radius_mm)
    was, now = (
        docked_approach(anatomy, plan.level, plan.side, at, plan.channel)
        for at in (np.array(plan.docking_point_mm), place)
    )
    return _changed_as(replace(plan, docking_point_mm=triple(place)), was, now)


def entered(prepared: PreparedLevel, plan: Approach, entry_mm: tuple[float, float]) -> Approach:
    """A plan through another skin entry, (lateral, cranial) mm as `estimator.planning.skin_entry` reports it.

    The first axis runs through the entry; pivot and docking depth stay in their own coronal planes, instrument and
    sweeps stay, and each phase keeps its angle off the straight line to the near recess or the far targets.

    Raises
    ------
    WrongUse : an entry across the midline or too far off, or, where skin is in view, one behind which there is none
    """
    lateral_mm, cranial_mm = entry_mm
    if not (0 <= lateral_mm <= FARTHEST_ENTRY_MM and abs(cranial_mm) <= FARTHEST_ENTRY_MM):
        raise WrongUse(
            "the skin entry",
            f"must lie within {FARTHEST_ENTRY_MM:.0f} mm of the level, on the {plan.side}",
            got=(round(lateral_mm, 1), round(cranial_mm, 1)),
            do="Enter nearer to the level, or choose the other side first.",
        )
    entry_variation, (own_mm, by_skin) = entry_variation_of(prepared.level, plan), _entry_of(prepared, plan)
    across = lateral_mm if plan.side == "left" else -lateral_mm
    place = np.array([across, own_mm[1], cranial_mm + landmark_z_mm(prepared.level, plan.side)])
    for _ in range(ENTRY_ROUNDS):
        moved = _through(entry_variation, own_mm, place)
        found, at_skin = _entry_of(prepared, moved)
        if np.abs(found - place).max() <= ENTRY_TOL_MM and at_skin == by_skin:
            return moved
        # the axis met the skin further in or out than was thought: the entry is there, where it was requested
        place[1] = found[1]
    raise WrongUse(
        "the skin entry",
        "must lie where the scan shows skin that the channel can pass",
        do="Enter nearer to the level.",
    )


def _entry_of(prepared: PreparedLevel, plan: Approach) -> tuple[Float, bool]:
    """(3,) array, level frame: where the first axis leaves the skin, or the pivot where no skin is in view; is it skin?

    As `estimator.planning.skin_entry` finds it.
    """
    first, frame, anatomy = placed_phases(plan, prepared.level.frame)[0], prepared.level.frame, prepared.anatomy
    docked_ras_mm = first.pivot_ras_mm + plan.pivot_distance_mm * first.axis_ras
    skin = skin_point_mm(anatomy.labels, anatomy.grid, docked_ras_mm, -first.axis_ras, shows_air=prepared.air_in_view)
    return frame.to_level_mm(first.pivot_ras_mm if skin is None else skin), skin is not None


def _through(entry_variation: EntryVariation, own_mm: Float, entry_mm: Float) -> Approach:
    """The entry variation's plan with its first axis through another entry."""
    turned = entry_variation.aims_deg(np.stack([own_mm, entry_mm]))
    angles = np.tile(entry_variation.angles_deg, (2, 1))
    tilts = [n for n in range(angles.shape[1]) if n % 3 < 2]
    angles[1, tilts] += turned[1] - turned[0]
    placed = entry_variation.approaches_at(np.stack([own_mm, entry_mm]), angles)
    moved = _changed_as(entry_variation.plan, placed.approach(0), placed.approach(1))
    back = moved.pivot_distance_mm * axes_level(placed)[1, 0]
    place = pivots_level_mm(placed)[1, 0] + back - np.array(moved.phases[0].pivot_shift_mm)
    return replace(moved, docking_point_mm=triple(place))


def _changed_as(plan: Approach, was: Approach, now: Approach) -> Approach:
    """A plan with tilts, depths and pivot changed as from one approach to another; phases not in both stay."""
    before, after = ({phase.name: phase for phase in each.phases} for each in (was, now))
    phases = tuple(
        _phase_changed_as(phase, before[phase.name], after[phase.name]) if phase.name in before else phase
        for phase in plan.phases
    )
    distance_mm = plan.pivot_distance_mm + now.pivot_distance_mm - was.pivot_distance_mm
    return replace(plan, phases=phases, pivot_distance_mm=max(distance_mm, LEAST_DISTANCE_MM))


def _phase_changed_as(phase: Phase, was: Phase, now: Phase) -> Phase:
    changed = {name: getattr(phase, name) + getattr(now, name) - getattr(was, name) for name in FOLLOWS}
    shift = np.array(phase.pivot_shift_mm) + now.pivot_shift_mm - was.pivot_shift_mm
    return replace(phase, **changed, pivot_shift_mm=triple(shift))


ASKS = {
    "start": RequestKind(StartRequest, start),
    "dock": RequestKind(DockRequest, dock, newest_only=True),
    "enter": RequestKind(EntryRequest, enter, newest_only=True),
}
