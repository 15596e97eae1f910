"""What the numbers in a label map mean; the one table all parts share.

A voxel is one of: outside the patient (0), a content of the canal or soft tissue
(1..9), or bone and disc as ``100 * vertebra + part``. Vertebra numbers 8..19 for
T1..T12 and 20..25 for L1..L6 follow the numbering of the VerSe data set README
(docs/published-values.md#labels); 26 = sacrum.
"""

from __future__ import annotations

from enum import IntEnum
from typing import Literal, get_args

import numpy as np
import numpy.typing as npt

from canalwise.recon.errors import WrongUse

Side = Literal["left", "right"]
SIDES: tuple[Side, Side] = get_args(Side)
Labels = npt.NDArray[np.uint16]
Mask = npt.NDArray[np.bool_]


class Tissue(IntEnum):
    """Labels that belong to no vertebra."""

    OUTSIDE = 0
    CANAL = 1  # inside the bony canal, none of the next four
    SAC = 2  # dural sac
    FLAVUM = 3  # ligamentum flavum
    CALCIFIED = 4  # calcified or ossified tissue inside the canal
    ROOT = 5  # nerve root
    SOFT = 9  # any other tissue inside the skin


class Part(IntEnum):
    """Parts of one vertebra; `DISC` is the disc *below* it."""

    BODY = 1
    PEDICLE_LEFT = 2
    PEDICLE_RIGHT = 3
    PARS_LEFT = 4
    PARS_RIGHT = 5
    LAMINA_LEFT = 6
    LAMINA_RIGHT = 7
    SPINOUS_PROCESS = 8
    SUPERIOR_ARTICULAR_LEFT = 9
    SUPERIOR_ARTICULAR_RIGHT = 10
    INFERIOR_ARTICULAR_LEFT = 11
    INFERIOR_ARTICULAR_RIGHT = 12
    TRANSVERSE_LEFT = 13
    TRANSVERSE_RIGHT = 14
    SPINOUS_BASE = 15  # where both laminae and the spinous process meet
    UNDIVIDED = 20  # bone of this vertebra, part not known
    DISC = 50


VERTEBRAE = {
    **{f"T{n}": 7 + n for n in range(1, 13)},
    "L1": 20,
    "L2": 21,
    "L3": 22,
    "L4": 23,
    "L5": 24,
    "L6": 25,
    "S1": 26,
}
"""Names from cranial to caudal with their numbers."""

SACRUM = "S1"
NOT_SACRAL = (Part.PARS_LEFT, Part.PARS_RIGHT, Part.INFERIOR_ARTICULAR_LEFT, Part.INFERIOR_ARTICULAR_RIGHT)
"""A sacrum has no isthmus and no inferior processes: below its superior ones its roof is lamina (common practice, no
source)."""

CANAL_CONTENTS = (Tissue.CANAL, Tissue.SAC, Tissue.FLAVUM, Tissue.CALCIFIED, Tissue.ROOT)


def vertebra_number(name: str) -> int:
    """The number of a vertebra name such as 'L4'.

    >>> vertebra_number("L4")
    23
    """
    if name not in VERTEBRAE:
        raise WrongUse("vertebra name", f"must be one of {', '.join(VERTEBRAE)}", got=name)
    return VERTEBRAE[name]


def vertebra_name(number: int) -> str:
    """The name of a vertebra number.

    >>> vertebra_name(vertebra_number("L3"))
    'L3'
    """
    return next(name for name, value in VERTEBRAE.items() if value == number)


def label_of(vertebra: str, part: Part) -> int:
    """The label of one part of one vertebra.

    >>> label_of("L3", Part.LAMINA_LEFT)
    2206
    """
    return 100 * vertebra_number(vertebra) + part


def sided(part: str, side: Side) -> Part:
    """The part of a side: ``sided("lamina", "left")`` is ``Part.LAMINA_LEFT``.

    >>> sided("lamina", "left").name
    'LAMINA_LEFT'
    """
    return Part[f"{part}_{side}".upper()]


def level_vertebrae(level: str) -> tuple[str, str]:
    """('L3', 'L4') of 'L3-L4'; the two must be neighbours in the order of `VERTEBRAE`.

    Raises WrongUse for anything else. S1 may follow L4 (no L5), L5 or L6.

    >>> level_vertebrae("L5-S1")
    ('L5', 'S1')
    """
    upper, _, lower = level.partition("-")
    if upper not in VERTEBRAE or lower not in VERTEBRAE:
        raise WrongUse("level", "must be two vertebra names joined by '-', such as L3-L4", got=level)
    step = VERTEBRAE[lower] - VERTEBRAE[upper]
    if step != 1 and not (lower == "S1" and upper in ("L4", "L5", "L6")):
        raise WrongUse("level", "must name two neighbours, the cranial one first", got=level)
    return upper, lower


def vertebrae_in(labels: Labels) -> tuple[str, ...]:
    """Names of the vertebrae with any bone in the map, cranial to caudal.

    Parameters
    ----------
    labels : (...) array

    >>> vertebrae_in(np.array([0, label_of("L3", Part.BODY), label_of("L4", Part.BODY)]))
    ('L3', 'L4')
    """
    values = _values_in(labels)
    bony = values[(values >= 100) & (values % 100 != Part.DISC)]
    return tuple(vertebra_name(int(n)) for n in np.unique(bony // 100))


def _values_in(labels: npt.NDArray[np.integer]) -> npt.NDArray[np.integer]:
    """(n,) array, rising: the numbers in a map; of small ones several times faster than by the library."""
    if labels.dtype != np.uint16:
        return np.unique(labels)
    there = np.zeros(2**16, dtype=bool)
    for layer in labels if labels.ndim > 1 else labels[None]:
        there[layer] = True
    return np.flatnonzero(there)


def bone_mask(labels: Labels) -> Mask:
    """(same shape) array: is the voxel bone (calcified ligament is not)?

    >>> bone_mask(np.array([0, label_of("L3", Part.BODY), label_of("L3", Part.DISC)])).tolist()
    [False, True, False]
    """
    mask: Mask = np.asarray(labels >= 100)
    # Bone is a small part of a scan, and remainders are slow.
    mask[mask] = labels[mask] % 100 != Part.DISC
    return mask


def vertebra_mask(labels: Labels, number: int) -> Mask:
    """(same shape) array: is the voxel bone of the vertebra of that number?

    >>> vertebra_mask(np.array([2206, 2250, 2306], dtype=np.uint16), 22).tolist()
    [True, False, False]
    """
    mask: Mask = (labels > 100 * number) & (labels < 100 * number + Part.DISC)
    return mask


def canal_mask(labels: Labels) -> Mask:
    """(same shape) array: is the voxel inside the bony canal, whatever fills it?

    >>> canal_mask(np.array([Tissue.OUTSIDE, Tissue.CANAL, label_of("L3", Part.BODY)])).tolist()
    [False, True, False]
    """
    if labels.dtype.kind == "u":  # below the first the difference wraps round to the greatest numbers
        return np.asarray(labels - labels.dtype.type(Tissue.CANAL) <= Tissue.ROOT - Tissue.CANAL)
    mask: Mask = (labels >= Tissue.CANAL) & (labels <= Tissue.ROOT)
    return mask


def label_names() -> dict[int, str]:
    """Every label and its name, for `labels.json`.

    >>> label_names()[2206]
    'L3 lamina left'
    """
    names = {int(t): t.name.lower() for t in Tissue}
    for vertebra, number in VERTEBRAE.items():
        names |= {100 * number + p: f"{vertebra} {p.name.lower().replace('_', ' ')}" for p in Part}
    return names
