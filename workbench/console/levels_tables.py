"""A plan of several levels as the tables and lines a command prints: the verdict first."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from canalwise.workbench.console.output import table
from canalwise.workbench.style.phrases import amount, joined, number, percent

Json = Mapping[str, Any]


def levels_lines(document: Json) -> list[object]:
    """The verdict, sides compared, each level, each vertebra, bridges, order, entries, and the caution."""
    chosen = document["chosen"]
    lines: list[object] = [f"{chosen[0].upper()}{chosen[1:]}: {document['verdict']['sentence']}."]
    if len(document["patterns"]) > 1:
        columns = ("sides", "bone, mm3", "not freed", "limits broken", "least bridge of lamina")
        lines.append(table(columns, [pattern_row(one) for one in document["patterns"]], right=(1,)))
    lines += [
        table(
            ("level", "side", "freed", "free area before, needed, after", "bone", "facet kept left, right", "broken"),
            [level_row(one) for one in document["each_level"]],
            title="Each level, limits held against what all levels take",
            right=(2, 4),
        ),
        table(
            ("vertebra", "taken by", "bone", "taken by both", "most from"),
            [vertebra_row(one) for one in document["vertebrae"]],
            right=(2, 3),
        ),
        *bridge_lines(document["bridges"]),
        f"Order: {joined(document['order']['levels'])}; {document['order']['because']}.",
        *(pair["sentence"] for pair in document["shared_entries"]),
        document["caution"],
    ]
    return lines


def pattern_row(pattern: Json) -> tuple[str, ...]:
    """One pattern of sides.

    >>> pattern = {"name": "all left", "bone_removed_mm3": {"together": 1500.0}, "levels_not_freed": ["L4-L5"],
    ...            "limits_broken": [], "least_lamina_bridge_mm": 6.0}
    >>> pattern_row(pattern)
    ('all left', '1500', 'L4-L5', 'none', '6.0 mm')
    """
    return (
        pattern["name"],
        number(pattern["bone_removed_mm3"]["together"], 0),
        ", ".join(pattern["levels_not_freed"]) or "none",
        str(len(pattern["limits_broken"])) if pattern["limits_broken"] else "none",
        amount(pattern["least_lamina_bridge_mm"], "mm"),
    )


def level_row(level: Json) -> tuple[str, ...]:
    """One level in the chosen pattern."""
    area = level["least_area_mm2"]
    kept = level["facet_area_kept_frac"]
    broken = [check["name"] for check in level["limits"] if check["met"] is False]
    return (
        level["level"],
        level["side"],
        percent(level["freed_frac"]),
        ", ".join(number(area[name], 0) for name in ("before", "needed", "after")) + " mm\u00b2",
        amount(level["bone_removed_mm3"], "mm3", 0),
        ", ".join(percent(kept.get(side)) for side in ("left", "right")),
        ", ".join(broken) or "none",
    )


def vertebra_row(loss: Json) -> tuple[str, ...]:
    """What one vertebra loses.

    >>> one = {"vertebra": "L4", "levels": ["L3-L4", "L4-L5"], "taken_mm3": 900.0, "taken_by_both_mm3": 12.0}
    >>> vertebra_row(one | {"by_part_mm3": {"lamina left": 700.0, "pars left": 200.0}})
    ('L4', 'L3-L4, L4-L5', '900 mm³', '12 mm³', 'lamina left 700, pars left 200')
    """
    parts = sorted(loss["by_part_mm3"].items(), key=lambda one: -one[1])[:2]
    return (
        loss["vertebra"],
        ", ".join(loss["levels"]) or "none",
        amount(loss["taken_mm3"], "mm3", 0),
        amount(loss["taken_by_both_mm3"], "mm3", 0),
        ", ".join(f"{name} {number(mm3, 0)}" for name, mm3 in parts),
    )


def bridge_lines(bridges: list[Json]) -> list[str]:
    """A sentence for each lamina between two windows.

    >>> limit = {"met": False, "limit": 5.0, "evidence": "PRACTICE"}
    >>> bridge_lines([{"vertebra": "L4", "side": "left", "bridge_mm": 3.0, "before_mm": 20.0, "limit": limit}])
    ['L4, left lamina: 3.0 mm of 20.0 mm stay between the windows, BREACHED (limit 5.0 mm, evidence PRACTICE).']
    """
    return [
        f"{one['vertebra']}, {one['side']} lamina: {amount(one['bridge_mm'], 'mm')} of "
        f"{amount(one['before_mm'], 'mm')} stay between the windows, {'kept' if one['limit']['met'] else 'BREACHED'} "
        f"(limit {amount(one['limit']['limit'], 'mm')}, evidence {one['limit']['evidence']})."
        for one in bridges
    ]
