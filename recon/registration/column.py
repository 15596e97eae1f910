"""An MR registered to a CT, vertebra by vertebra, from what either shows of bone, canal and discs.

The rough place is where both scans' maps of tissues agree best. A patient's neighbouring vertebrae are alike, so a
place a vertebra off may agree as well: each that nearly does is followed up, and the one where most vertebrae fit best
is taken. Where names in the MR contradict that place, or two fit alike, both scans are refused: a wrong level is worse
than none.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from canalwise.recon.errors import UnusableInput
from canalwise.recon.grid import Float, Grid, box_of
from canalwise.recon.labels import (
    VERTEBRAE,
    Labels,
    Part,
    bone_mask,
    canal_mask,
    label_of,
    vertebrae_in,
)
from canalwise.recon.registration.coarse_search import coarse_places
from canalwise.recon.registration.rigid_motion import RigidMotion
from canalwise.recon.registration.vertebra_registration import VertebraRegistration, registered
from canalwise.recon.scan import Scan

NEAREST_MM = 25.0
"""A body further away than this, most of a body and its disc, is none's counterpart."""

LEAST_AGREEMENT = 0.35
"""Correlation of both maps of tissues below which they show different pieces of spine (scripts/accuracy_audit.py)."""

PLACES, RIVALS = 40, 3
"""Rough places that are looked through, and most that are followed up."""

RIVAL_FRAC, RIVAL_MM = 0.93, 15.0
"""A rough place whose agreement is this share of the best, further away than half a vertebra, may be the true one. The
true one had 0.97 of it and more, one a vertebra off 0.85 to 0.997 (ten made-up pairs, scripts/accuracy_audit.py)."""

ALIKE_FRAC = 0.8
"""Two places whose vertebrae together fit this nearly alike cannot be told apart; of five pairs in which a wrong place
agreed best, and one in which the true one did, the next fitted 0.61 as well at most (scripts/accuracy_audit.py)."""

Progress = Callable[[str], None]


@dataclass(frozen=True, eq=False)
class LabelledScan:
    """A scan with what is known of its tissues, each on its own grid.

    Parameters
    ----------
    labels : values of `recon.labels`; bone and discs of vertebrae without a name carry the number 1
    grid : of the labels
    """

    scan: Scan
    labels: Labels
    grid: Grid


def registered_on(
    fixed: LabelledScan, moving: LabelledScan, progress: Progress | None = None
) -> dict[str, VertebraRegistration]:
    """Vertebra of a CT -> where it lies in an MR, failures included with their problem.

    Raises
    ------
    UnusableInput : both scans show no common piece of spine, or one at two places alike, or their vertebrae's names
        contradict each other
    """
    say = progress or (lambda _: None)
    say("looking for the spine of the CT in the MR")
    starts = _starts(fixed, moving)
    tried = [_registered_from(start, fixed, moving, say) for start in starts]
    fits = [_all_fit(one) for one in tried]
    # where none fits at all, the first is reported with the problems of its vertebrae
    alike = [n for n, fit in enumerate(fits) if n == fits.index(max(fits)) or fit > ALIKE_FRAC * max(fits)]
    agreeing = [n for n in alike if names_agree(fixed, moving, starts[n])]
    if not agreeing:
        raise UnusableInput(
            "the MR",
            "must name its vertebrae as the CT does",
            got="other names at the place where both scans fit best",
            do="Correct the names of either with --levels or in the label map.",
        )
    if len(agreeing) > 1:
        raise UnusableInput(
            "the MR",
            "must fit the CT at one place only",
            got="two places, about a vertebra apart, that fit alike",
            do="Name the MR's vertebrae: give its label map with --mr-labels.",
        )
    return tried[agreeing[0]]


def _registered_from(
    start: RigidMotion, fixed: LabelledScan, moving: LabelledScan, say: Progress
) -> dict[str, VertebraRegistration]:
    """Every vertebra with a body in the CT, looked for from one rough place."""
    found = {}
    for vertebra in vertebrae_in(fixed.labels):
        if (fixed.labels == label_of(vertebra, Part.BODY)).any():
            say(f"laying the MR on {vertebra}")
            one = registered(fixed.scan, fixed.labels, moving.scan, vertebra, [start], likeness="mutual information")
            if one is not None:
                found[vertebra] = one
    return found


