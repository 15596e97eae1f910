"""What an approach frees, and what that takes, as a command prints it: the verdict first."""

from __future__ import annotations

from collections.abc import Mapping
from math import ceil, floor
from typing import Any

from canalwise.workbench.console.output import table
from canalwise.workbench.style.phrases import amount, number, percent, with_interval

Json = Mapping[str, Any]

YES = {True: "yes", False: "NO"}

MET = {True: "kept", False: "BREACHED", None: "not measured"}
"""How a limit stands, in words."""


def verdict_lines(document: Json) -> list[str]:
    """The verdict's sentence, failure first, and the chances; nothing where there is none.

    >>> document = {"verdict": {"freed": False, "sentence": "Frees 62 % on the contralateral side"}}
    >>> verdict_lines(document | {"chances": {"freed": 0.1, "kept": 1.0, "both": 0.1, "executions": 40}})[0]
    'NOT FREED. Frees 62 % on the contralateral side.'
    >>> verdict_lines({})
    []
    """
    verdict = document.get("verdict")
    if not verdict:
        return []
    head = "" if verdict.get("freed", True) else "NOT FREED. "
    return [f"{head}{verdict['sentence']}.", *execution_chances(document)]


def execution_chances(document: Json) -> list[str]:
    """Chances that a plan frees enough and keeps its limits as executed; nothing where not reported.

    >>> line, = execution_chances({"chances": {"freed": 0.25, "kept": 1.0, "both": 0.25, "executions": 40}})
    >>> line.partition(" (")[2]
    'frees enough 25 %, keeps every limit > 97 %; 40 executions).'
    """
    chances = document.get("chances")
    if not chances or chances.get("freed") is None:
        return []
    both, freed, kept = (chance_words(chances[name], chances["executions"]) for name in ("both", "freed", "kept"))
    return [
        f"Chance that it frees enough and keeps every limit: {both} (frees enough {freed}, keeps every limit {kept}; "
        f"{chances['executions']} executions)."
    ]


def chance_words(chance: float | None, samples: int = 1000) -> str:
    """A probability for people; certainty is never claimed from samples.

    >>> chance_words(0.974), chance_words(1.0), chance_words(0.0), chance_words(None)
    ('97 %', '> 99 %', '< 1 %', 'withheld')
    >>> chance_words(1.0, 40), chance_words(0.0, 40)
    ('> 97 %', '< 3 %')
    """
    if chance is None:
        return "withheld"
    sure = min(LEAST_SURE, 1 - 1 / (samples + 1))
    if chance > sure:
        return f"> {floor(100 * sure + ROUNDING)} %"
    return f"< {ceil(100 * (1 - sure) - ROUNDING)} %" if chance < 1 - sure else percent(chance)


LEAST_SURE = 0.99
"""Beyond this a chance is reported as more than this; from N samples none is surer than 1 - 1 / (N + 1)."""

UNLIKELY_FRAC, UNLIKELY = 0.5, "UNLIKELY TO BE FREED AND KEPT"
"""A plan that frees and keeps as drawn, but in fewer than this share of its simulated executions, and what is said of
it first: a surgeon carries out no plan to the line (choice)."""

ROUNDING = 1e-9
"""Of a sum of fractions."""


def freed_tables(document: Json) -> list[object]:
    """Tables of what is freed, of the bone that goes for it, its limits, and the steps; none where nothing is known."""
    if not document.get("freed") or not document.get("resection"):
        return []
    freed, resection, right = document["freed"], document["resection"], (1, 2, 3)
    executions = (document.get("chances") or {}).get("executions", 0)
    return [
        table(("freed (95 % interval)", "ipsilateral", "contralateral", "all"), freed_rows(freed), right=right),
        table(("free area", "before", "needed", "after"), area_rows(freed), right=right),
        table(("bone for it", "taken", "of the structure"), bone_rows(resection), right=(1, 2)),
        table(
            ("limit of the resection", "value", "limit", "", "chance kept"),
            limit_rows(resection, executions),
            right=(1, 2, 4),
        ),
        table(("step", "bone", "area gained"), step_rows(resection), right=(1, 2)),
    ]


