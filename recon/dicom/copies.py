"""Copies of slices: the same place and the same pixels, whatever their files and UIDs say."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

import numpy as np

from canalwise.recon.dicom.headers import SliceHeader
from canalwise.recon.dicom.pixels import StoredSlices
from canalwise.recon.dicom.series import Group
from canalwise.recon.dicom.sources import DicomSource
from canalwise.recon.errors import BadFile

PLACE_DIGITS = 3
"""Positions that agree when rounded to a micrometre are one place."""


def without_copies(group: Group, sources: Sequence[DicomSource]) -> tuple[Group, tuple[str, ...]]:
    """The slices without exact copies, in their order, and a warning where there were any.

    Pixels are compared only where several slices lie at one place. Slices at one place that differ are all kept: they
    are two acquisitions, which whoever stacks them refuses.
    """
    places: dict[tuple[float, ...], list[SliceHeader]] = defaultdict(list)
    for header in group:
        places[tuple(np.round(header.position_ras_mm, PLACE_DIGITS).tolist())].append(header)
    read = StoredSlices(sources)
    dropped = {id(copy) for same in places.values() for copy in _copies(same, read)}
    kept = tuple(header for header in group if id(header) not in dropped)
    return kept, (f"{len(dropped)} exact copies of slices were dropped.",) if dropped else ()


def _copies(same_place: list[SliceHeader], read: StoredSlices) -> list[SliceHeader]:
    """Those of the slices at one place that are copies of the first."""
    if len(same_place) < 2:
        return []
    first, *others = same_place
    try:
        pixels = read.stored(first, "a slice").copy()
        return [
            other
            for other in others
            if _means_the_same(first, other) and np.array_equal(read.stored(other, "a slice"), pixels)
        ]
    except BadFile:
        # One that cannot be decoded is nobody's copy.
        return []


def _means_the_same(one: SliceHeader, other: SliceHeader) -> bool:
    return (one.rescale, one.rescale_type, one.padding) == (other.rescale, other.rescale_type, other.padding)
