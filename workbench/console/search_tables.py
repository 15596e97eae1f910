"""What a search found, as the tables and lines a command prints for people."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from canalwise.estimator.approach.approach import PHASE_RELATION
from canalwise.recon.disclaimer import CAUTION
from canalwise.workbench.console.output import table
from canalwise.workbench.style.phrases import number, percent, with_interval

Json = Mapping[str, Any]

LAST_PHASE = tuple(PHASE_RELATION)[-1]
"""The phase whose tilt stands beside each approach of the Pareto set."""

PICKS = {"best": "least bone", "robust": "likeliest by hand", "runner_up": "next best"}


def search_lines(document: Json) -> list[object]:
    """The picks side by side, the approaches that none beats, the reason, and the caution."""
    stopped = [f"Stopped early: the best of the first {document['evaluated']} approaches."]
    picks = [(words, document[key]) for key, words in PICKS.items() if document[key]]
    columns = ("", *(words for words, _ in picks))
    pareto = table(
        ("bone, mm3", "touched", "least facet kept", "side", "docked, mm", LAST_PHASE),
        [pareto_row(row) for row in document["pareto"]],
        right=(0, 1, 2, 4, 5),
        title="Approaches that none beats in bone, reach and joints at once",
    )
    return [
        *(stopped if document["stopped"] else []),
        *freed_sentences(picks),
        table(columns, fact_rows([pick for _, pick in picks]), title=f"Level {document['level']}"),
        pareto,
        document["reason"],
        CAUTION,
    ]


def freed_sentences(picks: Sequence[tuple[str, Json]]) -> list[str]:
    """What each pick frees, those that free too little first.

    >>> freed_sentences([("least bone", {"verdict": {"freed": False, "sentence": "Frees 5 %"}})])
    ['least bone: NOT FREED. Frees 5 %.']
    """
    known = [(words, pick["verdict"]) for words, pick in picks if pick.get("verdict")]
    known.sort(key=lambda one: bool(one[1]["freed"]))
    return [f"{words}: {'' if one['freed'] else 'NOT FREED. '}{one['sentence']}." for words, one in known]


def access_lines(document: Json) -> list[object]:
    """The accesses side by side, the conclusion, and the caution."""
    columns = ("way in", "bone, mm3", "left facet", "right facet", "canal after, mm2", "touched", "succeeds by hand")
    rows = [access_row(row) for row in document["rows"]]
    stopped = ["Stopped early: the best of what was looked at until then."] if document["stopped"] else []
    made = table(columns, rows, title=f"Level {document['level']}", right=(1, 2, 3, 4, 5, 6))
    freed = freed_sentences([(row["name"], row) for row in document["rows"]])
    return [*stopped, *freed, made, document["conclusion"], CAUTION]


def access_row(row: Json) -> tuple[str, ...]:
    """One access on its best plan, as text."""
    return (
        row["name"],
        with_interval(number(row["bone_removed_mm3"], 0), row["interval95"]),
        percent(row["facet_left_frac"]),
        percent(row["facet_right_frac"]),
        number(row["canal_area_after_mm2"], 0),
        "open" if row["reached_frac"] is None else percent(row["reached_frac"]),
        "" if row["by_hand"] is None else percent(row["by_hand"]["both"]),
    )


def fact_rows(picks: list[Json]) -> list[tuple[str, ...]]:
    """One row a fact, one column a pick."""
    facts = [pick_facts(pick) for pick in picks]
    return [(name, *(column[name] for column in facts)) for name in facts[0]]


def pick_facts(pick: Json) -> dict[str, str]:
    """Name of a fact -> it in words."""
    plan, bone = pick["approach"], pick["bone_removed_mm3"]
    phases = plan["phases"]
    entry = pick["skin_entry"]
    return {
        "side, instrument": f"{plan['side']}, {pick['instrument']}",
        "entry lateral, cranial": f"{number(entry['lateral_mm'])} mm, {number(entry['cranial_mm'])} mm ({entry['at']})",
        "tilts medial, cranial": " then ".join(_tilts(phase) for phase in phases),
        "sweep": " then ".join(f"\u00b1{number(phase['sweep_half_angle_deg'])}\u00b0" for phase in phases),
        "bone, whole sweep": _bone(bone["cone"]),
        "bone, task": _bone(bone["task"]),
        "facet kept ipsi, contra": " / ".join(percent(share) for share in pick["facet_area_frac"].values()),
        "touched of what is asked": percent(pick["reached_frac"]),
        "at the end of its bound": ", ".join(words_of_bound(name) for name in pick["at_bounds"]) or "nothing",
        "limits broken": ", ".join(pick["limits_broken"]) or "none",
        "succeeds by hand": percent(pick["by_hand"]["both"]),
    }


def words_of_bound(name: str) -> str:
    """The name of a bound in words.

    >>> words_of_bound("far_medial_tilt_deg")
    'far medial tilt'
    """
    return name.rpartition("_")[0].replace("_", " ")


def _tilts(phase: Json) -> str:
    return f"{number(phase['medial_tilt_deg'])}\u00b0, {number(phase['cranial_tilt_deg'])}\u00b0"


def _bone(reported: Json) -> str:
    return with_interval(f"{number(reported['total'], 0)} mm3", reported["interval95"])


def pareto_row(row: Json) -> tuple[str, ...]:
    """One approach of the Pareto set, as text."""
    plan = row["approach"]
    return (
        number(row["bone_removed_mm3"], 0),
        percent(row["reached_frac"]),
        percent(row["least_facet_kept_frac"]),
        plan["side"],
        number(abs(plan["docking_point_mm"][0])),
        f"{number(plan['phases'][-1]['medial_tilt_deg'], 0)}\u00b0",
    )
