"""What an approach frees, and what that takes, as a command prints it: the verdict first."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from canalwise.workbench.console.output import table
from canalwise.workbench.style.phrases import amount, number, percent

Json = Mapping[str, Any]

YES = {True: "yes", False: "NO"}


def verdict_lines(document: Json) -> list[str]:
    """The verdict's sentence; nothing where there is none.

    >>> verdict_lines({"verdict": {"sentence": "Frees 62 % on the far side; all limits kept"}})
    ['Frees 62 % on the far side; all limits kept.']
    >>> verdict_lines({})
    []
    """
    verdict = document.get("verdict")
    return [f"{verdict['sentence']}."] if verdict else []


def freed_tables(document: Json) -> list[object]:
    """Tables of what is freed, of the bone that goes for it, and of the steps; none where nothing is known."""
    if not document.get("freed") or not document.get("resection"):
        return []
    return [
        table(("freed", "ipsilateral", "contralateral", "all"), freed_rows(document["freed"]), right=(1, 2, 3)),
        table(("free area", "before", "needed", "after"), area_rows(document["freed"]), right=(1, 2, 3)),
        table(("bone for it", "taken", "of the structure"), bone_rows(document["resection"]), right=(1, 2)),
        table(("step", "bone", "area gained"), step_rows(document["resection"]), right=(1, 2)),
    ]


def freed_rows(freed: Json) -> list[tuple[str, str, str, str]]:
    """Shares, roots and insertions.

    >>> sides = {"ipsilateral": 6.5, "contralateral": None}
    >>> whole = {"ipsilateral": 0.9, "contralateral": 0.5, "share": 0.7, "root_room_mm": sides}
    >>> freed_rows(whole | {"insertions": {"cranial": True, "caudal": False}})[1]
    ('room for the root', '6.5 mm', 'not known', '')
    """
    room = freed["root_room_mm"]
    released = ", ".join(f"{end} {YES[done]}" for end, done in freed["insertions"].items())
    return [
        (
            "share of what presses",
            percent(freed["ipsilateral"]),
            percent(freed["contralateral"]),
            percent(freed["share"]),
        ),
        ("room for the root", amount(room["ipsilateral"], "mm"), amount(room["contralateral"], "mm"), ""),
        ("ligament's insertions released", "", "", released),
    ]


def area_rows(freed: Json) -> list[tuple[str, str, str, str]]:
    """Free canal where it is least and at the disc.

    >>> area = {"before": 127.4, "needed": 200.0, "after": 190.0}
    >>> area_rows({"least_area_mm2": area, "at_disc_area_mm2": area})[0]
    ('least, mm2', '127', '200', '190')
    """
    rows = (("least, mm2", freed["least_area_mm2"]), ("at the disc, mm2", freed["at_disc_area_mm2"]))
    return [(name, number(a["before"], 0), number(a["needed"], 0), number(a["after"], 0)) for name, a in rows]


def bone_rows(resection: Json) -> list[tuple[str, str, str]]:
    """Bone by structure, those that lose any, and what stays of the weak places."""
    bone, share = resection["bone_removed_mm3"], resection["share_of_structure"]
    rows = [("all", amount(bone["total"], "mm3", 0), "")]
    rows += [
        (name, amount(mm3, "mm3", 0), percent(share[name])) for name, mm3 in bone["by_structure"].items() if mm3 >= 1
    ]
    for relation, kept in resection["facet_preserved"].items():
        if kept is not None:
            rows.append(
                (f"{relation} facet kept: surface, volume", percent(kept["area_frac"]), percent(kept["volume_frac"]))
            )
    base = resection["spinous_base"]
    return [*rows, ("least bridge of the spinous base", amount(base["bridge_mm"], "mm"), "")]


def step_rows(resection: Json) -> list[tuple[str, str, str]]:
    """The steps in order.

    >>> step_rows({"steps": [{"name": "ligament", "bone_mm3": 0.0, "area_gained_mm2": 60.0}]})
    [('ligament', '0 mm³', '60 mm²')]
    """
    return [
        (s["name"], amount(s["bone_mm3"], "mm3", 0), amount(s["area_gained_mm2"], "mm2", 0)) for s in resection["steps"]
    ]
