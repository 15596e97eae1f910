"""The report's text and tables: plain rows made from an approach and its estimate."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from estimator.approach import other_side
from estimator.clock import docking_clock
from recon.anatomy import Level
from recon.severity import SCALES
from workbench.charts import NOT_TOLD
from workbench.planned import Planned
from workbench.results import breaches
from workbench.tables import MET, compared_row
from workbench.wording import (
    amount,
    clock_words,
    cranial_tilt_words,
    cranial_words,
    interval,
    joined,
    lateral_words,
    limit_words,
    medial_tilt_words,
    number,
    offset_words,
    percent,
)

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

MID_PLANE = "the disc's mid-plane"


def glance(estimate: Json) -> list[tuple[str, str, str]]:
    """(what, value, remark): the numbers a surgeon looks at first."""
    task, cone, kept = (
        estimate["task"]["bone_removed_mm3"],
        estimate["cone"]["bone_removed_mm3"],
        estimate["facet_preserved"],
    )
    areas = estimate["decompression"]["canal_area_mm2"]
    tiles = [
        (
            "Bone that must go",
            f"{number(task['total'] / 1000)} cm\u00b3",
            f"whole sweep: up to {number(cone['total'] / 1000)} cm\u00b3",
        )
    ]
    for relation in ("ipsilateral", "contralateral"):
        joint = kept.get(relation) or {}
        tiles.append(
            (
                f"{relation.capitalize()} joint kept",
                percent(joint.get("area_frac")),
                f"of its surface, whole sweep; width {percent(joint.get('width_frac'))}",
            )
        )
    tiles.append(("Reach past the midline", *_reach_tile(estimate["contralateral_reach"])))
    tiles.append(
        (
            "Free canal, disc level",
            f"{number(areas['before'], 0)} \u2192 {number(areas['after'], 0)} mm\u00b2",
            "after: an upper bound",
        )
    )
    return tiles


def _reach_tile(reach: Json | None) -> tuple[str, str]:
    if reach is None:
        return "not known", "no targets in view on the far side"
    ends = interval(reach.get("interval95"), 1)
    return f"{number(reach['lateral_mm'])} mm", (f"95 %: {ends} mm; " if ends else "") + limit_words(
        reach["limited_by"]
    )


def limits_sentence(estimate: Json) -> str:
    """One sentence on the limits, for the head of the page.

    >>> limits_sentence({"verdicts": [{"name": "pars width left", "met": False}]})
    'Limits BREACHED by the whole sweep: pars width left.'
    """
    broken, unknown = breaches(estimate), [v["name"] for v in estimate["verdicts"] if v["met"] is None]
    said = (
        f"Limits BREACHED by the whole sweep: {joined(broken)}."
        if broken
        else "The whole sweep keeps every limit that could be measured."
    )
    return said + (f" Not measured: {joined(unknown)}." if unknown else "")


def plan_facts(planned: Planned, estimate: Json) -> Facts:
    """What is carried to theatre, each with its reference."""
    approach, entry, channel = planned.approach, estimate["skin_entry"], planned.approach.channel
    where = "Skin entry" if entry["at"] == "skin" else "Entry at the pivot (no skin in view)"
    landmark = f"the lower edge of the {planned.level.upper} lamina, {approach.side}"
    x, _, z = approach.docking_point_mm
    toward_side = x if approach.side == "left" else -x
    return [
        (where, f"{lateral_words(entry['lateral_mm'], approach.side)}, {cranial_words(entry['cranial_mm'], landmark)}"),
        ("Depth", f"{number(entry['depth_mm'], 0)} mm from there to the docking point, along the channel"),
        (
            "Docking point",
            f"{lateral_words(toward_side, approach.side)}, {cranial_words(z, MID_PLANE)}{_from_window(planned)}",
        ),
        (
            "Pivot",
            f"{number(approach.pivot_distance_mm, 0)} mm from the docking point; skin and fascia hold it there",
        ),
        (
            "Instrument",
            f"sleeve {number(channel.sleeve_diameter_mm)} mm, scope {number(channel.scope_diameter_mm)} mm, tool "
            f"{number(channel.tool_diameter_mm)} mm (outer diameters), lens {number(channel.lens_angle_deg, 0)}\u00b0",
        ),
        ("Round the docking point", _clock(planned)),
    ]


def _from_window(planned: Planned) -> str:
    window = planned.level.windows.get(planned.approach.side)
    if window is None:
        return ""
    offset = np.array(planned.approach.docking_point_mm) - planned.level.frame.to_level_mm(window.centre_ras_mm)
    return f"; {offset_words(offset.tolist(), planned.approach.side)} of the window's centre"


def _clock(planned: Planned) -> str:
    if planned.approach.side not in planned.level.windows:
        return "no window in view on this side"
    first = planned.approach.phases[0]
    hours = docking_clock(planned.level, planned.approach.side, (first.medial_tilt_deg, first.cranial_tilt_deg))
    marks = [f"{name} at {clock_words(hour)}" for name, hour in hours.items() if name != "window centre"]
    return f"{joined(marks)} (seen down the channel; 12 o'clock points across the patient, away from the surgeon)"


def phase_rows(planned: Planned) -> list[tuple[str, ...]]:
    """(phase, medial tilt, cranial tilt, sweep, sleeve, tip) of each phase, in words."""
    return [
        (
            p.name,
            medial_tilt_words(p),
            cranial_tilt_words(p),
            f"\u00b1{number(p.sweep_half_angle_deg)}\u00b0",
            f"{number(p.sleeve_past_lamina_mm)} mm",
            f"{number(p.tip_past_lamina_mm)} mm",
        )
        for p in planned.approach.phases
    ]


def level_rows(level: Level) -> list[tuple[str, str, str, str, str]]:
    """(quantity, value with unit, structure and slice, severity, number of its note) of each measurement."""
    notes = level_notes(level)
    return [
        (
            m.name,
            amount(m.value, m.unit),
            f"{m.structure}, {m.at}",
            m.band or NOT_TOLD,
            str(notes.index(m.source) + 1) if m.source else "",
        )
        for m in level.measurements
    ]


def findings(level: Level) -> list[str]:
    """The measurements that fall into a band worse than normal, one phrase each.

    >>> from recon.anatomy import Frame, Measurement
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
    """Where values and bands come from, each said once, in the order of first use."""
    return list(dict.fromkeys(m.source for m in level.measurements if m.source))


