"""The words and rows of the theatre sheet."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from canalwise.recon.modality import MR_ALONE_HEAD
from canalwise.workbench.console.json_results import UNJUDGED, limits_of
from canalwise.workbench.console.tables import stands
from canalwise.workbench.images.planned_case import PlannedCase
from canalwise.workbench.report.confidence_section import sure_sentence
from canalwise.workbench.report.summary import Tile, limit_chances
from canalwise.workbench.style.phrases import amount, number, with_interval

Json = Mapping[str, Any]
Ends = Mapping[str, Sequence[float] | None]

CONFIRM = (
    "Level counted on the original images and under the intensifier",
    "Side the same on images, consent and the marked patient",
    "Numbers checked on the original images; local protocol kept",
)
"""What a person ticks by hand before the sheet is used."""

WARNING_CHARACTERS = 500
"""Warnings are listed until the sheet's room for them is used up; the report lists all."""

BEAM = (
    "Beam in the disc's plane. AP: tube under the table, seen from the intensifier, head up. "
    "Lateral: seen from the surgeon's side, dorsal up. Bone is dark."
)


PHASE_COLUMNS = ("phase", "medial tilt from straight ventral", "cranial tilt", "sweep", "pivot moved",
                 "sleeve past docking", "tool past docking")  # fmt: skip
LIMIT_COLUMNS = ("limit", "value (95 % interval)", "limit", "", "chance kept")
"""Heads of the sheet's tables."""


def subtitle(side: str) -> str:
    """What the sheet is, below level and side.

    >>> subtitle("left")
    "theatre sheet: approach from the patient's left side, over the top"
    """
    return f"theatre sheet: approach from the patient's {side} side, over the top"


def entry_tiles(planned: PlannedCase, estimate: Json) -> list[Tile]:
    """(what, value, remark): across, along and deep."""
    entry, side = estimate["skin_entry"], planned.approach.side
    at_skin = entry["at"] == "skin"
    where = "Skin entry" if at_skin else "Pivot (no skin in view)"
    other = "right" if side == "left" else "left"
    across = f"{abs(entry['lateral_mm']):.0f} mm {side if entry['lateral_mm'] >= 0 else other}"
    along = f"{abs(entry['cranial_mm']):.0f} mm {'cranial' if entry['cranial_mm'] >= 0 else 'caudal'}"
    return [
        (where, across, "of the midline"),
        ("and", along, f"of the lower edge of the {planned.level.upper} lamina, {side}"),
        ("Depth", f"{entry['depth_mm']:.0f} mm", f"from {entry['at']} to docking point, on the axis"),
    ]


def confidence_tile(planned: PlannedCase) -> Tile:
    """How sure the level is, as large as the numbers of the entry that rest on it."""
    sure = planned.level.confidence
    if sure is None:
        return "Confidence", "not judged", "check every number on the images"
    if sure.check_by_eye:
        return "Confidence", f"CHECK {sure.value_frac:.2f}", "check by eye before use"
    return "Confidence", f"{sure.value_frac:.2f}", "of the level's anatomy, 0 to 1"


def instrument_tile(planned: PlannedCase) -> Tile:
    """The instrument's sizes."""
    channel = planned.approach.channel
    sizes = (channel.sleeve_diameter_mm, channel.scope_diameter_mm, channel.tool_diameter_mm)
    reported = " / ".join(number(mm) for mm in sizes)
    return "Instrument", f"{reported} mm", f"sleeve / scope / tool; lens {number(channel.lens_angle_deg, 0)}\u00b0"


def limit_rows(estimate: Json, ends: Ends) -> list[tuple[str, str, str, str, str]]:
    """(limit, value with its 95 % interval, limit, whether kept, chance that it is kept) of each verdict.

    >>> pars = {"name": "pars width remaining", "value": 5.2, "limit": 5.0, "unit": "mm", "met": True, "chance": 0.6}
    >>> limit_rows({"verdicts": [pars]}, {"pars width remaining": [4.4, 6.0]})
    [('pars width remaining', '5.2 mm (4.4\u20136.0)', '5.0 mm', 'kept', '60 %')]
    """
    return [
        (
            v["name"],
            with_interval(amount(v["value"], v["unit"]), _ends(estimate, v, ends), *_written(v["unit"])),
            amount(v["limit"], v["unit"]),
            stands(v),
            chance,
        )
        for v, (_, chance) in zip(limits_of(estimate), limit_chances(estimate), strict=True)
    ]


def _ends(estimate: Json, limit: Json, ends: Ends) -> Sequence[float] | None:
    """Of a limit's number; those worked out for both removals are not the resection's."""
    resection = estimate.get("resection")
    return _resection_ends(resection, limit["name"]) if resection else ends.get(limit["name"])


def _resection_ends(resection: Json, limit: str) -> Sequence[float] | None:
    """Of the number of the resection that a limit is held against; None where it has none."""
    base, pars = resection.get("spinous_base") or {}, (resection.get("pars_residual_mm") or {}).get("interval95") or {}
    found: dict[str, Any] = {
        "spinous base bridge remaining": base.get("bridge_interval95"),
        "spinous base undercut": base.get("undercut_interval95"),
    }
    for side, relation in (("near", "ipsilateral"), ("far", "contralateral")):
        joint = (resection.get("facet_preserved") or {}).get(relation) or {}
        found[f"{side} facet area kept"] = joint.get("interval95")
        found[f"{side} facet width kept"] = joint.get("width_interval95")
        found[f"{side} pars width remaining"] = pars.get(relation)
    ends: Sequence[float] | None = found.get(limit)
    return ends


def _written(unit: str) -> tuple[int, float]:
    """Digits and scale of a value in that unit."""
    return (0, 100.0) if unit == "fraction" else (1, 1.0)


def warning_sentences(planned: PlannedCase, estimate: Json) -> list[str]:
    """The level's confidence, then the warnings as far as there is room, and how many are left out.

    Why nothing is judged comes before every other warning, then that all is from an MR alone. Whatever rests on a
    modelled sac says so among them.
    """
    warnings = sorted(
        estimate["warnings"],
        key=lambda sentence: (not sentence.startswith(UNJUDGED), not sentence.startswith(MR_ALONE_HEAD)),
    )
    sentences = [sure_sentence(planned.level), *warnings]
    reported: list[str] = []
    for sentence in sentences:
        if sum(map(len, reported)) + len(sentence) > WARNING_CHARACTERS:
            continue
        reported.append(sentence)
    left_out = len(sentences) - len(reported)
    return reported + ([f"{left_out} more in the report: read them."] if left_out else [])
