"""The report's text and tables: plain rows made from an approach and its estimate."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from canalwise.estimator.approach.approach import other_side
from canalwise.recon.anatomy import Level
from canalwise.recon.measurement.kinds import SCALES
from canalwise.workbench.charts.estimate_charts import NOT_KNOWN
from canalwise.workbench.console.json_results import limits_of
from canalwise.workbench.console.search_tables import access_row
from canalwise.workbench.console.tables import chance_line, task_rows, verdict_row
from canalwise.workbench.images.planned_case import PlannedCase
from canalwise.workbench.report.summary import limit_chances
from canalwise.workbench.style.phrases import EVIDENCE, amount, limit_words, number, percent, with_interval

Json = Mapping[str, Any]
Facts = list[tuple[str, str]]

TARGET_PLACES = {
    "canal wall": "far wall of the canal, disc level",
    "lateral recess": "lateral recess",
    "foramen entrance": "entrance of the foramen",
    "disc border": "dorsal border of the disc",
}
"""Targets in words; one that is not listed keeps its own name."""

WORSE_BANDS = {limit.band for scale in SCALES.values() for limit in scale.thresholds}
"""Names of the severity bands that are worse than normal."""


def level_rows(level: Level) -> list[tuple[str, str, str, str, str]]:
    """(quantity, value with unit, structure and slice, severity, number of its note) of each measurement."""
    notes = level_notes(level)
    return [
        (
            m.name,
            amount(m.value, m.unit),
            f"{m.structure}, {m.at}",
            m.band or NOT_KNOWN,
            str(notes.index(m.source) + 1) if m.source else "",
        )
        for m in level.measurements
    ]


def findings(level: Level) -> list[str]:
    """The measurements that fall into a band worse than normal, one phrase each.

    >>> import numpy as np
    >>> from canalwise.recon.anatomy import Frame, Measurement
    >>> frame = Frame(np.zeros(3), np.eye(3))
    >>> sac = Measurement("dural sac area", 91.9, "mm2", "dural sac", "dural sac at disc", "central stenosis")
    >>> findings(Level("L3-L4", "L3", "L4", frame, {}, {}, {}, {}, (sac,)))
    ['dural sac area 91.9 mm\u00b2: central stenosis (dural sac, dural sac at disc)']
    """
    return [
        f"{m.name} {amount(m.value, m.unit)}: {m.band} ({m.structure}, {m.at})"
        for m in level.measurements
        if m.band in WORSE_BANDS
    ]


def level_notes(level: Level) -> list[str]:
    """Sources of values and bands, without repeats, in the order of first use.

    >>> import numpy as np
    >>> from canalwise.recon.anatomy import Frame
    >>> level_notes(Level("L3-L4", "L3", "L4", Frame(np.zeros(3), np.eye(3)), {}, {}, {}, {}))
    []
    """
    return list(dict.fromkeys(m.source for m in level.measurements if m.source))


def bone_rows(estimate: Json) -> list[tuple[str, str, str, str]]:
    """(structure, mm3 to remove, share of the structure, mm3 of the whole sweep), the ones that lose anything.

    What is to be removed is the resection, or the task where there is none.
    """
    planned, cone = estimate.get("resection") or estimate["task"], estimate["cone"]
    shares = planned.get("share_of_structure") or planned.get("removed_frac") or {}
    least, most = planned["bone_removed_mm3"]["by_structure"], cone["bone_removed_mm3"]["by_structure"]
    named = [name for name in most if max(least.get(name, 0.0), most[name]) > 0]
    rows = [(name, number(least.get(name, 0.0), 0), percent(shares.get(name)), number(most[name], 0)) for name in named]
    sums = [
        with_interval(number(reported["bone_removed_mm3"]["total"], 0), reported["bone_removed_mm3"].get("interval95"))
        for reported in (planned, cone)
    ]
    return [*rows, ("total", sums[0], "", sums[1])]


def target_rows(estimate: Json) -> list[tuple[str, str, str]]:
    """(target, ipsilateral share touched, contralateral share touched).

    >>> target_rows({"ipsilateral_reach": None, "contralateral_reach": {"targets": {"lateral recess": 0.2}}})
    [('lateral recess', 'not known', '20 %')]
    """
    near, far = (
        (estimate[f"{relation}_reach"] or {}).get("targets", {}) for relation in ("ipsilateral", "contralateral")
    )
    return [
        (TARGET_PLACES.get(name, name), percent(near.get(name)), percent(far.get(name))) for name in {**near, **far}
    ]


def requested_rows(estimate: Json) -> list[tuple[str, str, str]]:
    """(set of targets of the task, share touched, chance that enough of it is)."""
    return task_rows(estimate)


def chance_sentences(estimate: Json) -> list[str]:
    """Chance that the plan holds as a whole, and the execution errors it assumes; nothing without samples.

    >>> chance_sentences({})
    []
    """
    errors = [f"{e['name'].rpartition('_sd_')[0].replace('_', ' ')} {amount(e['value'], e['unit'])}"
              for e in estimate.get("execution_errors", [])]  # fmt: skip
    rests = f"Standard deviations of execution errors, published or assumed, see docs/limits.md: {', '.join(errors)}."
    return [*chance_line(estimate), rests] if errors else []


def reach_facts(planned: PlannedCase, estimate: Json) -> Facts:
    """What stops the reach and how near the sac comes, per side."""
    facts = []
    for relation, side in (
        ("contralateral", other_side(planned.approach.side)),
        ("ipsilateral", planned.approach.side),
    ):
        if reach := estimate[f"{relation}_reach"]:
            nearest, ends = amount(reach["clearance_mm"], "mm"), reach.get("interval95")
            facts.append(
                (
                    f"{relation.capitalize()} ({side})",
                    with_interval(f"{number(reach['lateral_mm'])} mm from the midline at disc level", ends, 1)
                    + f", {limit_words(reach['limited_by'])}; least clearance to the sac {nearest}",
                )
            )
    return facts


def freed_facts(estimate: Json) -> Facts:
    """What the decompression frees."""
    freed = estimate["decompression"]
    areas, shares = freed["canal_area_mm2"], freed["coverage_frac"]
    ends = areas.get("interval95", {})
    return [
        (
            "Free canal area at disc level",
            f"{with_interval(number(areas['before'], 0), ends.get('before'))} mm\u00b2 before, "
            f"{with_interval(number(areas['after'], 0), ends.get('after'))} mm\u00b2 after (inside bone, "
            "less ligament and calcified tissue; the sac is taken to fill what is freed: an upper bound)",
        ),
        (
            "Pressing ligament and bone taken",
            f"ipsilateral {percent(shares['ipsilateral'])}, contralateral {percent(shares['contralateral'])}",
        ),
    ]


def weak_place_facts(estimate: Json) -> Facts:
    """Pars and spinous base after the resection; after the whole sweep where there is none.

    >>> after, before = {"ipsilateral": 6.2, "contralateral": None}, {"ipsilateral": 7.0, "contralateral": None}
    >>> base = {"undercut_frac": 0.2, "bridge_mm": 7.0, "bridge_before_mm": 8.0}
    >>> weak_place_facts({"pars_residual_mm": after, "pars_before_mm": before, "spinous_base": base})[0][1]
    'ipsilateral 6.2 mm of 7.0 mm, contralateral not known'
    """
    kept = estimate.get("resection") or estimate
    width, before, base = kept["pars_residual_mm"], estimate["pars_before_mm"], kept["spinous_base"]
    ends = width.get("interval95", {})
    pars = [
        with_interval(f"{relation} {_of_before(width[relation], before[relation])}", ends.get(relation), 1)
        for relation in ("ipsilateral", "contralateral")
    ]
    bridge = with_interval(_of_before(base["bridge_mm"], base["bridge_before_mm"]), base.get("bridge_interval95"), 1)
    undercut = with_interval(percent(base["undercut_frac"]), base.get("undercut_interval95"), scale=100)
    return [
        ("Pars, least width remaining", ", ".join(pars)),
        ("Spinous base", f"undercut {undercut}; bony bridge remaining {bridge}"),
    ]


def _of_before(after_mm: float | None, before_mm: float | None) -> str:
    return amount(after_mm, "mm") if after_mm is None else f"{amount(after_mm, 'mm')} of {amount(before_mm, 'mm')}"


def limit_rows(estimate: Json) -> list[tuple[str, ...]]:
    """(limit, value, limit with unit, whether kept, chance that it is kept, source, evidence) of each verdict."""
    chances = [row[-1] for row in limit_chances(estimate)]
    return [
        (*verdict_row(v)[:-1], chance, v["source"], EVIDENCE[v["evidence"]])
        for v, chance in zip(limits_of(estimate), chances, strict=True)
    ]


def compared_rows(comparison: Json) -> list[tuple[str, ...]]:
    """One row of text per access."""
    return [access_row(row) for row in comparison["rows"]]


def has_intervals(estimate: Json) -> bool:
    """Does the estimate carry error bars on its headline numbers?

    >>> has_intervals({"task": {"bone_removed_mm3": {"interval95": [1.0, 2.0]}}})
    True
    """
    return bool(estimate["task"]["bone_removed_mm3"].get("interval95"))
