"""Bounds of a search: every bound and every instrument class with its unit, source and evidence."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from canalwise.estimator.approach.instrument import Channel
from canalwise.recon.errors import WrongUse
from canalwise.recon.evidence import EvidenceClass


@dataclass(frozen=True)
class Bound:
    """The range of one quantity of an approach, with where it comes from."""

    low: float
    high: float
    unit: str
    source: str
    evidence: EvidenceClass

    def __post_init__(self) -> None:
        if not self.low <= self.high:
            raise WrongUse("a bound", "must not end below where it begins", got=(self.low, self.high))


ENTRIES = "uniportal entries 5-15 mm from the midline, tubular ones 15-30 mm, from memory"
WINDOW = "interlaminar windows are 9-14 mm high (published heights): the docking point stays on them or their rims"
MOBILE = "skin and fascia let the channel be angled so far; common practice, no source"

BOUNDS: Mapping[str, Bound] = MappingProxyType(
    {
        "docking_lateral_mm": Bound(5.0, 18.0, "mm", ENTRIES, "MEM"),
        "docking_cranial_mm": Bound(-7.0, 7.0, "mm", WINDOW, "PRACTICE"),
        "pivot_distance_mm": Bound(40.0, 60.0, "mm", "fascia 40-60 mm dorsal of the lamina", "PRACTICE"),
        "medial_tilt_deg": Bound(-10.0, 35.0, "deg", MOBILE, "PRACTICE"),
        "cranial_tilt_deg": Bound(-25.0, 25.0, "deg", MOBILE, "PRACTICE"),
    }
)
"""What a search varies on one side with one instrument, in the order of its coordinates: the docking point, lateral
toward the side of the approach and cranial of the window's centre across its normal, and from there the pivot, by its
distance and by the tilts of the line from it to the docking point. Tilts are those of the entry window
(`estimator.decompression.rules`)."""

PHASE_BOUNDS: Mapping[str, Bound] = MappingProxyType(
    {
        "sweep_deg": Bound(2.0, 4.0, "deg", "the channel is moved 2-4 degrees about its axis", "PRACTICE"),
        "far_shift_mm": Bound(0.0, 8.0, "mm", "skin and fascia give by a few millimetres", "PRACTICE"),
        "far_medial_tilt_deg": Bound(5.0, 40.0, "deg", "20-40 degrees across, less from a deep pivot; memory", "MEM"),
        "far_cranial_tilt_deg": Bound(-25.0, 25.0, "deg", "as the first phase", "PRACTICE"),
        "far_sweep_deg": Bound(2.0, 4.0, "deg", "as the first phase", "PRACTICE"),
    }
)
"""Usual ranges of what a surgeon sets by hand of the phases; a search leaves it to the planner."""

ENTRY_LATERAL_MM = Bound(
    3.0, 30.0, "mm", ENTRIES + "; a pivot nearer than 3 mm is across the supraspinous ligament", "MEM"
)
"""Where the pivots must stay, toward the side of the approach."""


@dataclass(frozen=True)
class Instrument:
    """A generic class of instrument set, with where its sizes come from."""

    channel: Channel
    source: str
    evidence: EvidenceClass


INSTRUMENTS: Mapping[str, Instrument] = MappingProxyType(
    {
        "8 mm": Instrument(Channel(), "7 mm scope in an 8 mm sleeve, 3.5 mm burr: trade ranges", "MEM"),
        "9 mm": Instrument(Channel(9.0, 7.9, 4.0), "7.9 mm scope in a 9 mm sleeve, 4 mm burr: trade ranges", "MEM"),
        "12 mm": Instrument(Channel(12.0, 10.0, 5.0), "10 mm scope in a 12 mm sleeve, 5 mm burr: trade ranges", "MEM"),
    }
)
"""By the outer diameter of the sleeve, from the narrowest to the widest; the first is the usual one."""

ANY = "any"


def instruments_named(name: str) -> dict[str, Channel]:
    """Sleeve diameter -> channel: one class of instrument, or every one for 'any'; WrongUse for another name.

    >>> list(instruments_named("12mm")), len(instruments_named("any"))
    (['12 mm'], 3)
    """
    plain = re.sub(r"(?<=\d)mm$", " mm", name)
    if plain != ANY and plain not in INSTRUMENTS:
        raise WrongUse("the instrument", f"must be one of {', '.join(INSTRUMENTS)}, {ANY}", got=name)
    return {known: one.channel for known, one in INSTRUMENTS.items() if plain in (known, ANY)}
