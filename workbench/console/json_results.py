"""Results of the estimator as plain JSON data, and the limits they breach."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.comparison.accesses_json import comparison_as_json
from canalwise.estimator.estimate.estimate import estimate
from canalwise.estimator.estimate.estimate_json import confidence_json, estimate_as_json, plain
from canalwise.estimator.estimate.intervals import intervals_of, no_intervals
from canalwise.estimator.estimate.monte_carlo import MonteCarloOptions
from canalwise.estimator.execution.resection_intervals import resection_intervals
from canalwise.estimator.execution.uncertain_json import uncertain_as_json
from canalwise.estimator.execution.uncertainty_values import SAMPLES, ExecutionTrial
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.level.target_names import NAMES
from canalwise.estimator.outcome.decompressed import DecompressedLevel, decompressed
from canalwise.estimator.search.search_json import search_as_json
from canalwise.estimator.search.search_task import Progress, SearchTask
from canalwise.estimator.search.search_values import SearchResult
from canalwise.recon.anatomy import Anatomy, Level
from canalwise.recon.case.corrections import correction_sentences
from canalwise.recon.disclaimer import CAUTION
from canalwise.recon.errors import AnatomyNotFound, LevelNotInView
from canalwise.recon.measurement.confidence import check_sentence
from canalwise.recon.proposed_levels import levels_proposal
from canalwise.recon.questions import question_probabilities, resection_probability
from canalwise.recon.scan import Scan
from canalwise.recon.serialization import to_data

BUILD_SCHEMA, MEASURE_SCHEMA = "canalwise.build/2", "canalwise.measure/2"

USUAL_TRIAL = MonteCarloOptions()
"""A thousand samples from the first seed."""

EXECUTIONS, USUAL_EXECUTIONS = SAMPLES, ExecutionTrial()
"""Simulated executions of a resection at most, and as a rule: each is worked out in full."""

UNJUDGED = "Nothing is said of what is freed"
"""How the warning begins that tells why a plan has no verdict."""

BREACHED = 4
"""Exit status of --strict when a plan is not freed and kept."""


def measured_json(anatomy: Anatomy) -> dict[str, Any]:
    """Every level's measurements with their severity bands.

    Raises LevelNotInView when the case has no level at all.
    """
    if not anatomy.levels:
        raise LevelNotInView(
            "the case",
            "must hold at least one level",
            do="Build it again with --levels, or with more of the spine in view.",
        )
    return {
        "schema": MEASURE_SCHEMA,
        "levels": [level_json(anatomy, level) for level in anatomy.levels],
        "proposed_levels": to_data(levels_proposal(anatomy.levels, anatomy.sources)),
        **_case_json(anatomy),
        "warnings": list(anatomy.warnings),
        "caution": CAUTION,
    }


def level_json(anatomy: Anatomy, level: Level) -> dict[str, Any]:
    """One level: its name with the name's probability, how sure each question's answer is, and what was measured.

    `confidence` maps a question to the probability that its answer is right; `evidence` holds the reasons.
    """
    naming = anatomy.naming
    return {
        "name": level.name,
        "upper": level.upper,
        "lower": level.lower,
        "name_probability": None if naming is None else naming.probability_of(level.name),
        "name_confirmed": None if naming is None else naming.confirmed,
        "confidence": question_probabilities(anatomy, level),
        "evidence": confidence_json(level),
        "measurements": [to_data(m) for m in level.measurements],
        "warnings": list(level.warnings),
    }


def _case_json(anatomy: Anatomy) -> dict[str, Any]:
    """What a case's anatomy rests on."""
    return {
        "sources": dict(anatomy.sources),
        "naming": None if anatomy.naming is None else to_data(anatomy.naming),
        "corrections": [to_data(correction) for correction in anatomy.corrections],
        "corrected": list(correction_sentences(anatomy.corrections)),
    }


def limits_of(document: Mapping[str, Any]) -> list[dict[str, Any]]:
    """The limits that an estimate's verdict speaks of: of the resection, or of both removals where there is none.

    >>> limits_of({"verdicts": [{"name": "undercut"}], "resection": None})
    [{'name': 'undercut'}]
    """
    return list((document.get("resection") or {}).get("limits") or document["verdicts"])


def breaches(document: Mapping[str, Any]) -> list[str]:
    """Names of the limits that are not kept in an estimate's JSON.

    >>> breaches({"verdicts": [{"name": "pars width remaining", "met": False}, {"name": "undercut", "met": None}]})
    ['pars width remaining']
    """
    return [limit["name"] for limit in limits_of(document) if limit["met"] is False]


def exit_status(documents: Sequence[Mapping[str, Any]], strict: bool) -> int:
    """0, or BREACHED when limits count and one of the estimates is not freed and kept.

    Where nothing can be said of what is freed, the limits of the sweep decide.

    >>> broken = {"verdicts": [{"name": "pars width remaining", "met": False}]}
    >>> exit_status([broken], strict=False), exit_status([broken], strict=True)
    (0, 4)
    >>> exit_status([{"verdicts": [], "verdict": {"freed": False, "kept": True}}], strict=True)
    4
    """
    return BREACHED if strict and not all(is_good(document) for document in documents) else 0


