"""Evidence for names seen at the vertebrae of a column: values, without how they are read."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class RibReach:
    """How far from the midline the struts at one vertebra run, mm; None where that flank is not in view.

    `runs_out`: the longer strut leaves the view, so it runs at least that far.
    """

    left_mm: float | None
    right_mm: float | None
    runs_out: bool = False

    @property
    def greater_mm(self) -> float | None:
        """The longer of the two sides; None where neither is in view.

        >>> RibReach(61.0, None).greater_mm, RibReach(None, None).greater_mm
        (61.0, None)
        """
        known = [side for side in (self.left_mm, self.right_mm) if side is not None]
        return max(known) if known else None


UNSEEN_RIBS = RibReach(None, None)
"""Of a vertebra whose flanks are not in view."""


@dataclass(frozen=True)
class VertebraCues:
    """Evidence about one vertebra; None where the scan does not show it.

    Parameters
    ----------
    number : 1.. from the caudal end of the column found
    sacral_frac : share of its bone that the network takes for sacrum
    flank_frac : share of bone beside its body where alae lie, (lesser side, greater side)
    bend_deg : by how much the disc above it is steeper than the next one
    rib : how far struts run from it
    """

    number: int
    sacral_frac: float | None = None
    flank_frac: tuple[float, float] | None = None
    bend_deg: float | None = None
    rib: RibReach = UNSEEN_RIBS


@dataclass(frozen=True)
class ColumnCues:
    """Evidence about a column of vertebrae.

    Parameters
    ----------
    vertebrae : caudal to cranial
    crest_number : the crests' height as a number between those of the vertebrae: 2.5 is halfway from 2 to 3
    below_mm : how far the scan goes on below the column's lowest bone
    spacing_frac : distances of neighbouring pedicles, each over their median
    """

    vertebrae: tuple[VertebraCues, ...]
    crest_number: float | None = None
    below_mm: float = 0.0
    spacing_frac: tuple[float, ...] = ()
