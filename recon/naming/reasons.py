"""The evidence behind level names in words."""

from __future__ import annotations

from collections.abc import Sequence

from canalwise.recon.anatomy import NamesFrom
from canalwise.recon.naming.column_cues import ColumnCues
from canalwise.recon.naming.posterior import NamesPosterior

SACRUM_FRAC, ALA_FRAC = 0.3, 0.5
"""From these shares on a vertebra is said to look like a sacrum."""

RIB_MM = 64.0
"""From this reach on a strut is said to be a rib: no transverse process is as long (choice)."""

TRANSITIONAL_PROBABILITY = 0.15
"""Transitional anatomy is warned of from this probability on; about a tenth of people have it
(docs/published-values.md#vertebrae)."""

LUMBOSACRAL = (
    "six lumbar vertebrae, the last one free",
    "S1 lumbarised",
    "S1 lumbarised and free",
    "L5 sacralised",
    "L5 within the sacrum",
    "ribs at L1",
)


def sacral_numbers(cues: ColumnCues) -> list[int]:
    """Numbers of the vertebrae that look like a sacrum."""
    return [
        v.number
        for v in cues.vertebrae
        if (v.sacral_frac or 0.0) >= SACRUM_FRAC or (v.flank_frac is not None and v.flank_frac[0] >= ALA_FRAC)
    ]


def ribbed_numbers(cues: ColumnCues, best: Sequence[str]) -> list[int]:
    """Numbers of the vertebrae from which a rib runs; beside a sacrum it is an iliac wing."""
    return [
        v.number for v in cues.vertebrae if (v.rib.greater_mm or 0.0) >= RIB_MM and best[v.number - 1] not in ("S1", "")
    ]


def evidence_of(cues: ColumnCues, best: Sequence[str]) -> NamesFrom:
    """What names rest on: 'sacrum', 'ribs', 'both' or 'unknown'."""
    sacrum, ribs = bool(sacral_numbers(cues)), bool(ribbed_numbers(cues, best))
    return "both" if sacrum and ribs else "sacrum" if sacrum else "ribs" if ribs else "unknown"


def reasons_text(cues: ColumnCues, best: Sequence[str]) -> str:
    """The evidence that is there and that which is not, most telling first."""
    sacral, ribbed = sacral_numbers(cues), ribbed_numbers(cues, best)
    said = ["a sacrum is in view" if sacral else "no sacrum is in view"]
    if ribbed:
        reach = max(cues.vertebrae[n - 1].rib.greater_mm or 0.0 for n in ribbed)
        said.append(f"ribs run {reach:.0f} mm out from {best[min(ribbed) - 1]}")
    else:
        said.append("no ribs are in view")
    if cues.crest_number is not None:
        said.append("the iliac crests are in view")
    free = sum(1 for v in cues.vertebrae if v.number not in (*sacral, *ribbed) and v.rib.greater_mm is not None)
    if sacral and ribbed:
        said.append(f"{free} vertebrae without ribs lie between")
    return "; ".join(said)


def transitional_text(posterior: NamesPosterior) -> str:
    """A sentence where a transitional vertebra is likely; empty otherwise."""
    shares = posterior.anatomy_probability()
    likely = {name: shares.get(name, 0.0) for name in LUMBOSACRAL}
    total = sum(likely.values())
    if total < TRANSITIONAL_PROBABILITY:
        return ""
    most = max(likely, key=lambda name: likely[name])
    return f"Transitional anatomy is likely ({total:.2f}; above all: {most}): the count may be off by one."
