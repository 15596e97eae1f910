"""Which level is which: counted from the sacrum or the ribs when in view, given otherwise, never guessed in silence."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from recon.errors import AnatomyNotFound, WrongUse
from recon.labels import VERTEBRAE, vertebra_number
from recon.spine_field import SpineField

Evidence = Literal["sacrum", "ribs", "given"]

LUMBAR = ("L1", "L2", "L3", "L4", "L5", "L6")

ALA_SIDE_MM, ALA_BACK_MM = (30.0, 42.0), (-22.0, 6.0)
"""Where a sacrum's wings lie and no lumbar vertebra has bulk: lateral of the bodies, beside them."""

ALA_FRAC = 0.15
"""Least share of bone there, on both sides (transverse processes are thin and lie further dorsal)."""

RIB_SIDE_MM, RIB_BACK_MM = (47.0, 62.0), (-12.0, 45.0)
"""Where ribs run and no lumbar transverse process reaches: half spans are 35..44 mm (references.md section 2a)."""

RIB_LEAST_MM3 = 150.0
"""Least bone there, on both sides together (common practice, no source)."""

ABOUT_MM = 12.0
"""Height about a pedicle in which wings and ribs are looked for."""


SLIVER_FRAC = 0.2
"""Less body in view than this share of the largest makes a sliver (common practice, no source)."""


@dataclass(frozen=True)
class Names:
    """Names of vertebrae, caudal to cranial as counted, with what they rest on.

    `by_number` maps the number of `VertebraInstances` to a name.
    """

    by_number: dict[int, str]
    evidence: Evidence
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True)
class Signs:
    """Numbers, caudal to cranial, of the vertebrae in view and of those that show a sacrum's wings or ribs.

    `slivers` are those of which the scan's end leaves little: a person may or may not count them.
    """

    in_view: tuple[int, ...]
    winged: tuple[int, ...]
    ribbed: tuple[int, ...]
    slivers: tuple[int, ...] = ()


def signs(field: SpineField, bone: npt.NDArray[np.bool_], bodies_mm3: dict[int, float],
          pedicles_mm: Sequence[float]) -> Signs:
    """Look for wings and ribs beside each vertebra in view.

    Parameters
    ----------
    bodies_mm3 : number of each vertebra in view -> how much of its body is
    bone : (nx, ny, nz) array of the field's box, all bone, not the spine's only
    pedicles_mm : height of each vertebra's pedicle, by number - 1
    """
    winged, ribbed = [], []
    largest = max(bodies_mm3.values(), default=0.0)
    slivers = tuple(n for n, volume in bodies_mm3.items() if volume < SLIVER_FRAC * largest)
    side, back = np.abs(field.left_mm), field.back_mm
    wing = (side >= ALA_SIDE_MM[0]) & (side <= ALA_SIDE_MM[1]) & (back >= ALA_BACK_MM[0]) & (back <= ALA_BACK_MM[1])
    rib = (side >= RIB_SIDE_MM[0]) & (side <= RIB_SIDE_MM[1]) & (back >= RIB_BACK_MM[0]) & (back <= RIB_BACK_MM[1])
    for n in bodies_mm3:
        about = np.abs(field.along_mm - pedicles_mm[n - 1]) <= ABOUT_MM
        left, right = (_share(bone, wing & about & half) for half in (field.left_mm > 0, field.left_mm < 0))
        if min(left, right) >= ALA_FRAC:
            winged.append(n)
        elif float((bone & rib & about).sum()) * field.grid.voxel_mm3 >= RIB_LEAST_MM3:
            ribbed.append(n)
    return Signs(tuple(bodies_mm3), tuple(winged), tuple(ribbed), slivers)


def _share(bone: npt.NDArray[np.bool_], where: npt.NDArray[np.bool_]) -> float:
    return float(bone[where].mean()) if where.any() else 0.0


