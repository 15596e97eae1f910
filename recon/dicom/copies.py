"""Copies of slices: the same place and the same pixels, whatever their files and UIDs say."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from canalwise.recon.dicom.headers import SliceHeader
from canalwise.recon.errors import BadFile

StoredPixels = Callable[[SliceHeader], npt.NDArray[Any]]

PLACE_DIGITS = 3
"""Positions that agree when rounded to a micrometre are one place."""


def without_copies(
    group: Sequence[SliceHeader], stored: StoredPixels
) -> tuple[tuple[SliceHeader, ...], tuple[str, ...]]:
    """The slices without exact copies, in their order, and a warning where there were any.

    Pixels are compared only where several slices lie at one place. Slices at one place that differ are all kept: they
    are two acquisitions, which whoever stacks them refuses. `stored` gives the stored pixels of a slice, and raises
    BadFile where they cannot be decoded.
    """
    places: dict[tuple[float, ...], list[SliceHeader]] = defaultdict(list)
    for header in group:
        places[tuple(np.round(header.position_ras_mm, PLACE_DIGITS).tolist())].append(header)
    dropped = {id(copy) for same in places.values() for copy in _copies(same, stored)}
    kept = tuple(header for header in group if id(header) not in dropped)
    return kept, (f"{len(dropped)} exact copies of slices were dropped.",) if dropped else ()


def _copies(same_place: list[SliceHeader], stored: StoredPixels) -> list[SliceHeader]:
    """Those of the slices at one place that are copies of the first."""
    if len(same_place) < 2:
        return []
    first, *others = same_place
    try:
        pixels = stored(first).copy()
        return [other for other in others if _means_the_same(first, other) and np.array_equal(stored(other), pixels)]
    except BadFile:
        # One that cannot be decoded is nobody's copy.
        return []


def _means_the_same(one: SliceHeader, other: SliceHeader) -> bool:
    return (one.rescale, one.rescale_type, one.padding) == (other.rescale, other.rescale_type, other.padding)
