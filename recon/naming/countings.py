"""Every way the vertebrae of a column can be counted: five lumbar vertebrae, or a transitional anatomy, from any start.

An anatomy is a list of elements from the sacrum upwards, each with its name and the sort of vertebra it looks like; a
counting is an anatomy and the element that the lowest vertebra found is. How common each anatomy is is a record.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from canalwise.recon.naming.likelihoods import Sort

THORACIC = tuple(f"T{n}" for n in range(12, 0, -1))


@dataclass(frozen=True)
class Element:
    """One vertebra of an anatomy.

    `name` is empty where it has none in the label table (a second sacral vertebra); `place` is the vertebra it stands
    for in lordosis and against the iliac crests.
    """

    name: str
    sort: Sort
    place: str


@dataclass(frozen=True)
class SpineAnatomy:
    """An anatomy: its elements caudal to cranial, from the second sacral vertebra on, and how common it is.

    `silent`: it shows no sign at the one end of the lumbar spine that it differs at; only both ends tell it.
    """

    name: str
    frac: float
    source: str
    evidence: str
    elements: tuple[Element, ...]
    silent: bool = False


@dataclass(frozen=True)
class Counting:
    """One counting of a column: the elements its vertebrae are, caudal to cranial, and its prior probability."""

    anatomy: str
    prior: float
    elements: tuple[Element, ...]

    @property
    def names(self) -> tuple[str, ...]:
        """Names, caudal to cranial."""
        return tuple(element.name for element in self.elements)


def _spine(
    low: tuple[Element, ...], lumbar: tuple[str, ...], stunted: bool = False, lumbar_rib: bool = False
) -> tuple[Element, ...]:
    """Elements from `low` on through lumbar vertebrae, caudal to cranial, and the thoracic ones."""
    places = ("L5", "L4", "L3", "L2", "L1", "L1")
    found = list(low)
    for n, name in enumerate(lumbar):
        sort: Sort = "last" if n == 0 else "first" if n == len(lumbar) - 1 else "lumbar"
        found.append(Element(name, "lumbar rib" if lumbar_rib and n == len(lumbar) - 1 else sort, places[n]))
    for n, name in enumerate(THORACIC):
        sort = ("first" if stunted else "short rib") if n == 0 else "long rib"
        found.append(Element(name, sort, "T"))
    return tuple(found)


S2, S1 = Element("", "sacral", "S2"), Element("S1", "sacral", "S1")
FIVE, SIX, FOUR = ("L5", "L4", "L3", "L2", "L1"), ("L6", "L5", "L4", "L3", "L2", "L1"), ("L4", "L3", "L2", "L1")
FRENCH = "French et al., Global Spine J 2014;4:229-232: lumbarised S1 5.8 %, sacralised L5 4.1 % of 5941"
SPLIT = f"{FRENCH}; how many show no sign of it at the sacrum is a choice"

_RARE = (
    SpineAnatomy("six lumbar vertebrae, the last one free", 0.015, SPLIT, "READ", _spine((S2, S1), SIX), True),
    SpineAnatomy("S1 lumbarised", 0.043, FRENCH, "READ", _spine((S2, Element("S1", "transitional", "S1")), FIVE)),
    SpineAnatomy(
        "S1 lumbarised and free",
        0.005,
        SPLIT,
        "READ",
        _spine((Element("", "sacral", "S1"), Element("S1", "last", "L5")), ("L5", "L4", "L3", "L2", "L1")),
        True,
    ),
    SpineAnatomy("L5 sacralised", 0.031, FRENCH, "READ", _spine((S2, S1, Element("L5", "transitional", "S1")), FOUR)),
    SpineAnatomy("L5 within the sacrum", 0.010, SPLIT, "READ", _spine((S2, S1), FOUR), True),
    SpineAnatomy(
        "no twelfth ribs",
        0.030,
        "textbook range of a few per cent; verify",
        "MEM",
        _spine((S2, S1), FIVE, stunted=True),
        True,
    ),
    SpineAnatomy(
        "ribs at L1",
        0.010,
        "textbook, about one per cent; verify",
        "MEM",
        _spine((S2, S1), FIVE, lumbar_rib=True),
        True,
    ),
)
ANATOMIES = (
    SpineAnatomy(
        "five lumbar vertebrae", 1.0 - sum(rare.frac for rare in _RARE), "the rest", "CALC", _spine((S2, S1), FIVE)
    ),
    *_RARE,
)
"""All anatomies that are reckoned with; their shares sum to 1."""

SILENT = frozenset(anatomy.name for anatomy in ANATOMIES if anatomy.silent)
"""Names of the anatomies that a scan of one end only cannot tell from the usual one."""

SECOND_SACRAL_FRAC = 0.05
"""How often the lowest vertebra found is a second sacral one, parted from the first by what looks like a disc
(choice)."""


WITHOUT_LUMBAR_FRAC = 0.05
"""How often, against any one start in the lumbar spine, a scan given to this tool shows no lumbar vertebra at all
(choice: the job is lumbar)."""


def countings(count: int) -> Iterator[Counting]:
    """Every counting of a column of `count` vertebrae.

    >>> sum(1 for each in countings(3) if each.anatomy == "five lumbar vertebrae")
    17
    >>> next(each.names for each in countings(2) if each.names[0] == "L5")
    ('L5', 'L4')
    """
    for anatomy in ANATOMIES:
        starts = range(len(anatomy.elements) - count + 1)
        for start in starts:
            share = SECOND_SACRAL_FRAC if start == 0 else 1.0
            share *= WITHOUT_LUMBAR_FRAC if anatomy.elements[start].place == "T" else 1.0
            yield Counting(
                anatomy.name, anatomy.frac * share / len(ANATOMIES[0].elements), anatomy.elements[start : start + count]
            )