def names(found: Signs, levels: Sequence[str] | None = None) -> Names:
    """Names of the vertebrae in view.

    Parameters
    ----------
    found : what the scan shows
    levels : names given by a person, cranial to caudal; they win over any sign

    Raises
    ------
    WrongUse : as many names must be given as there are vertebrae in view, neighbours in order
    AnatomyNotFound : neither sacrum nor ribs are in view and no names are given

    >>> names(Signs((1, 2, 3), (), ()), ["L2", "L3", "L4"]).by_number
    {3: 'L2', 2: 'L3', 1: 'L4'}
    >>> names(Signs((1, 2, 3), (1,), ())).by_number
    {1: 'S1', 2: 'L5', 3: 'L4'}
    """
    if levels is not None:
        return _given(found, tuple(levels))
    _refuse_contradiction(found)
    if found.winged:
        return _from_sacrum(found)
    if found.ribbed:
        return _from_ribs(found)
    raise AnatomyNotFound("level names", "cannot be counted: neither sacrum nor ribs are in view",
                          got=f"{len(found.in_view)} vertebrae",
                          do="Name the vertebrae in view, cranial to caudal, with --levels, such as --levels L2,L3,L4.")


def _refuse_contradiction(found: Signs) -> None:
    """Wings belong to the caudal end and ribs to the cranial end; anything else cannot be counted by."""
    lowest, highest = found.in_view[:len(found.winged)], found.in_view[len(found.in_view) - len(found.ribbed):]
    if found.winged != lowest or found.ribbed != highest:
        raise AnatomyNotFound("level names", "cannot be counted: signs of sacrum and ribs contradict each other",
                              got={"sacrum": found.winged, "ribs": found.ribbed, "in view": found.in_view},
                              do="Name the vertebrae in view, cranial to caudal, with --levels.")


def _given(found: Signs, levels: tuple[str, ...]) -> Names:
    for name in levels:
        vertebra_number(name)
    whole = tuple(n for n in found.in_view if n not in found.slivers)
    counted = whole if len(levels) == len(whole) else found.in_view
    if len(levels) != len(counted):
        raise WrongUse("--levels", f"must name the {len(found.in_view)} vertebrae found in view, cranial to caudal",
                       got=",".join(levels), do="Count them on the images, those cut by the scan's ends included.")
    order = [VERTEBRAE[name] for name in levels]
    if order != sorted(set(order)):
        raise WrongUse("--levels", "must name different vertebrae from cranial to caudal", got=",".join(levels))
    by_number = dict(zip(reversed(counted), levels, strict=True))
    warnings = [f"The name {by_number[n]} was given, but its wings look like a sacrum's." for n in found.winged
                if by_number.get(n, "S1") != "S1"]
    if len(counted) < len(found.in_view):
        warnings.append("A sliver of another vertebra at the scan's end was not named and is left out.")
    return Names(by_number, "given", tuple(warnings))


def _from_sacrum(found: Signs) -> Names:
    sacrum = max(found.winged)
    above = [n for n in found.in_view if n > sacrum]
    rib = min((n for n in found.ribbed if n > sacrum), default=None)
    lumbar = 5 if rib is None else sum(n < rib for n in above)
    warnings: list[str] = []
    if rib is None:
        warnings.append("Levels were counted from the sacrum, taking five lumbar vertebrae: no ribs are in view.")
    elif lumbar != 5:
        warnings.append(f"{lumbar} vertebrae lie between sacrum and lowest ribs: transitional anatomy.")
    if not 4 <= lumbar <= 6:
        raise AnatomyNotFound("level names", "do not fit: 4 to 6 lumbar vertebrae can be named", got=lumbar,
                              do="Name the vertebrae in view with --levels.")
    line = ("S1", *reversed(LUMBAR[:lumbar]), "T12")
    by_number = dict(zip([sacrum, *above], line, strict=False))
    return Names(by_number, "sacrum", (*warnings, "Confirm the levels on the images."))


def _from_ribs(found: Signs) -> Names:
    lowest = min(found.ribbed)
    below = sorted((n for n in found.in_view if n < lowest), reverse=True)
    by_number = dict(zip([lowest, *below], ("T12", *LUMBAR[:5], "S1"), strict=False))
    return Names(by_number, "ribs", ("Levels were counted from the lowest ribs in view; no sacrum is in view.",
                                     "Confirm the levels on the images."))