def limit_rows(resection: Json, executions: int) -> list[tuple[str, str, str, str, str]]:
    """The resection's limits, with the chance that executions keep each.

    >>> limit = {"name": "pars", "value": 4.2, "limit": 5.0, "unit": "mm", "met": False, "chance": 0.3}
    >>> limit_rows({"limits": [limit]}, 40)
    [('pars', '4.2 mm', '5.0 mm', 'BREACHED', '30 %')]
    """
    return [
        (
            check["name"], amount(check["value"], check["unit"]), amount(check["limit"], check["unit"]),
            MET[check["met"]], chance_words(check.get("chance"), executions),
        )
        for check in resection["limits"]
    ]  # fmt: skip


def freed_rows(freed: Json) -> list[tuple[str, str, str, str]]:
    """Shares, roots and insertions.

    >>> sides = {"ipsilateral": 6.5, "contralateral": None}
    >>> whole = {"ipsilateral": 0.9, "contralateral": 0.5, "share": 0.7, "root_room_mm": sides}
    >>> freed_rows(whole | {"insertions": {"cranial": True, "caudal": False}})[1]
    ('room for the root', '6.5 mm', 'not known', '')
    """
    room, ends = freed["root_room_mm"], freed.get("interval95") or {}
    of_room = ends.get("root_room_mm") or {}
    released = ", ".join(f"{end} {YES[done]}" for end, done in freed["insertions"].items())
    near, far, whole = (
        with_interval(percent(freed[name]), ends.get(name), scale=100)
        for name in ("ipsilateral", "contralateral", "share")
    )
    near_room, far_room = (
        with_interval(amount(room[name], "mm"), of_room.get(name), 1) for name in ("ipsilateral", "contralateral")
    )
    return [
        ("share of what presses", near, far, whole),
        ("room for the root", near_room, far_room, ""),
        ("ligament's insertions released", "", "", released),
    ]


def area_rows(freed: Json) -> list[tuple[str, str, str, str]]:
    """Free canal where it is least and at the disc.

    >>> area = {"before": 127.4, "needed": 200.0, "after": 190.0}
    >>> area_rows({"least_area_mm2": area, "at_disc_area_mm2": area})[0]
    ('least, mm2', '127', '200', '190')
    """
    ends = freed.get("interval95") or {}
    rows = (
        ("least, mm2", freed["least_area_mm2"], ends.get("least_area_after_mm2")),
        ("at the disc, mm2", freed["at_disc_area_mm2"], ends.get("at_disc_area_after_mm2")),
    )
    return [
        (name, number(a["before"], 0), number(a["needed"], 0), with_interval(number(a["after"], 0), after))
        for name, a, after in rows
    ]


def bone_rows(resection: Json) -> list[tuple[str, str, str]]:
    """Bone by structure, those that lose any, and what stays of the weak places."""
    bone, share = resection["bone_removed_mm3"], resection["share_of_structure"]
    of_bone, of_share = bone.get("by_structure_interval95") or {}, resection.get("share_of_structure_interval95") or {}
    rows = [("all", with_interval(amount(bone["total"], "mm3", 0), bone.get("interval95")), "")]
    rows += [
        (
            name,
            with_interval(amount(mm3, "mm3", 0), of_bone.get(name)),
            with_interval(percent(share[name]), of_share.get(name), scale=100),
        )
        for name, mm3 in bone["by_structure"].items()
        if mm3 >= 1
    ]
    for relation, kept in resection["facet_preserved"].items():
        if kept is None:
            rows.append((f"{relation} facet kept", "not resolved", ""))
            continue
        for words, key, ends in FACET_WORDS:
            rows.append(
                (f"{relation} facet kept, {words}", "", with_interval(percent(kept[key]), kept.get(ends), scale=100))
            )
    base = resection["spinous_base"]
    bridge = with_interval(amount(base["bridge_mm"], "mm"), base.get("bridge_interval95"), 1)
    return [*rows, ("least bridge of the spinous base", bridge, "")]


FACET_WORDS = (
    ("surface", "area_frac", "interval95"),
    ("width", "width_frac", "width_interval95"),
    ("volume", "volume_frac", "volume_interval95"),
)
"""The three measures of a joint that stays: in words, key of its share, key of its interval."""


def step_rows(resection: Json) -> list[tuple[str, str, str]]:
    """The steps in order.

    >>> step_rows({"steps": [{"name": "ligament", "bone_mm3": 0.0, "area_gained_mm2": 60.0}]})
    [('ligament', '0 mm³', '60 mm²')]
    """
    return [
        (s["name"], amount(s["bone_mm3"], "mm3", 0), amount(s["area_gained_mm2"], "mm2", 0)) for s in resection["steps"]
    ]
