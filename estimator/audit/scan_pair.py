"""Two scans of one patient, each vertebra of a level registered to the other scan; refused where they do not belong.

The rough place is looked for without knowing where the patient lay (`recon.registration.coarse_search`): the level's
two vertebrae together are the piece that is sought, so that a scan of other levels or of another patient fits nowhere
well. Then each vertebra finds its own rigid motion.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from canalwise.recon.anatomy import Anatomy, Level
from canalwise.recon.errors import UnusableInput
from canalwise.recon.grid import box_of
from canalwise.recon.image.implants import Implants, metal_of
from canalwise.recon.image.morphology import dilated
from canalwise.recon.labels import Mask, bone_mask, vertebra_number
from canalwise.recon.registration.coarse_search import coarse_places
from canalwise.recon.registration.rigid_motion import RigidMotion
from canalwise.recon.registration.vertebra_registration import VertebraRegistration, registered
from canalwise.recon.scan import Scan

PIECE_RIM_MM = 6.0
"""What is sought of a level: its bone and this much about it."""

Progress = Callable[[str], None]


@dataclass(frozen=True, eq=False)
class ScanPair:
    """A level before and after.

    Parameters
    ----------
    level : of the case
    before, after : both CTs
    registrations : 'upper' and 'lower' vertebra's name -> where it lies in the scan after
    implants : metal in the scan after and what its streaks reach; None without any
    """

    anatomy: Anatomy
    level: Level
    before: Scan
    after: Scan
    registrations: Mapping[str, VertebraRegistration]
    implants: Implants | None = None

    @property
    def motions(self) -> dict[str, RigidMotion]:
        """Vertebra -> motion, scan before -> scan after."""
        return {name: found.motion for name, found in self.registrations.items()}

    @property
    def residual_mm(self) -> float:
        """The larger of both vertebrae's residuals."""
        return max(found.residual_mm for found in self.registrations.values())


def pair_of(anatomy: Anatomy, before: Scan, after: Scan, level_name: str, progress: Progress | None = None) -> ScanPair:
    """The level of a case in a scan after an operation.

    Raises
    ------
    LevelNotInView : no such level in the case
    UnusableInput : an MR, another patient, or a scan that does not show both vertebrae
    """
    say = progress or (lambda _: None)
    level = anatomy.level(level_name)
    for who, scan in (("the case's scan", before), ("the scan after", after)):
        if not scan.kind.calibrated:
            raise UnusableInput(who, "must be a CT, for bone is found by its density", got=scan.modality,
                                do="Give the CT taken after the operation.")  # fmt: skip
    say("looking for the level in the scan after")
    implants = metal_of(after)
    hidden = None if implants is None else implants.streaked
    starts = starts_of(anatomy, before, after, level, hidden)
    found: dict[str, VertebraRegistration | None] = {}
    for vertebra in (level.upper, level.lower):
        say(f"registering {vertebra} with the scan after")
        found[vertebra] = registered(before, anatomy.labels, after, vertebra, starts, hidden=hidden)
    for vertebra, other in ((level.upper, level.lower), (level.lower, level.upper)):
        near = found[other]
        if not _usable(found[vertebra]) and near is not None and not near.problem:
            say(f"registering {vertebra} anew, from where {other} lies")
            found[vertebra] = registered(before, anatomy.labels, after, vertebra, [near.motion], hidden=hidden)
    return ScanPair(
        anatomy, level, before, after, {name: _registered(name, one) for name, one in found.items()}, implants
    )


def _usable(found: VertebraRegistration | None) -> bool:
    return found is not None and not found.problem


def _registered(vertebra: str, found: VertebraRegistration | None) -> VertebraRegistration:
    """What was found of a vertebra; refused where it cannot be used."""
    if found is None or found.problem:
        raise UnusableInput(
            "the scan after",
            f"must show {vertebra} of the same patient",
            got="its body is not in view before" if found is None else found.problem,
            do="Check patient, level and region of the scan.",
        )
    return found


def starts_of(
    anatomy: Anatomy, before: Scan, after: Scan, level: Level, hidden: Mask | None = None
) -> list[RigidMotion]:
    """Rough motions of a level's bone, likeliest first; no motion at all is always tried too.

    `hidden` (nx, ny, nz) on the grid of the scan after: what does not count there.
    """
    mask = _piece(anatomy, level)
    box = box_of(mask, 1)
    assert box is not None  # a level has bone
    clipped = np.clip(before.voxels[box], -200, 1000).astype(np.float32)
    other = np.clip(after.voxels, -200, 1000).astype(np.float32)
    places = coarse_places(clipped, mask[box], before.grid.cropped(box), other, after.grid, hidden=hidden)
    return [*(place.motion for place in places), RigidMotion.of(np.eye(3), np.zeros(3))]


def _piece(anatomy: Anatomy, level: Level) -> Mask:
    numbers = [vertebra_number(level.upper), vertebra_number(level.lower)]
    own = bone_mask(anatomy.labels) & np.isin(anatomy.labels // 100, numbers)
    return dilated(own, max(round(PIECE_RIM_MM / float(anatomy.grid.spacing_mm.max())), 1))
