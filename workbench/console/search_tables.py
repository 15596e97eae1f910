"""What a search found, as the tables and lines a command prints for people."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from canalwise.recon.disclaimer import CAUTION
from canalwise.workbench.console.output import table
from canalwise.workbench.style.phrases import number, percent, with_interval

Json = Mapping[str, Any]

PICKS = {"best": "least bone", "robust": "likeliest as executed", "runner_up": "next best"}


def search_lines(document: Json) -> list[object]:
    """The picks side by side, the approaches that none beats, the reason, and the caution."""
    stopped = [f"Stopped early: the best of the first {document['evaluated']} approaches."]
    picks = [(words, document[key]) for key, words in PICKS.items() if document[key]]
    columns = ("", *(words for words, _ in picks))
    pareto = table(
        ("freed", "bone, mm3", "least facet kept", "side", "docked, mm", "enough"),
        [pareto_row(row) for row in document["pareto"]],
        right=(0, 1, 2, 4),
        title="Plans within the limits of which none frees more for less bone",
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
    rows = [access_row(row) for row in document["rows"]]
    stopped = ["Stopped early: the best of what was looked at until then."] if document["stopped"] else []
    made = table(ACCESS_COLUMNS, rows, title=f"Level {document['level']}", right=tuple(range(1, len(ACCESS_COLUMNS))))
    bone = table(
        ("bone by structure, mm3", *(row["name"] for row in document["rows"])),
        structure_rows(document["rows"]),
        right=tuple(range(1, len(document["rows"]) + 1)),
    )
    freed = freed_sentences([(row["name"], row) for row in document["rows"]])
    return [*stopped, *freed, made, bone, document["conclusion"], CAUTION]


ACCESS_COLUMNS = (
    "access", "freed left", "freed right", "least area before, needed, after, mm2", "bone, mm3", "left facet",
    "right facet", "bridge, mm", "chance as executed",
)  # fmt: skip


def structure_rows(rows: Sequence[Json]) -> list[tuple[str, ...]]:
    """Bone by structure, one column an access; structures that lose nothing anywhere are left out.

    >>> structure_rows([{"bone_by_structure_mm3": {"upper lamina left": 80.4, "other": 0.0}}])
    [('upper lamina left', '80')]
    """
    names = list(dict.fromkeys(name for row in rows for name in row["bone_by_structure_mm3"]))
    bone = {name: [row["bone_by_structure_mm3"].get(name, 0.0) for row in rows] for name in names}
    return [(name, *(number(mm3, 0) for mm3 in taken)) for name, taken in bone.items() if max(taken) >= 1]


def access_row(row: Json) -> tuple[str, ...]:
    """One access on its best plan, as text."""
    return (
        row["name"],
        percent(row["freed"]["left"]),
        percent(row["freed"]["right"]),
        areas_words(row["freed"]["least_area_mm2"]),
        with_interval(number(row["bone_removed_mm3"], 0), row["interval95"]),
        percent(row["facet_left_frac"]),
        percent(row["facet_right_frac"]),
        number(row["spinous_bridge_mm"]),
        "" if row["as_executed"] is None else percent(row["as_executed"]["both"]),
    )


def areas_words(areas: Json) -> str:
    """Free canal before, needed and after.

    >>> areas_words({"before": 127.4, "needed": 200.0, "after": 190.2})
    '127, 200, 190'
    """
    return ", ".join(number(areas[name], 0) for name in ("before", "needed", "after"))


def fact_rows(picks: list[Json]) -> list[tuple[str, ...]]:
    """One row a fact, one column a pick."""
    facts = [pick_facts(pick) for pick in picks]
    return [(name, *(column[name] for column in facts)) for name in facts[0]]


def pick_facts(pick: Json) -> dict[str, str]:
    """Name of a fact -> it in words."""
    plan, freed, entry = pick["approach"], pick["freed"], pick["skin_entry"]
    return {
        "freed ipsilateral, contralateral": f"{percent(freed['ipsilateral'])}, {percent(freed['contralateral'])}",
        "least area before, needed, after": f"{areas_words(freed['least_area_mm2'])} mm2",
        "bone that must go": _bone(pick["bone_removed_mm3"]["resection"]),
        "facet kept ipsi, contra": " / ".join(percent(share) for share in pick["facet_area_frac"].values()),
        "limits broken": ", ".join(pick["limits_broken"]) or "none",
        "frees enough within limits as executed": percent(pick["as_executed"]["both"]),
        "side, instrument": f"{plan['side']}, {pick['instrument']}",
        "entry lateral, cranial": f"{number(entry['lateral_mm'])} mm, {number(entry['cranial_mm'])} mm ({entry['at']})",
        "pivot to docking point": f"{number(plan['pivot_distance_mm'])} mm",
        "tilts medial, cranial": " then ".join(_tilts(phase) for phase in plan["phases"]),
        "at the end of its bound": ", ".join(words_of_bound(name) for name in pick["at_bounds"]) or "nothing",
    }


def words_of_bound(name: str) -> str:
    """The name of a bound in words.

    >>> words_of_bound("medial_tilt_deg")
    'medial tilt'
    """
    return name.rpartition("_")[0].replace("_", " ")


def _tilts(phase: Json) -> str:
    return f"{number(phase['medial_tilt_deg'])}\u00b0, {number(phase['cranial_tilt_deg'])}\u00b0"


def _bone(reported: Json) -> str:
    return with_interval(f"{number(reported['total'], 0)} mm3", reported["interval95"])


def pareto_row(row: Json) -> tuple[str, ...]:
    """One approach of the Pareto set, as text.

    >>> approach = {"side": "left", "docking_point_mm": [8.0, 12.0, 0.0]}
    >>> row = {"approach": approach, "freed_frac": 0.93, "bone_removed_mm3": 700.0, "least_facet_kept_frac": 0.8}
    >>> pareto_row(row | {"freed": True})
    ('93 %', '700', '80 %', 'left', '8.0', 'yes')
    """
    plan = row["approach"]
    return (
        percent(row["freed_frac"]),
        number(row["bone_removed_mm3"], 0),
        "not known" if (kept := row["least_facet_kept_frac"]) is None else percent(kept),
        plan["side"],
        number(abs(plan["docking_point_mm"][0])),
        "yes" if row["freed"] else "NO",
    )
