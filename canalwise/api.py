"""The library's calls in one place, each result with a short text, JSON data and a picture in notebooks."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from copy import deepcopy
from dataclasses import dataclass
from functools import cached_property
from importlib import import_module
from typing import Any, Generic, TypeVar

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.approach.error_presets import USUAL
from canalwise.estimator.approach.execution_errors import execution_errors_of
from canalwise.estimator.comparison.access_results import AccessComparison
from canalwise.estimator.comparison.accesses import compared_accesses
from canalwise.estimator.comparison.accesses_json import comparison_as_json
from canalwise.estimator.estimate.estimate import Estimate, estimate_of
from canalwise.estimator.estimate.estimate_json import estimate_as_json
from canalwise.estimator.estimate.intervals import intervals_of
from canalwise.estimator.estimate.monte_carlo import MonteCarloOptions
from canalwise.estimator.level.prepared_level import prepared_level
from canalwise.estimator.level.target_names import NAMES as TARGET_SETS
from canalwise.estimator.limits import Limits
from canalwise.estimator.search.best_approach import search as search_prepared
from canalwise.estimator.search.search_json import search_as_json
from canalwise.estimator.search.search_task import SearchTask
from canalwise.estimator.search.search_values import SearchResult
from canalwise.recon.anatomy import Anatomy
from canalwise.recon.case.anatomy_builder import anatomy_of
from canalwise.recon.intake.label_maps import GivenLabels
from canalwise.recon.scan import Scan
from canalwise.recon.version import VERSION

__version__ = VERSION

Value = TypeVar("Value")


@dataclass(frozen=True, eq=False)
class Result(Generic[Value]):
    """What a call found: the value itself, its JSON data, and a table or picture of it where a notebook shows it.

    Parameters
    ----------
    value : the result with all its arrays
    as_json : turns the value into plain data
    """

    value: Value
    as_json: Callable[[Value], dict[str, Any]]

    @cached_property
    def _document(self) -> dict[str, Any]:
        return self.as_json(self.value)

    def to_json(self) -> dict[str, Any]:
        """The data that the command of the same name prints with `--json`."""
        return deepcopy(self._document)

    def __repr__(self) -> str:
        return f"<canalwise {type(self.value).__name__} of {self._document['level']}>"

    def _repr_html_(self) -> str:
        # The pictures' libraries are loaded only where a notebook asks for one.
        html: str = import_module("canalwise.workbench.notebook").html_of(self.value)
        return html


def build(
    scan: Scan,
    *,
    vertebrae: Sequence[str] | None = None,
    labels: GivenLabels | None = None,
    progress: Callable[[str], None] | None = None,
) -> Anatomy:
    """The anatomy of a scan: canal, vertebrae, joints, levels with their measurements.

    Parameters
    ----------
    scan : as `read_scan` gives it; an MR without labels best as `working_volume` or `read_examination` gives it
    vertebrae : names in view, cranial to caudal, where the scan itself cannot tell
    labels : a label map made elsewhere, on the scan's grid; what it lacks is found in the scan
    progress : called with a sentence before each step

    Raises
    ------
    UnusableInput : no bone or no canal was found
    LevelNotInView : no two neighbouring vertebrae with the disc between them are in view
    """
    return anatomy_of(scan, given=labels, vertebrae=vertebrae, progress=progress)


def estimate(
    anatomy: Anatomy,
    approach: Approach,
    limits: Limits | None = None,
    task: Sequence[str] = TARGET_SETS,
    *,
    guidance: str = USUAL[0],
    experience: str = USUAL[1],
) -> Result[Estimate]:
    """What an approach takes, keeps and reaches, with 95 % intervals.

    Parameters
    ----------
    task : names of the target sets that are to be touched, of `estimator.level.target_names`
    guidance, experience : who carries it out and how guided, of `estimator.approach.error_presets`

    Raises
    ------
    LevelNotInView : the approach's level is not in the anatomy
    AnatomyNotFound : no dural sac there
    WrongUse : a task, a guidance or an experience that there is not
    """
    trial = MonteCarloOptions(errors=execution_errors_of(guidance, experience))

    def as_json(found: Estimate) -> dict[str, Any]:
        return estimate_as_json(found, intervals_of(found, trial))

    return Result(estimate_of(prepared_level(anatomy, approach.level, limits).ready(), approach, task), as_json)


def search(
    anatomy: Anatomy, level: str, task: SearchTask | None = None, limits: Limits | None = None
) -> Result[SearchResult]:
    """The best approaches to a level, such as 'L4-L5'; the same task gives the same answer.

    Raises
    ------
    LevelNotInView : the level is not in the anatomy
    AnatomyNotFound : neither side can be docked on
    """
    return Result(search_prepared(prepared_level(anatomy, level, limits), task or SearchTask()), search_as_json)


def compare(
    anatomy: Anatomy, level: str, task: SearchTask | None = None, limits: Limits | None = None
) -> Result[AccessComparison]:
    """The best plan from the left, the right and both sides, and a midline laminectomy, on paired samples.

    Raises
    ------
    LevelNotInView : the level is not in the anatomy
    AnatomyNotFound : neither side can be docked on
    """
    prepared = prepared_level(anatomy, level, limits)
    return Result(compared_accesses(prepared, task or SearchTask()), comparison_as_json)