def is_good(document: Mapping[str, Any]) -> bool:
    """Does an estimate's JSON free enough and keep every limit?

    >>> is_good({"verdicts": [], "verdict": {"freed": True, "kept": True}}), is_good({"verdicts": []})
    (True, True)
    """
    verdict = document.get("verdict")
    return bool(verdict["freed"] and verdict["kept"]) if verdict else not breaches(document)


def json_and_decompressed_level(
    anatomy: Anatomy, approach: Approach, task: Sequence[str] = NAMES, trial: MonteCarloOptions | None = USUAL_TRIAL
) -> tuple[dict[str, Any], DecompressedLevel | None]:
    """One approach's estimate as JSON data, and the level decompressed by it, which that data was made of.

    Parameters
    ----------
    task : the sets of targets that are to be touched
    trial : how the samples of intervals and chances are drawn; without one there are none

    Returns
    -------
    document : the estimate with what the approach frees
    freed : its resection and outcome; None where no sac or no ligament is known, as the document's warnings say
    """
    found = estimate(anatomy, approach, task=task)
    document = estimate_as_json(found, no_intervals(found) if trial is None else intervals_of(found, trial))
    try:
        freed = decompressed(found.prepared, approach)
    except AnatomyNotFound:
        freed = None
    return with_decompression(document, found.prepared, approach, execution_trial_of(trial), freed), freed


def execution_trial_of(trial: MonteCarloOptions | None) -> ExecutionTrial | None:
    """The simulated executions of a resection: as many as the trial's samples, EXECUTIONS at most; None without one."""
    return None if trial is None else ExecutionTrial(min(trial.samples, EXECUTIONS), trial.seed, trial.errors)


def with_decompression(
    document: dict[str, Any],
    prepared: PreparedLevel,
    approach: Approach,
    executions: ExecutionTrial | None = USUAL_EXECUTIONS,
    known: DecompressedLevel | None = None,
) -> dict[str, Any]:
    """An estimate's JSON with what its approach frees; where that cannot be said, nothing and a warning why.

    `executions` : what its intervals and chances come from; without them there are none
    `known` : what the approach frees, where it has been worked out before
    """
    try:
        found = known or decompressed(prepared, approach)
        more = plain(uncertain_as_json(found, None if executions is None else resection_intervals(found, executions)))
    except AnatomyNotFound as error:
        nothing: dict[str, Any] = dict.fromkeys(("resection", "freed", "verdict", "spinous_process"))
        nothing["chances"] = (document.get("chances") or {}) | dict.fromkeys(("freed", "kept", "both"))
        return document | nothing | {"warnings": [*document["warnings"], f"{UNJUDGED}: {error}"]}
    inner = more.pop("geometry")
    tool = inner.pop("tool")
    geometry = document["geometry"] | inner
    geometry["definitions"] = document["geometry"]["definitions"] | inner["definitions"]
    geometry["resection_tool"] = tool
    same = {"scope_radius_mm": tool["scope_radius_mm"], "bite_mm": tool["bite_mm"]}
    geometry["phases"] = [phase | same for phase in document["geometry"]["phases"]]
    chances = (document.get("chances") or {}) | more.pop("chances")
    unknown = [why for why in more["resection"]["facet_unresolved"].values() if why is not None]
    warnings = [*document["warnings"], *(f"No number of this joint is reported: {why}." for why in unknown)]
    answers = document["probabilities"] | _of_resection(prepared, more["resection"]["bone_removed_mm3"]["total"])
    return (
        document
        | more
        | {
            "geometry": geometry,
            "chances": chances,
            "probabilities": answers,
            "warnings": warnings,
        }
    )


def _of_resection(prepared: PreparedLevel, resection_mm3: float) -> dict[str, float]:
    """How probable it is that a resection's bone is right."""
    seen = {} if prepared.level.confidence is None else prepared.level.confidence.seen
    return resection_probability(seen, prepared.anatomy.sources, resection_mm3)


def compared_json(prepared: PreparedLevel, question: SearchTask, progress: Progress = lambda _: None) -> dict[str, Any]:
    """The best plan found for each access at a level, side by side, as JSON data; joints by the patient's side."""
    # Most verbs search for nothing, and the search takes half a second to load.
    from canalwise.estimator.comparison.accesses import compared_accesses

    warnings = [*prepared.anatomy.warnings, *prepared.level.warnings]
    document = plain(comparison_as_json(compared_accesses(prepared, question, progress)))
    return dict(document) | {"warnings": warnings}


def _checks(anatomy: Anatomy) -> list[str]:
    """Which levels are to be looked at by eye, and why."""
    assessment_of = [(level, level.confidence) for level in anatomy.levels]
    return [check_sentence(level.name, sure) for level, sure in assessment_of if sure is not None and sure.check_by_eye]


def built_json(scan: Scan, anatomy: Anatomy) -> dict[str, Any]:
    """What a build found, without the case's own files."""
    return {
        "schema": BUILD_SCHEMA,
        "levels": [level_json(anatomy, level) for level in anatomy.levels],
        **_case_json(anatomy),
        "scan": dict(scan.provenance),
        "warnings": list(dict.fromkeys([*scan.warnings, *anatomy.warnings, *_checks(anatomy)])),
        "caution": CAUTION,
    }


def searched_json(found: SearchResult) -> dict[str, Any]:
    """What a search found, each pick with the verdict on what it frees."""
    return dict(plain(search_as_json(found)))
