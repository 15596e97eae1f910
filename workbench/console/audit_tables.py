"""An audit as the tables and lines a command prints, and the rows that the report shows too."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from canalwise.recon.disclaimer import CAUTION
from canalwise.workbench.console.output import table
from canalwise.workbench.style.phrases import amount, number, percent, with_interval

Json = Mapping[str, Any]
Rows = list[tuple[str, ...]]

MET = {True: "kept", False: "BREACHED", None: "not measured"}
ANSWER = {True: "met", False: "not met", None: "not known"}


def audit_lines(document: Json) -> list[object]:
    """What was taken and left, against the plan, and what to look at."""
    lines: list[object] = [
        f"{document['sentence']}.",
        table(("bone taken", "mm3", "share of it"), taken_rows(document), right=(1, 2), title=title_of(document)),
        table(("kept", "area", "width", "volume"), facet_rows(document), right=(1, 2, 3)),
        table(("limit", "value", "limit", ""), limit_rows(document), right=(1, 2)),
    ]
    if document["against_plan"] is not None:
        lines.append(table(("against the plan", ""), plan_rows(document), right=(1,)))
        lines.append(table(("place to look at", "mm3", "left", "dorsal", "cranial, mm"), place_rows(document),
                           right=(1, 2, 3, 4)))  # fmt: skip
    if document["areas"] is not None:
        names = area_names(document)
        lines.append(table(("free area, mm2", *names), area_rows(document), right=tuple(range(1, len(names) + 1))))
    lines.append(table(("criterion", "value", "limit", ""), criterion_rows(document), right=(1, 2)))
    lines += [*fitted_lines(document), *registration_lines(document)]
    lines += [f"Found: {sentence}" for sentence in document["findings"]]
    lines += [f"Time: {sentence}" for sentence in document["caveats"]]
    return [*lines, CAUTION]


def title_of(document: Json) -> str:
    """Of what level and side.

    >>> title_of({"level": "L3-L4", "side": "left"})
    'L3-L4, from the left'
    """
    return f"{document['level']}, from the {document['side']}"


def taken_rows(document: Json) -> Rows:
    """(structure, mm3, share of it), the whole first, then what lost anything.

    >>> taken = {"total": 820.0, "interval95": [700.0, 950.0], "by_structure": {"upper lamina": 800.0, "other": None},
    ...          "share_of_structure": {"upper lamina": 0.4}, "detection_limit_mm3": 30.0}
    >>> taken_rows({"bone_taken_mm3": taken})[1:]
    [('upper lamina', '800', '40 %'), ('smallest piece that would be found', '30', '')]
    """
    taken = document["bone_taken_mm3"]
    total = with_interval(number(taken["total"], 0), taken["interval95"])
    rows: Rows = [("all (95 % interval)", total, "")]
    shares = taken["share_of_structure"]
    rows += [
        (name, number(mm3, 0), percent(shares[name]))
        for name, mm3 in taken["by_structure"].items()
        if mm3 is not None and mm3 >= 0.5
    ]
    return [*rows, ("smallest piece that would be found", number(taken["detection_limit_mm3"], 0), "")]


def facet_rows(document: Json) -> Rows:
    """(joint, area, width, volume kept).

    >>> facet_rows({"facet_preserved": {"ipsilateral": {"area_frac": 0.8, "width_frac": 0.7, "volume_frac": 0.9}}})
    [('ipsilateral facet', '80 %', '70 %', '90 %')]
    """
    return [
        (f"{relation} facet", *(percent((kept or {}).get(f"{key}_frac")) for key in ("area", "width", "volume")))
        for relation, kept in document["facet_preserved"].items()
    ]


def limit_rows(document: Json) -> Rows:
    """(limit, value, limit, how it stands).

    >>> limit = {"name": "pars", "value": 6.0, "limit": 5.0, "unit": "mm", "met": True}
    >>> limit_rows({"limits": [limit]})
    [('pars', '6.0 mm', '5.0 mm', 'kept')]
    """
    return [
        (each["name"], amount(each["value"], each["unit"]), amount(each["limit"], each["unit"]), MET[each["met"]])
        for each in document["limits"]
    ]


def plan_rows(document: Json) -> Rows:
    """Planned against achieved in five numbers.

    >>> numbers = {"planned_mm3": 900.0, "achieved_mm3": 800.0, "both_mm3": 700.0, "overlap_frac": 0.82,
    ...            "missed_mm3": 200.0, "unplanned_mm3": 100.0}
    >>> plan_rows({"against_plan": numbers})[2]
    ('both', '700 mm³ (overlap 82 %)')
    """
    found = document["against_plan"]
    return [
        ("planned", amount(found["planned_mm3"], "mm3", 0)),
        ("taken", amount(found["achieved_mm3"], "mm3", 0)),
        ("both", f"{amount(found['both_mm3'], 'mm3', 0)} (overlap {percent(found['overlap_frac'])})"),
        ("planned, not taken", amount(found["missed_mm3"], "mm3", 0)),
        ("taken, not planned", amount(found["unplanned_mm3"], "mm3", 0)),
    ]


def place_rows(document: Json) -> Rows:
    """(what and where, mm3, left, dorsal, cranial mm) of the places to look at.

    >>> place = {"structure": "upper lamina", "mm3": 50.0, "at_level_mm": [8.0, 20.0, 3.0]}
    >>> place_rows({"against_plan": {"missed": [place], "unplanned": []}})
    [('not taken: upper lamina', '50', '8', '20', '3')]
    """
    found, rows = document["against_plan"], []
    for key, words in (("missed", "not taken"), ("unplanned", "not planned")):
        for place in found[key]:
            where = (number(mm, 0) for mm in place["at_level_mm"])
            rows.append((f"{words}: {place['structure']}", number(place["mm3"], 0), *where))
    return rows or [("none", "", "", "", "")]


AREA_WORDS = {
    "before": "before",
    "planned": "planned",
    "planned_bone": "planned, bone alone",
    "achieved_bone": "achieved, bone alone",
    "achieved_most": "achieved at most",
    "sac_before": "sac before",
    "sac_after": "sac after",
}


def area_names(document: Json) -> list[str]:
    """Columns of the areas that are known.

    >>> known = dict.fromkeys(AREA_WORDS) | {"before": 80.0, "sac_after": 120.0}
    >>> area_names({"areas": {"least_area_mm2": known}})
    ['before', 'sac after']
    """
    known = document["areas"]["least_area_mm2"]
    return [words for key, words in AREA_WORDS.items() if known[key] is not None]


def area_rows(document: Json) -> Rows:
    """(where, areas): the least, at the disc, and every third station."""
    areas = document["areas"]
    keys = [key for key in AREA_WORDS if areas["least_area_mm2"][key] is not None]
    rows: Rows = [
        (words, *(number(areas[where][key], 0) for key in keys))
        for words, where in (("least", "least_area_mm2"), ("at the disc", "at_disc_area_mm2"))
    ]
    for n, z in enumerate(areas["stations_mm"]):
        if n % 3 == 0:
            rows.append((f"at {number(z)} mm", *(number(areas["area_mm2"][key][n], 0) for key in keys)))
    return rows


def criterion_rows(document: Json) -> Rows:
    """(criterion, value, limit, answer with the reason where there is none).

    >>> criterion_rows({"criteria": []})
    [('areas', '', '', 'not known: sac or ligament are not in view')]
    """
    return [
        (
            each["name"],
            amount(each["value"], each["unit"], 0),
            amount(each["limit"], each["unit"], 0),
            ANSWER[each["met"]] + (f": {each['why']}" if each["why"] else ""),
        )
        for each in document["criteria"]
    ] or [("areas", "", "", "not known: sac or ligament are not in view")]


def fitted_lines(document: Json) -> list[str]:
    """Which approach explains best what was taken, in one sentence.

    >>> fitted_lines({"fitted_approach": None})
    []
    """
    fitted = document["fitted_approach"]
    if fitted is None:
        return []
    moved, share = fitted["against_reference"], fitted["overlap_frac"][fitted["side"]]
    tilts = "; ".join(
        f"{t['phase']} {number(t['medial_tilt_deg'], 0)} deg medial, {number(t['cranial_tilt_deg'], 0)} deg cranial"
        for t in fitted["tilts"]
    )
    against = (
        f"against the {fitted['reference']}: {number(moved['lateral_mm'])} mm lateral, {number(moved['cranial_mm'])} "
        f"mm cranial, {number(moved['deeper_mm'])} mm deeper"
    )
    best = f"Explained best by an approach from the {fitted['side']} (overlap {percent(share)})"
    return [f"{best}; tilts: {tilts}; {against}."]


def registration_lines(document: Json) -> list[str]:
    """How well both scans lie on each other.

    >>> registration_lines({"registration": {"L3": {"residual_mm": 0.2, "correlation": 0.98}}})
    ['Registration residual: L3 0.20 mm (correlation 0.98).']
    """
    each: Sequence[str] = [
        f"{vertebra} {found['residual_mm']:.2f} mm (correlation {found['correlation']:.2f})"
        for vertebra, found in document["registration"].items()
    ]
    return [f"Registration residual: {', '.join(each)}."]
