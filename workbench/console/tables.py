"""Results as the tables and lines a command prints for people."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from canalwise.recon.disclaimer import CAUTION
from canalwise.workbench.console.freed_tables import MET, chance_words, freed_tables, verdict_lines
from canalwise.workbench.console.output import table
from canalwise.workbench.style.phrases import amount, joined, limit_words, number, percent, with_interval

Json = Mapping[str, Any]


def measured_lines(document: Json) -> list[object]:
    """A table per level, and the caution."""
    columns = ("quantity", "value", "structure", "at", "severity")
    sure = [sure_row(level["name"], level["evidence"]) for level in document["levels"]]
    lines: list[object] = [
        *naming_lines(document["naming"]),
        table(("level", "confidence", "", "least sure because"), sure),
        question_table(document["levels"]),
        *(f"Corrected: {sentence}." for sentence in document["corrected"]),
    ]
    lines += proposal_lines(document["proposed_levels"])
    for level in document["levels"]:
        rows = [
            (m["name"], amount(m["value"], m["unit"]), m["structure"], m["at"], m["band"])
            for m in level["measurements"]
        ]
        lines.append(table(columns, rows, title=f"Level {level['name']}", right=(1,)))
    return [*lines, CAUTION]


def proposal_lines(proposal: Json) -> list[object]:
    """Which levels the image speaks for operating on, ranked, and that it is a proposal only."""
    rows = [
        (str(each["rank"]), each["level"], amount(each["sac_area_mm2"], "mm2", 0), "; ".join(each["reasons"]))
        for each in proposal["levels"]
    ]
    if not rows:
        return [proposal["sentence"]]
    ranked = table(("rank", "level", "sac, narrowest", "reasons"), rows, title="Levels by the sac's narrowest area")
    return [ranked, proposal["sentence"], proposal["caution"]]


def estimate_lines(document: Json) -> list[object]:
    """The headline numbers of one approach, its limits, and the caution."""
    facts = table(
        ("quantity (95 % interval)", "task", "cone (whole sweep)"),
        headline_rows(document),
        right=(1, 2),
        title=f"{document['level']}, {document['side']} side",
    )
    limits = table(LIMIT_COLUMNS, [verdict_row(v) for v in document["verdicts"]], right=(1, 2, 4))
    reported = [*chance_line(document), reach_line(document)]
    freed = [*verdict_lines(document), *sure_lines(document), *freed_tables(document)]
    return [*freed, facts, task_table(document), limits, *reported, CAUTION]


def sure_lines(document: Json) -> list[str]:
    """How sure the level is, and what was corrected.

    >>> sure_lines({"level": "L3-L4", "confidence": None})
    []
    """
    if not document.get("confidence"):
        return []
    level, value, marked, because = sure_row(document["level"], document["confidence"])
    return [f"Level {level}: confidence {value}{', ' if marked else ''}{marked} (least sure: {because})."]


def headline_rows(document: Json) -> list[tuple[str, str, str]]:
    """(quantity, task, cone) of bone and joints."""
    task, cone = document["task"], document["cone"]
    least, most = (removal["bone_removed_mm3"] for removal in (task, cone))
    bone = [with_interval(number(reported["total"], 0), reported.get("interval95")) for reported in (least, most)]
    rows = [("bone removed, mm3", bone[0], bone[1])]
    kept = (task.get("facet_preserved") or {}, document["facet_preserved"])
    for relation in ("ipsilateral", "contralateral"):
        for key, words, ends in (("area_frac", "surface", "interval95"), ("width_frac", "width", "width_interval95")):
            joints = [facets.get(relation) or {} for facets in kept]
            shares = [with_interval(percent(reported.get(key)), reported.get(ends), scale=100) for reported in joints]
            rows.append((f"{relation} facet {words} kept", shares[0], shares[1]))
    return rows


def task_table(document: Json) -> object:
    """Share touched of each set of targets of the task, and the chance that it is enough."""
    return table(("requested targets", "touched", "chance of enough"), task_rows(document), right=(1, 2))


def chance_line(document: Json) -> list[str]:
    """Chances that the plan keeps its limits and reaches its targets, in one sentence; nothing when not reported.

    >>> reported = {"all_limits": 0.95, "all_targets": 0.4, "all": 0.38, "wanted": ["roof"], "enough_frac": 0.8}
    >>> chance_line({"chances": reported, "samples": 1000})[0]
    'Chances of the sweep from 1000 samples: all limits kept 95 %; at least 80 % touched of roof 40 %; both 38 %.'
    """
    reported = document.get("chances")
    if not reported or reported["all_limits"] is None:
        return []
    wanted = f"at least {percent(reported['enough_frac'])} touched of {joined(reported['wanted'])}"
    limits, targets, both = (chance_words(reported[name]) for name in ("all_limits", "all_targets", "all"))
    return [
        f"Chances of the sweep from {document['samples']} samples: all limits kept {limits}; {wanted} {targets}; "
        f"both {both}."
    ]


LIMIT_COLUMNS = ("limit of the sweep", "value", "limit", "", "chance kept")
"""Head of the table of verdicts."""


def task_rows(document: Json) -> list[tuple[str, str, str]]:
    """(set of targets, share touched, chance that enough of it is).

    >>> task_rows({"task": {"targets": {"roof": 0.5, "canal wall": None}}, "chances": {"targets": {"roof": 0.25}}})
    [('roof', '50 %', '25 %'), ('canal wall', 'not in view', 'withheld')]
    """
    chances = (document.get("chances") or {"targets": {}})["targets"]
    return [
        (name, "not in view" if share is None else percent(share), chance_words(chances.get(name)))
        for name, share in document["task"]["targets"].items()
    ]


def verdict_row(verdict: Json) -> tuple[str, str, str, str, str]:
    """One limit: its name, the value found, the limit, whether it is kept, and the chance that it is.

    >>> verdict_row({"name": "undercut", "value": 4.2, "limit": 5.0, "unit": "mm", "met": False, "chance": 0.3})
    ('undercut', '4.2 mm', '5.0 mm', 'BREACHED', '30 %')
    """
    value, limit = (amount(verdict[key], verdict["unit"]) for key in ("value", "limit"))
    return verdict["name"], value, limit, stands(verdict), chance_words(verdict.get("chance"))


def stands(verdict: Json) -> str:
    """Whether a limit is kept, in words, with a note where an error within its interval could change that.

    >>> stands({"met": True, "within_error": True}), stands({"met": False})
    ('kept, within error', 'BREACHED')
    """
    return MET[verdict["met"]] + (", within error" if verdict.get("within_error") else "")


def reach_line(document: Json) -> str:
    """The contralateral reach in one sentence.

    >>> reach_line({"contralateral_reach": {"lateral_mm": 8.7, "limited_by": "sac"}})
    'Contralateral reach: 8.7 mm past the midline at disc level, limited by the sac.'
    """
    reach = document["contralateral_reach"]
    if reach is None:
        return "Contralateral reach: not known, no targets in view."
    reported = with_interval(amount(reach["lateral_mm"], "mm"), reach.get("interval95"), 1)
    return f"Contralateral reach: {reported} past the midline at disc level, {limit_words(reach['limited_by'])}."


def built_lines(document: Json) -> list[object]:
    """The levels found and where each structure comes from."""
    rows = [(name, source) for name, source in document["sources"].items()]
    levels = ", ".join(level["name"] for level in document["levels"]) or "none"
    return [
        f"Levels in view: {levels}. {confirm_words(document['naming'])}",
        *naming_lines(document["naming"]),
        table(
            ("level", "confidence", "", "least sure because"),
            [sure_row(level["name"], level["evidence"]) for level in document["levels"]],
        ),
        question_table(document["levels"]),
        table(("structure", "where it comes from"), rows),
        *(f"Corrected: {sentence}." for sentence in document["corrected"]),
        CAUTION,
    ]


def confirm_words(naming: Json | None) -> str:
    """What a person must do about the names.

    >>> confirm_words({"confirmed": False})
    'THESE NAMES ARE NOT CONFIRMED: give them with --levels.'
    """
    if naming is not None and not naming["confirmed"]:
        return "THESE NAMES ARE NOT CONFIRMED: give them with --levels."
    return "Confirm these names against the original images."


def question_table(levels: Sequence[Json]) -> object:
    """The probability that each question's answer is right, a row a level."""
    questions = list(dict.fromkeys(name for level in levels for name in level["confidence"]))
    rows = [(level["name"], *(number(level["confidence"].get(name), 2) for name in questions)) for level in levels]
    return table(("probability that", *questions), rows, right=tuple(range(1, len(questions) + 1)))


