"""The plan as it is carried to theatre: entry, docking, instrument and tilts, each with its reference."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from canalwise.estimator.planning.canal_entry import canal_entry_of
from canalwise.estimator.planning.clock_positions import docking_clock
from canalwise.workbench.images.planned_case import PlannedCase
from canalwise.workbench.style.phrases import (
    clock_words,
    cranial_tilt_words,
    cranial_words,
    joined,
    lateral_words,
    medial_tilt_words,
    number,
    offset_words,
    shift_words,
)

Json = Mapping[str, Any]
Facts = list[tuple[str, str]]

MID_PLANE = "the disc's mid-plane"


def plan_facts(planned: PlannedCase, estimate: Json) -> Facts:
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


def _from_window(planned: PlannedCase) -> str:
    canal_entry = canal_entry_of(planned.level, planned.approach.side)
    if canal_entry is None:
        return ""
    offset = np.array(planned.approach.docking_point_mm) - canal_entry.centre_mm
    where = "the window's centre" if canal_entry.open else "the middle of the lamina edges: bone closes the window"
    return f"; {offset_words(offset.tolist(), planned.approach.side)} of {where}"


def _clock(planned: PlannedCase) -> str:
    if canal_entry_of(planned.level, planned.approach.side) is None:
        return "neither window nor lamina edges in view on this side"
    first = planned.approach.phases[0]
    tilts_deg = (first.medial_tilt_deg, first.cranial_tilt_deg)
    hours = docking_clock(planned.anatomy, planned.level, planned.approach.side, tilts_deg)
    marks = [f"{name} at {clock_words(hour)}" for name, hour in hours.items() if name != "window centre"]
    return f"{joined(marks)} (seen down the channel; 12 o'clock points across the patient, away from the surgeon)"


def phase_rows(planned: PlannedCase) -> list[tuple[str, ...]]:
    """(phase, medial tilt, cranial tilt, sweep, shift of the pivot, sleeve, tip) of each phase, in words."""
    return [
        (
            p.name,
            medial_tilt_words(p),
            cranial_tilt_words(p),
            f"\u00b1{number(p.sweep_half_angle_deg)}\u00b0",
            shift_words(p.pivot_shift_mm, planned.approach.side),
            f"{number(p.sleeve_past_lamina_mm)} mm",
            f"{number(p.tip_past_lamina_mm)} mm",
        )
        for p in planned.approach.phases
    ]
