"""All that two scans say about an operation at one level."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.audit.areas import AuditedAreas, audited_areas, sac_after
from canalwise.estimator.audit.bone_change import BoneChange, bone_change_of
from canalwise.estimator.audit.comparison import PlannedAgainstAchieved, planned_against_achieved
from canalwise.estimator.audit.criteria import PassCriterion, pass_criteria, time_caveats
from canalwise.estimator.audit.findings import findings_of
from canalwise.estimator.audit.fitted_approach import FittedApproach, fitted_approach, planned_resection
from canalwise.estimator.audit.kept import KeptLimit, KeptStructures, kept_limits, kept_structures
from canalwise.estimator.audit.scan_pair import ScanPair, pair_of
from canalwise.estimator.audit.taken_bone import TakenBone, taken_bone_of
from canalwise.estimator.level.prepared_level import PreparedLevel, prepared_level
from canalwise.estimator.outcome.freed import freed_by
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.estimator.removal.bone_removal import Removal
from canalwise.estimator.resection.resection_level import Resection
from canalwise.recon.anatomy import Anatomy
from canalwise.recon.errors import AnatomyNotFound, WrongUse
from canalwise.recon.grid import Float, Grid
from canalwise.recon.labels import SIDES, Labels, Side
from canalwise.recon.scan import Scan

Progress = Callable[[str], None]


@dataclass(frozen=True, eq=False)
class AfterLabels:
    """Labels made elsewhere of the scan after, on its own grid; its sac is read."""

    labels: Labels
    grid: Grid


@dataclass(frozen=True, eq=False)
class AuditQuestion:
    """Options of an audit of two scans.

    Parameters
    ----------
    level : name of the level
    plan : what was to be done; None where nothing was planned
    days_after : from the operation to the scan after
    after_labels : of the scan after
    """

    level: str
    plan: Approach | None = None
    days_after: int | None = None
    after_labels: AfterLabels | None = None

    def __post_init__(self) -> None:
        if self.plan is not None and self.plan.level != self.level:
            raise WrongUse(
                "the plan", f"must be for {self.level}", got=self.plan.level, do="Give --level or --plan alone."
            )
        if self.days_after is not None and self.days_after < 0:
            raise WrongUse("--days-after", "must be 0 or more", got=self.days_after)


@dataclass(frozen=True, eq=False)
class Audit:
    """Audit of an operation: bone taken and structures kept.

    Parameters
    ----------
    side : structures are named for an approach from here: the plan's side, else the fitted one
    planned : bone that the plan takes; None without one
    compared : None without a plan
    areas : None where sac or ligament are not in view
    """

    question: AuditQuestion
    pair: ScanPair
    side: Side
    change: BoneChange
    taken: TakenBone
    kept: KeptStructures
    limits: tuple[KeptLimit, ...]
    planned: Removal | None
    compared: PlannedAgainstAchieved | None
    fitted: FittedApproach | None
    areas: AuditedAreas | None
    criteria: tuple[PassCriterion, ...]
    findings: tuple[str, ...]
    caveats: tuple[str, ...]

    @property
    def passed(self) -> bool | None:
        """Is one of the criteria met? None where none could be answered."""
        known = [criterion.met for criterion in self.criteria if criterion.met is not None]
        if any(known):
            return True
        return False if known and len(known) == len(self.criteria) else None


def audit_of(
    anatomy: Anatomy, before: Scan, after: Scan, question: AuditQuestion, progress: Progress | None = None
) -> Audit:
    """The audit of a level between two scans.

    Raises
    ------
    LevelNotInView : no such level in the case
    UnusableInput : another patient, other levels, the scans in the other order, or an MR
    """
    say = progress or (lambda _: None)
    pair = pair_of(anatomy, before, after, question.level, say)
    prepared = prepared_level(anatomy, question.level)
    say("comparing the bone")
    change = bone_change_of(pair, prepared.level_bone)
    taken = taken_bone_of(pair, change)
    say("fitting the approach")
    fitted = fitted_approach(prepared, taken.removal, question.plan)
    side: Side = question.plan.side if question.plan else fitted.approach.side if fitted else "left"
    say("holding it against the plan")
    planned = None if question.plan is None else planned_resection(prepared, question.plan)
    kept = kept_structures(prepared, taken, side)
    areas = _areas(prepared, planned, (pair, taken), question.after_labels)
    compared = None if planned is None else planned_against_achieved(pair.level, side, planned.removal, taken.removal)
    return Audit(
        question, pair, side, change, taken, kept, kept_limits(prepared, kept),
        None if planned is None else planned.removal, compared, fitted, areas,
        () if areas is None else pass_criteria(areas),
        findings_of(pair, change, taken), time_caveats(question.days_after),
    )  # fmt: skip


def _areas(
    prepared: PreparedLevel,
    planned: Resection | None,
    found: tuple[ScanPair, TakenBone],
    labels: AfterLabels | None,
) -> AuditedAreas | None:
    """The areas; None where the case does not show what they need."""
    pair, taken = found
    try:
        reference = planned or _usual_resection(prepared)
        before = freed_by(reference).areas
    except AnatomyNotFound:
        return None
    at = reference.at
    after = None if labels is None else sac_after(pair, labels.labels, labels.grid, before.z_mm)
    mine = None if planned is None else (before, _planned_share(planned))
    return audited_areas(at, before, taken, mine, after)


def _usual_resection(prepared: PreparedLevel) -> Resection:
    """The usual start of the first side that has one: areas before the operation hang on no approach."""
    problem: AnatomyNotFound | None = None
    for side in SIDES:
        try:
            return planned_resection(prepared, default_approach(prepared.anatomy, prepared.level.name, side))
        except AnatomyNotFound as error:
            problem = error
    assert problem is not None
    raise problem


def _planned_share(planned: Resection) -> Float:
    """(N,) array: how much of each voxel of the set's bone the plan takes."""
    return np.asarray(planned.removal.taken_frac.reshape(-1)[planned.at.wanted.voxels], dtype=float)
