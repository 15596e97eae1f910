"""Changes of an estimate's numbers under uncertain borders and execution errors, from seeded samples.

All samples and, for each error alone, a step of SD_OF_95 deviations up and down run through the batch in one table.
Changes are relative to the batch's own undisturbed answer, so its small difference from the exact estimate moves
nothing.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.approach.execution_errors import ExecutionErrors, causes_of, disturbed
from canalwise.estimator.approach.table import ApproachTable, joined
from canalwise.estimator.batch.outcomes import ErrorShifts, Outcomes, outcomes
from canalwise.estimator.geometry.level_arrays import DISC_AREA, F64
from canalwise.estimator.interval import SD_OF_95, ends95
from canalwise.estimator.level.border_uncertainty import BONE, CANAL, SAC
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.level.target_names import MIDLINE
from canalwise.recon.errors import WrongUse
from canalwise.recon.grid import Float
from canalwise.recon.labels import SIDES, Mask, Part, Side, label_of, sided

BORDERS = (BONE, CANAL, SAC)
"""Causes that the batch can shift itself, besides execution errors."""

AFTER = "canal_after_mm2"
"""Name of the free canal area after the removal."""

FAR_MM = 1000.0
"""Dorsal of the level by this much, an approach takes nothing."""

PARS_TOL_MM = 1e-3
"""Rounding of a width that is untouched."""

Causes = Mapping[str, Mapping[str, float]]
"""Name of a number -> cause -> standard deviation that it alone gives."""


@dataclass(frozen=True)
class MonteCarloOptions:
    """Options of the sampling: number of samples, seed, execution errors."""

    samples: int = 1000
    seed: int = 0
    errors: ExecutionErrors = field(default_factory=ExecutionErrors)

    def __post_init__(self) -> None:
        if not 0 < self.samples <= 1_000_000:
            raise WrongUse("'samples'", "must be from 1 to 1000000", got=self.samples)
        if self.seed < 0:
            raise WrongUse("'seed'", "must be 0 or more", got=self.seed)


@dataclass(frozen=True, eq=False)
class SampledBorders:
    """Where borders lie for each of A approaches: (A,) arrays of mm, 0 where they were found.

    Parameters
    ----------
    bone_mm : how much further in all bone ends
    canal_mm : how much further out the canal ends, and with it the targets on its wall
    sac_mm : how much nearer the sac lies
    """

    bone_mm: Float
    canal_mm: Float
    sac_mm: Float


@dataclass(frozen=True, eq=False)
class SampledChanges:
    """Changes of an estimate's numbers, by name as in `numbers_of`.

    Parameters
    ----------
    change : name -> (N,) array, each sample's change
    sd_by_cause : name -> cause -> standard deviation that it alone gives
    pars_untouched : side -> (N,) array, does that sample take nothing of the pars?
    """

    change: Mapping[str, F64]
    sd_by_cause: Causes
    pars_untouched: Mapping[Side, Mask]

    def ends(self, name: str) -> tuple[float, float]:
        """Between which changes 95 % of the samples of a number lie; no change at all is never left out."""
        return ends95(self.change[name], 0.0)


def with_noise(spread: SampledChanges, causes: Causes, seed: int) -> SampledChanges:
    """The spread with more causes of some numbers, added to each sample as normal noise, independent of all else."""
    names = tuple(spread.change)
    size = (len(names), len(spread.change[names[0]]))
    # a stream of its own, so that the samples of all else stay the same with and without it
    noise = dict(zip(names, np.random.default_rng([seed, 1]).standard_normal(size), strict=True))
    total = {name: float(np.linalg.norm(list(more.values()))) for name, more in causes.items() if more}
    change = {name: values + total.get(name, 0.0) * noise[name] for name, values in spread.change.items()}
    return replace(spread, change=change, sd_by_cause=joined_causes(spread.sd_by_cause, causes))


def joined_causes(*many: Causes) -> dict[str, dict[str, float]]:
    """Causes of several kinds together; two effects of the same cause add in squares.

    >>> joined_causes({"bone": {"entry": 3.0}}, {"bone": {"entry": 4.0}, "reach": {"spacing": 1.0}})
    {'bone': {'entry': 5.0}, 'reach': {'spacing': 1.0}}
    """
    joined: dict[str, dict[str, float]] = defaultdict(dict)
    for causes in many:
        for name, more in causes.items():
            for cause, sd in more.items():
                joined[name][cause] = float(np.hypot(joined[name].get(cause, 0.0), sd))
    return dict(joined)


def spread_of(prepared: PreparedLevel, approach: Approach, trial: MonteCarloOptions) -> SampledChanges:
    """Sampled changes of an approach's numbers, of its whole sweep."""
    border_uncertainty, success_by_execution = prepared.border_uncertainty, causes_of(len(approach.phases))
    causes, executions = (*success_by_execution, *BORDERS), len(success_by_execution)
    drawn = np.random.default_rng(trial.seed).standard_normal((trial.samples, len(causes)))
    normals = np.concatenate([_one_at_a_time(len(causes)), drawn])
    bone_mm, canal_mm, sac_mm = (
        normals[:, executions:]
        * (border_uncertainty.bone_mm, border_uncertainty.canal_here_mm, border_uncertainty.sac_mm)
    ).T
    table = disturbed(approach, trial.errors, normals[:, :executions])
    numbers, untouched = changes_of(prepared, table, SampledBorders(bone_mm, canal_mm, sac_mm))
    first = 1 + 2 * len(causes)
    return SampledChanges(
        {name: values[first:] for name, values in numbers.items()},
        {name: _sd_by_cause(causes, values[1:first]) for name, values in numbers.items()},
        {side: flags[first:] for side, flags in untouched.items()},
    )


