"""Proposal of levels to operate on from the image: ranked, with its reasons and thresholds, never more.

What a patient feels, walks and what an examination shows decide; an image does not. Only a sac that was seen or given
speaks: a modelled one says nothing of this patient.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from canalwise.recon.anatomy import Level, Measurement, Source
from canalwise.recon.severity_bands import Threshold

NARROWEST = "dural sac area, narrowest"

PROPOSED_BELOW = Threshold(
    "dural sac narrower than this at its narrowest",
    100.0,
    "mm2",
    "Bolender, Schonstrom, Spengler, J Bone Joint Surg Am 1985; under it at two of three levels: Hamanishi 1994",
    "READ",
)
STENOSIS_CUT_OFF = Threshold(
    "dural sac area that parts patients from controls at L4-L5 (sensitivity 80.0 %, specificity 80.8 %)",
    111.09,
    "mm2",
    "Medicine (Baltimore) 2017, PMC5728944",
    "READ",
)
THICK_LIGAMENT = Threshold("thick ligamentum flavum", 4.0, "mm", "common use, no source", "MEM")
SLIPPED = Threshold(
    "slip, to be weighed before a decompression alone", 3.0, "mm", "common practice, no source", "PRACTICE"
)
AREA_AGREEMENT_MM2 = Threshold(
    "deviation of a sac area between outlines",
    12.1,
    "mm2",
    "23.7 mm2 in print, read as a 95 % limit (23.7 / 1.96), PMC10566647",
    "CALC",
)
"""How far an area must lie from a threshold to be distinguished from it."""

THRESHOLDS = (PROPOSED_BELOW, STENOSIS_CUT_OFF, THICK_LIGAMENT, SLIPPED, AREA_AGREEMENT_MM2)

ONLY_PROPOSED = (
    "A proposal from the image alone, never more: symptoms, examination and the original images decide which levels "
    "are operated on, if any."
)
NO_SAC = "No proposal: the sac was not seen in an image nor given, and a modelled sac carries no severity."


@dataclass(frozen=True)
class ProposedLevel:
    """One level's place in the proposal.

    Parameters
    ----------
    level : its name
    rank : 1 is the narrowest
    sac_area_mm2 : at its narrowest, across the sac
    proposed : is it under PROPOSED_BELOW?
    probability : that it is, given how well such areas agree
    reasons : sentences, the weightiest first
    """

    level: str
    rank: int
    sac_area_mm2: float
    proposed: bool
    probability: float
    reasons: tuple[str, ...]


@dataclass(frozen=True)
class LevelsProposal:
    """All levels ranked, in one sentence what that comes to, and the thresholds it rests on."""

    levels: tuple[ProposedLevel, ...]
    sentence: str
    thresholds: tuple[Threshold, ...] = THRESHOLDS
    caution: str = ONLY_PROPOSED


def levels_proposal(levels: Sequence[Level], sources: Mapping[str, Source]) -> LevelsProposal:
    """The levels ranked by the sac's narrowest area; none where the sac is modelled.

    >>> levels_proposal((), {"sac": "modelled"}).sentence == NO_SAC
    True
    """
    areas = {level.name: area for level in levels if (area := _value(level, NARROWEST)) is not None}
    if sources.get("sac", "modelled") == "modelled" or not areas:
        return LevelsProposal((), NO_SAC)
    order = sorted(areas, key=lambda name: areas[name])
    by_name = {level.name: level for level in levels}
    ranked = tuple(_proposed(by_name[name], areas[name], n) for n, name in enumerate(order, start=1))
    return LevelsProposal(ranked, _sentence(ranked))


def _sentence(ranked: Sequence[ProposedLevel]) -> str:
    narrow = [each.level for each in ranked if each.proposed]
    if not narrow:
        return f"No level has a sac under {PROPOSED_BELOW.value:g} mm2 at its narrowest."
    return (
        f"{len(narrow)} of {len(ranked)} levels {'has' if len(narrow) == 1 else 'have'} a sac under "
        f"{PROPOSED_BELOW.value:g} mm2, the narrowest first: {', '.join(narrow)}."
    )


def _proposed(level: Level, area_mm2: float, rank: int) -> ProposedLevel:
    chance = chance_below(area_mm2, PROPOSED_BELOW.value)
    return ProposedLevel(
        level.name, rank, area_mm2, area_mm2 < PROPOSED_BELOW.value, chance, _reasons(level, area_mm2, chance)
    )


def chance_below(area_mm2: float, threshold_mm2: float) -> float:
    """Probability that the true area lies under a threshold, its error normal with AREA_AGREEMENT_MM2.

    >>> chance_below(100.0, 100.0), chance_below(60.0, 100.0) > 0.99
    (0.5, True)
    """
    return round(0.5 * (1.0 + math.erf((threshold_mm2 - area_mm2) / (AREA_AGREEMENT_MM2.value * math.sqrt(2.0)))), 3)


def _reasons(level: Level, area_mm2: float, chance: float) -> tuple[str, ...]:
    band = next((m.band for m in level.measurements if m.name == NARROWEST), "")
    said = [
        f"dural sac {area_mm2:.0f} mm2 at its narrowest ({band or 'no band'}), "
        f"under {PROPOSED_BELOW.value:g} mm2 with probability {chance:.2f}"
    ]
    if PROPOSED_BELOW.value <= area_mm2 < STENOSIS_CUT_OFF.value:
        said.append(f"still under {STENOSIS_CUT_OFF.value:g} mm2, which parts patients from controls at L4-L5")
    for m in level.measurements:
        if m.name == "ligamentum flavum thickness" and m.band and m.value > THICK_LIGAMENT.value:
            said.append(f"{m.structure} {m.value:.1f} mm thick, over {THICK_LIGAMENT.value:g} mm")
        if m.name == "slip" and m.unit == "mm" and abs(m.value) > SLIPPED.value:
            said.append(f"slip of {m.value:.1f} mm, over {SLIPPED.value:g} mm: is the level stable?")
        if m.name == "lateral recess height" and m.band.startswith("recess stenosis"):
            said.append(f"{m.structure} {m.value:.1f} mm high ({m.band})")
    return tuple(said)


def _value(level: Level, quantity: str) -> float | None:
    found: Measurement | None = next((m for m in level.measurements if m.name == quantity), None)
    return None if found is None else found.value