def bone_rows(estimate: Json) -> list[tuple[str, str, str, str]]:
    """(structure, task mm3, share of the structure, cone mm3), the ones that lose anything."""
    task, cone = estimate["task"], estimate["cone"]
    least, most = task["bone_removed_mm3"]["by_structure"], cone["bone_removed_mm3"]["by_structure"]
    named = [name for name in least if max(least[name], most[name]) > 0]
    rows = [
        (name, number(least[name], 0), percent(task["removed_frac"][name]), number(most[name], 0)) for name in named
    ]
    grams = task["bone_removed_g"]
    total = f"total (about {number(grams['low'])}\u2013{number(grams['high'])} g)"
    return [
        *rows,
        (total, number(task["bone_removed_mm3"]["total"], 0), "", number(cone["bone_removed_mm3"]["total"], 0)),
    ]


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


def reach_facts(planned: Planned, estimate: Json) -> Facts:
    """What stops the reach and how near the sac comes, per side."""
    facts = []
    for relation, side in (
        ("contralateral", other_side(planned.approach.side)),
        ("ipsilateral", planned.approach.side),
    ):
        if reach := estimate[f"{relation}_reach"]:
            nearest = amount(reach["clearance_mm"], "mm")
            facts.append(
                (
                    f"{relation.capitalize()} ({side})",
                    f"{number(reach['lateral_mm'])} mm from the midline at disc level, "
                    f"{limit_words(reach['limited_by'])}; least clearance to the sac {nearest}",
                )
            )
    return facts


def freed_facts(estimate: Json) -> Facts:
    """What the decompression frees."""
    freed = estimate["decompression"]
    areas, shares = freed["canal_area_mm2"], freed["coverage_frac"]
    return [
        (
            "Free canal area at disc level",
            f"{number(areas['before'], 0)} mm\u00b2 before, {number(areas['after'], 0)} mm\u00b2 after (inside bone, "
            "less ligament and calcified tissue; the sac is taken to fill what is freed: an upper bound)",
        ),
        (
            "Pressing ligament and bone taken",
            f"ipsilateral {percent(shares['ipsilateral'])}, contralateral {percent(shares['contralateral'])}",
        ),
    ]


def weak_place_facts(estimate: Json) -> Facts:
    """Pars and spinous base after the whole sweep.

    >>> pars = {"ipsilateral": 6.2, "contralateral": None}
    >>> weak_place_facts({"pars_residual_mm": pars, "spinous_base": {"undercut_frac": 0.2, "bridge_mm": 7.0}})[0][1]
    'ipsilateral 6.2 mm, contralateral not known'
    """
    pars, base = estimate["pars_residual_mm"], estimate["spinous_base"]
    return [
        (
            "Pars, least width left",
            f"ipsilateral {amount(pars['ipsilateral'], 'mm')}, contralateral {amount(pars['contralateral'], 'mm')}",
        ),
        (
            "Spinous base",
            f"undercut {percent(base['undercut_frac'])}; bony bridge left {amount(base['bridge_mm'], 'mm')}",
        ),
    ]


def limit_rows(estimate: Json) -> list[tuple[str, ...]]:
    """(limit, value, limit with unit, how it stands, source, evidence) of each verdict."""
    return [
        (
            v["name"],
            amount(v["value"], v["unit"]),
            amount(v["limit"], v["unit"]),
            MET[v["met"]],
            v["source"],
            v["evidence"],
        )
        for v in estimate["verdicts"]
    ]


def compared_rows(comparison: Json) -> list[tuple[str, ...]]:
    """One row of text per way in."""
    return [compared_row(row) for row in comparison["rows"]]


def has_intervals(estimate: Json) -> bool:
    """Does the estimate carry error bars on its headline numbers?"""
    return bool(estimate["task"]["bone_removed_mm3"].get("interval95"))