def _all_fit(found: Mapping[str, VertebraRegistration]) -> float:
    """The fits of the vertebrae that could be registered, summed."""
    return sum(one.fit for one in found.values() if not one.problem)


def _starts(fixed: LabelledScan, moving: LabelledScan) -> list[RigidMotion]:
    """The rough motion at which the tissues of both scans agree best, and others a vertebra off that nearly do."""
    piece, other = tissue_field(fixed.labels), tissue_field(moving.labels)
    mask = bone_mask(fixed.labels) | canal_mask(fixed.labels) | (piece > 0)
    box = box_of(mask, 1)
    if box is None or not (other != 0).any():
        raise UnusableInput("the MR", "must show bodies, discs or canal", do="Give its label map with --mr-labels.")
    places = coarse_places(piece[box], mask[box], fixed.grid.cropped(box), other, moving.grid, PLACES)
    if not places or places[0].correlation < LEAST_AGREEMENT:
        got = places[0].correlation if places else 0.0
        raise UnusableInput(
            "the MR",
            f"must show the spine that the CT shows (agreement {LEAST_AGREEMENT:.2f} of their tissues)",
            got=f"{got:.2f}",
            do="Check that both scans are of one patient and region.",
        )
    middle_mm = fixed.grid.world_mm(np.argwhere(mask)).mean(axis=0)
    near_enough = [one.motion for one in places if one.correlation >= RIVAL_FRAC * places[0].correlation]
    return separate(near_enough, middle_mm)[:RIVALS]


def separate(motions: Sequence[RigidMotion], point_mm: Float) -> list[RigidMotion]:
    """Of some motions those that carry a (3,) point further than RIVAL_MM from where an earlier one carries it.

    >>> one, near, off = (RigidMotion.of(np.eye(3), [0.0, 0.0, z]) for z in (0.0, 5.0, 30.0))
    >>> separate([one, near, off], np.zeros(3)) == [one, off]
    True
    """
    kept: list[RigidMotion] = []
    for one in motions:
        place = one.moved_mm(point_mm)
        if all(np.linalg.norm(place - other.moved_mm(point_mm)) > RIVAL_MM for other in kept):
            kept.append(one)
    return kept


def tissue_field(labels: Labels) -> npt.NDArray[np.float32]:
    """(same shape) array: 1 in bone, 0.5 in discs, -1 in the canal, 0 elsewhere: what both kinds of scan can tell.

    >>> tissue_field(np.array([2201, 2250, 2, 9], dtype=np.uint16)).tolist()
    [1.0, 0.5, -1.0, 0.0]
    """
    field = np.where(bone_mask(labels), np.float32(1), np.float32(0))
    field[(labels >= 100) & (labels % 100 == Part.DISC)] = 0.5
    field[canal_mask(labels)] = -1.0
    return field


def names_agree(fixed: LabelledScan, moving: LabelledScan, motion: RigidMotion) -> bool:
    """Does the nearest named body of the moving scan carry the same name, for most of the fixed scan's vertebrae?

    Yes where the moving scan names none. Bodies that a scan's end cuts have their middles elsewhere, so no one counts
    alone.
    """
    mine, theirs = (_middles(one) for one in (fixed, moving))
    if not theirs:
        return True
    numbers, places = list(theirs), np.array(list(theirs.values()))
    votes = []
    for number, middle in mine.items():
        away = np.linalg.norm(places - motion.moved_mm(middle), axis=1)
        if away.min() <= NEAREST_MM:
            votes.append(numbers[int(away.argmin())] == number)
    return bool(votes) and float(np.mean(votes)) > 0.5


def _middles(one: LabelledScan) -> dict[int, npt.NDArray[np.float64]]:
    """Number of each named vertebra in view -> middle of its body."""
    found = set(np.unique(one.labels[bone_mask(one.labels)] // 100).tolist()) & set(VERTEBRAE.values())
    middles = {number: _middle(one, number) for number in sorted(found)}
    return {number: middle for number, middle in middles.items() if middle is not None}


def _middle(one: LabelledScan, number: int) -> npt.NDArray[np.float64] | None:
    index = np.argwhere(one.labels == 100 * number + Part.BODY)
    if not len(index):
        index = np.argwhere(bone_mask(one.labels) & (one.labels // 100 == number))
    return one.grid.world_mm(index).mean(axis=0) if len(index) else None
