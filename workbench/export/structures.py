"""Structures of a case and of a plan that can be exported, as masks on the case's grid and as closed surfaces."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from canalwise.estimator.outcome.label_maps import HALF
from canalwise.estimator.resection.resection_level import Resection
from canalwise.recon.anatomy import Anatomy
from canalwise.recon.case.meshes import decimated_mesh, structure_meshes, vertebra_share, without_specks
from canalwise.recon.errors import AnatomyNotFound
from canalwise.recon.image.isosurface import ClosedSurface, mesh_of
from canalwise.recon.labels import Mask, vertebrae_in
from canalwise.workbench.style.palette import CANAL, FEASIBLE, PALE_BONE, REMOVED, SAC

ROOM, RESECTION, BEFORE, AFTER = "room", "resection", "bone-before", "bone-after"
PLANNED = (ROOM, RESECTION, BEFORE, AFTER)
"""What a plan adds."""

SURFACE_COLOURS = {"canal": CANAL, "dural_sac": SAC, ROOM: FEASIBLE, RESECTION: REMOVED}
"""Vertebrae and bone are pale."""


@dataclass(frozen=True, eq=False)
class NamedSurface:
    """A closed surface, its name and what it stands for.

    Parameters
    ----------
    name : also of its file
    about : in words
    colour : '#rrggbb'
    """

    name: str
    about: str
    colour: str
    surface: ClosedSurface


@dataclass(frozen=True, eq=False)
class PlannedBone:
    """Bone of a level and what a plan takes of it, on a box of the case's grid.

    Parameters
    ----------
    before : (nx, ny, nz) array, share of each voxel that is bone of the level's two vertebrae
    taken : (nx, ny, nz) array, share of each voxel that is bone and goes
    room : (nx, ny, nz) array, share of each voxel that lies in the room needed
    """

    resection: Resection
    before: npt.NDArray[np.float32]
    taken: npt.NDArray[np.float32]
    room: npt.NDArray[np.float32]

    @property
    def after(self) -> npt.NDArray[np.float32]:
        """(nx, ny, nz) array: share of each voxel that is bone when the plan has been carried out."""
        return np.asarray(self.before - self.taken)

    def on_case(self, share: npt.NDArray[np.float32]) -> Mask:
        """(nx, ny, nz) array on the case's grid: is the voxel at least half filled?"""
        out = np.zeros(self.resection.at.anatomy.grid.shape, dtype=bool)
        out[self.resection.at.level_bone.box] = share >= HALF
        return out


def planned_bone(resection: Resection) -> PlannedBone:
    """The bone of a resection's level, what of it goes, and the room it makes."""
    at, removal = resection.at, resection.removal
    box = at.level_bone.box
    labels, occupancy = at.anatomy.labels[box], at.anatomy.occupancy[box]
    before = sum(
        (vertebra_share(labels, occupancy, name).astype(np.float32) for name in (at.level.upper, at.level.lower)),
        start=np.zeros(labels.shape, dtype=np.float32),
    )
    room = np.zeros(labels.shape, dtype=np.float32)
    room.reshape(-1)[at.room.voxels] = at.room.share
    return PlannedBone(resection, before, np.minimum(before, occupancy * removal.taken_frac), room)


def case_surfaces(anatomy: Anatomy, wanted: frozenset[str]) -> Iterator[NamedSurface]:
    """The vertebrae, canal and sac among `wanted`."""
    for name, surface in structure_meshes(anatomy):
        if name in wanted:
            about = "bone of the vertebra" if name[0].isupper() else name.replace("_", " ")
            yield NamedSurface(name, about, SURFACE_COLOURS.get(name, PALE_BONE), surface)


def plan_surfaces(bone: PlannedBone, wanted: frozenset[str]) -> Iterator[NamedSurface]:
    """What of the plan is among `wanted`; what encloses nothing is left out."""
    level, side = bone.resection.at.level.name, bone.resection.approach.side
    shares = {
        ROOM: (bone.room, "room that sac and roots need"),
        RESECTION: (bone.taken, "bone that the plan takes"),
        BEFORE: (bone.before, "bone of both vertebrae before"),
        AFTER: (bone.after, "bone of both vertebrae when the plan has been carried out"),
    }
    for name, (share, about) in shares.items():
        if name in wanted and (surface := _surface(bone, share)) is not None:
            yield NamedSurface(f"{level}-{side}-{name}", about, SURFACE_COLOURS.get(name, PALE_BONE), surface)


def _surface(bone: PlannedBone, share: npt.NDArray[np.float32]) -> ClosedSurface | None:
    try:
        found = without_specks(mesh_of(share, bone.resection.at.level_bone.grid))
    except AnatomyNotFound:
        return None
    return decimated_mesh(found) if len(found.faces) else None


def case_structures(anatomy: Anatomy) -> tuple[str, ...]:
    """Names of the surfaces that a case can have."""
    return (*vertebrae_in(anatomy.labels), "canal", "dural_sac")
