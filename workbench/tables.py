"""Results as the tables and lines a command prints for people."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from recon.caution import CAUTION
from workbench.voice import table
from workbench.wording import amount, limit_words, number, percent

Json = Mapping[str, Any]

MET = {True: "kept", False: "BREACHED", None: "not measured"}
"""How a limit stands, in words."""


def measured_lines(document: Json) -> list[object]:
    """A table per level, and the caution."""
    columns = ("quantity", "value", "structure", "at", "severity")
    lines: list[object] = []
    for level in document["levels"]:
        rows = [
            (m["name"], amount(m["value"], m["unit"]), m["structure"], m["at"], m["band"])
            for m in level["measurements"]
        ]
        lines.append(table(columns, rows, title=f"Level {level['level']}", right=(1,)))
    return [*lines, CAUTION]


def estimate_lines(document: Json) -> list[object]:
    """The headline numbers of one approach, its limits, and the caution."""
    facts = table(
        ("quantity", "task", "cone (whole sweep)"),
        headline_rows(document),
        right=(1, 2),
        title=f"{document['level']}, {document['side']} side",
    )
    limits = table(("limit", "value", "limit", ""), [verdict_row(v) for v in document["verdicts"]], right=(1, 2))
    return [facts, limits, reach_line(document), CAUTION]


def headline_rows(document: Json) -> list[tuple[str, str, str]]:
    """(quantity, task, cone) of bone and joints."""
    task, cone = document["task"], document["cone"]
    least, most = (number(removal["bone_removed_mm3"]["total"], 0) for removal in (task, cone))
    rows = [("bone removed, mm3", least, most)]
    kept = (task.get("facet_preserved") or {}, document["facet_preserved"])
    for relation in ("ipsilateral", "contralateral"):
        for key, words in (("area_frac", "surface"), ("width_frac", "width")):
            shares = [percent((facets.get(relation) or {}).get(key)) for facets in kept]
            rows.append((f"{relation} facet {words} kept", shares[0], shares[1]))
    return rows


def verdict_row(verdict: Json) -> tuple[str, str, str, str]:
    """One limit: its name, the value found, the limit, and how it stands.

    >>> verdict_row({"name": "pars width left", "value": 4.2, "limit": 5.0, "unit": "mm", "met": False})
    ('pars width left', '4.2 mm', '5.0 mm', 'BREACHED')
    """
    value, limit = (amount(verdict[key], verdict["unit"]) for key in ("value", "limit"))
    return verdict["name"], value, limit, MET[verdict["met"]]


def reach_line(document: Json) -> str:
    """The contralateral reach in one sentence.

    >>> reach_line({"contralateral_reach": {"lateral_mm": 8.7, "limited_by": "sac"}})
    'Contralateral reach: 8.7 mm past the midline at disc level, limited by the sac.'
    """
    reach = document["contralateral_reach"]
    if reach is None:
        return "Contralateral reach: not known, no targets in view."
    told = amount(reach["lateral_mm"], "mm")
    return f"Contralateral reach: {told} past the midline at disc level, {limit_words(reach['limited_by'])}."


def compared_lines(document: Json) -> list[object]:
    """The ways in side by side, and the caution."""
    columns = (
        "way in",
        "bone removed, mm3",
        "left facet kept",
        "right facet kept",
        "canal after, mm2",
        "targets reached",
    )
    return [
        table(
            columns,
            [compared_row(row) for row in document["rows"]],
            title=f"Level {document['level']}",
            right=(1, 2, 3, 4, 5),
        ),
        CAUTION,
    ]


def compared_row(row: Json) -> tuple[str, ...]:
    """One way in, as text."""
    return (
        row["name"],
        number(row["bone_removed_mm3"], 0),
        percent(row["facet_left_frac"]),
        percent(row["facet_right_frac"]),
        number(row["canal_area_after_mm2"], 0),
        "open" if row["reached_frac"] is None else percent(row["reached_frac"]),
    )


def built_lines(document: Json) -> list[object]:
    """The levels found and where each structure comes from."""
    rows = [(name, source) for name, source in document["sources"].items()]
    levels = ", ".join(document["levels"]) or "none"
    return [
        f"Levels in view: {levels}. Confirm these names against the original images.",
        table(("structure", "where it comes from"), rows),
        CAUTION,
    ]