def naming_lines(naming: Json | None) -> list[str]:
    """What the level names rest on, in one line.

    >>> naming_lines({"value_frac": 0.65, "because": "counted from the ribs", "transitional": False})
    ['Names: probability 0.65, counted from the ribs.']
    """
    if naming is None:
        return []
    hint = " TRANSITIONAL ANATOMY is possible." if naming["transitional"] else ""
    presumed = f" Names hold {naming['condition']}." if naming.get("condition") else ""
    return [f"Names: probability {naming['value_frac']:.2f}, {naming['because']}.{presumed}{hint}"]


def sure_row(level: str, confidence: Json | None) -> tuple[str, str, str, str]:
    """(level, confidence, CHECK BY EYE or nothing, the reason it is no greater).

    >>> weak = {"about": "joint gap left", "value_frac": 0.2, "because": "no joint was found"}
    >>> sure_row("L3-L4", {"value_frac": 0.2, "check_by_eye": True, "reasons": [weak]})
    ('L3-L4', '0.20', 'CHECK BY EYE', 'no joint was found')
    """
    if confidence is None:
        return level, "not judged", "", ""
    value = confidence["value_frac"]
    # where answers have probabilities the least of these counts, however little single pieces of evidence say
    least = min(confidence["reasons"], key=lambda reason: (reason["value_frac"] != value, reason["value_frac"]))
    marked = "CHECK BY EYE" if confidence["check_by_eye"] else ""
    return level, f"{confidence['value_frac']:.2f}", marked, least["because"]
