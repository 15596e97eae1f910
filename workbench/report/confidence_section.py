"""How sure the level is, in the report: reasons, structures, corrections, and the slices to look at by eye."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from canalwise.recon.anatomy import Anatomy, Confidence, Level
from canalwise.recon.case.corrections import correction_sentences
from canalwise.recon.labels import SIDES
from canalwise.recon.measurement.confidence import CHECK_BELOW
from canalwise.workbench.images.planes import PlaneCut
from canalwise.workbench.images.slices import MID_DEPTH_MM
from canalwise.workbench.style.phrases import number

Json = Mapping[str, Any]

CLOSE_MM = 60.0
"""Width of the slices to look at: both joints and the canal, no more."""


def sure_sentence(level: Level) -> str:
    """How sure the level is, in one sentence for the head of the page.

    >>> import numpy as np
    >>> from canalwise.recon.anatomy import Frame
    >>> sure_sentence(Level("L3-L4", "L3", "L4", Frame(np.zeros(3), np.eye(3)), {}, {}, {}, {}))
    'How sure this level is was not judged.'
    """
    sure = level.confidence
    if sure is None:
        return "How sure this level is was not judged."
    reported = f"confidence {number(sure.value_frac, 2)} of 1"
    return f"CHECK BY EYE: {reported}." if sure.check_by_eye else f"{reported[0].upper()}{reported[1:]}."


def weak_sentences(level: Level) -> list[str]:
    """Why a level is to be looked at by eye, the weightiest reason first; nothing when it need not be."""
    sure = level.confidence
    if sure is None or not sure.check_by_eye:
        return []
    weak = sorted((r for r in sure.reasons if r.value_frac < CHECK_BELOW.value), key=lambda r: r.value_frac)
    return [f"{r.because[0].upper()}{r.because[1:]}." for r in weak]


def reason_rows(sure: Confidence) -> list[tuple[str, str, str]]:
    """(what was looked at, how sure, why), the least sure first."""
    return [(r.about, number(r.value_frac, 2), r.because) for r in sorted(sure.reasons, key=lambda r: r.value_frac)]


def structure_rows(sure: Confidence) -> list[tuple[str, str, str]]:
    """(structure, how sure, standard deviation of its border), the least sure first."""
    reported = sorted(sure.structures, key=lambda s: (s.value_frac, s.name))
    return [(s.name, number(s.value_frac, 2), f"{number(s.border_sd_mm, 2)} mm") for s in reported]


def corrected_sentences(anatomy: Anatomy) -> list[str]:
    """What a person corrected, one sentence each."""
    return [f"Corrected: {sentence}." for sentence in correction_sentences(anatomy.corrections)]


def cuts_to_look_at(level: Level) -> dict[str, PlaneCut]:
    """Caption -> slice: axial at disc, pedicle and joints, sagittal in the midline and through both joints.

    >>> import numpy as np
    >>> from canalwise.recon.anatomy import Frame
    >>> list(cuts_to_look_at(Level("L3-L4", "L3", "L4", Frame(np.zeros(3), np.eye(3)), {}, {}, {}, {})))
    ['Axial, disc level', 'Sagittal, midline']
    """
    cuts = {"Axial, disc level": _axial(0.0)}
    heights = [
        _level_mm(level, f"lower_pedicle_upper_edge_{side}")[2]
        for side in SIDES
        if f"lower_pedicle_upper_edge_{side}" in level.landmarks_ras_mm
    ]
    if heights:
        cuts[f"Axial, upper edge of the {level.lower} pedicles"] = _axial(float(np.mean(heights)))
    middles = {
        side: level.frame.to_level_mm(joint.inferior_face_ras_mm).mean(axis=0)
        for side, joint in level.joints.items()
        if len(joint.area_mm2)
    }
    if middles:
        # both joints on one slice, as a surgeon compares them
        cuts["Axial, middle of the joints"] = _axial(float(np.mean([m[2] for m in middles.values()])))
    cuts["Sagittal, midline"] = PlaneCut("sagittal", (0.0, MID_DEPTH_MM / 2, 0.0), CLOSE_MM, CLOSE_MM)
    for side, middle in middles.items():
        cuts[f"Sagittal, {side} joint"] = PlaneCut(
            "sagittal", (float(middle[0]), MID_DEPTH_MM / 2, 0.0), CLOSE_MM, CLOSE_MM
        )
    return cuts


def _axial(z_mm: float) -> PlaneCut:
    return PlaneCut("axial", (0.0, MID_DEPTH_MM / 2, z_mm), CLOSE_MM, CLOSE_MM)


def _level_mm(level: Level, landmark: str) -> Any:
    return level.frame.to_level_mm(level.landmarks_ras_mm[landmark])