def changes_of(
    prepared: PreparedLevel, table: ApproachTable, borders: SampledBorders
) -> tuple[dict[str, F64], dict[Side, Mask]]:
    """How every number of approaches differs from that of the table's first row, and which take nothing of a pars.

    Name -> (A,) array as in `numbers_of`; side -> (A,) array.
    """
    bone_mm, canal_mm, sac_mm = (np.append(each, 0.0) for each in (borders.bone_mm, borders.canal_mm, borders.sac_mm))
    shifts = ErrorShifts(sac_mm=sac_mm, targets_mm=canal_mm)
    found = outcomes(prepared.all_targets_scene, _and_nothing(table), shifts)
    untouched = found.pars_mm >= found.pars_mm[-1] - PARS_TOL_MM
    return (
        {name: values[:-1] - values[0] for name, values in numbers_of(prepared, found, bone_mm).items()},
        {side: untouched[:-1, n] for n, side in enumerate(SIDES)},
    )


def _one_at_a_time(count: int) -> Float:
    """(1 + 2 count, count) array: nothing, then a step of each error alone, up and down."""
    steps = SD_OF_95 * np.eye(count)
    return np.concatenate([np.zeros((1, count)), np.stack([steps, -steps], axis=1).reshape(-1, count)])


def _and_nothing(table: ApproachTable) -> ApproachTable:
    """The table, and under it an approach that ends far behind the patient: what is there before."""
    last = table.rows(np.array([0]))
    return joined([table, replace(last, docking_mm=last.docking_mm + np.array([0.0, FAR_MM, 0.0]))])


def _sd_by_cause(causes: tuple[str, ...], changes: F64) -> dict[str, float]:
    """The larger of the changes up and down counts; steps of one cause are independent. Nothing where not a number."""
    if np.isnan(changes).any():
        return {}
    variance: dict[str, float] = defaultdict(float)
    for cause, (up, down) in zip(causes, np.abs(changes).reshape(-1, 2), strict=True):
        variance[cause] += (max(up, down) / SD_OF_95) ** 2
    return {cause: float(np.sqrt(value)) for cause, value in variance.items()}


def numbers_of(prepared: PreparedLevel, found: Outcomes, inward_mm: Float) -> dict[str, F64]:
    """Name -> (A,) array of every number of outcomes, all bone borders lying (A,) mm further in.

    Of a side of the patient the names begin with it: 'left area_frac', 'left lateral_mm', 'left lateral recess'.
    """
    taken, level = found.taken, prepared.level
    base = (label_of(level.upper, Part.SPINOUS_BASE),)
    reported = {
        "bone_mm3": taken.bone_mm3 - inward_mm * taken.bone_per_mm,
        "undercut_frac": _taken_frac(found, base, inward_mm),
        "bridge_mm": found.bridge_mm,
        AFTER: taken.of(DISC_AREA),
        "lateral_removal_mm": taken.lateral_mm,
    }
    for n, side in enumerate(SIDES):
        reported |= {
            f"{side} area_frac": found.facet_area_frac[:, n],
            f"{side} width_frac": found.facet_width_frac[:, n],
            f"{side} volume_frac": 1.0 - _taken_frac(found, processes(prepared, side), inward_mm),
            f"{side} pars_mm": found.pars_mm[:, n],
            f"{side} lateral_mm": found.lateral_mm[:, n],
        }
    for k, name in enumerate(taken.scene.sets):
        reported |= {name: found.reached_frac[:, 0, k]} if name in MIDLINE else {
            f"{side} {name}": found.reached_frac[:, n, k] for n, side in enumerate(SIDES)}  # fmt: skip
    return reported


def processes(prepared: PreparedLevel, side: Side) -> tuple[int, int]:
    """Labels of the two articular processes that bear a joint."""
    level = prepared.level
    return (label_of(level.upper, sided("inferior_articular", side)),
            label_of(level.lower, sided("superior_articular", side)))  # fmt: skip


def _taken_frac(found: Outcomes, labels: tuple[int, ...], inward_mm: Float) -> F64:
    """(A,) array: share taken of some labels' bone; NaN where there is none."""
    taken, cloud = found.taken, found.taken.scene.cloud
    mine = np.isin(taken.scene.buckets, labels)
    whole = taken.scene.bucket_whole[mine].sum()
    whole_per_mm = cloud.group_slope[mine[cloud.bucket]].sum()
    lost = taken.weight[:, mine].sum(axis=1) - inward_mm * taken.per_mm[:, mine].sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(np.clip(lost / (whole - inward_mm * whole_per_mm), 0.0, 1.0))
