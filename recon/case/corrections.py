"""Corrections by a person: structures replaced by label maps made elsewhere, recorded by name, file and checksum.

A map says where one structure is: every voxel that is not 0. What was that structure and is not in the map goes to its
neighbours (a part's bone to the nearest part of its vertebra, a vertebra's or disc's to soft tissue, a content's to the
canal); what the map claims is taken from whatever it was. All that follows is then found anew.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from canalwise.recon.anatomy import Correction
from canalwise.recon.bone.occupancy import bone_model, occupancy_within
from canalwise.recon.case.structure_names import structure_of
from canalwise.recon.errors import BadLabels, WrongUse
from canalwise.recon.grid import Grid
from canalwise.recon.image.volume import BUDGET_MB, canonical
from canalwise.recon.intake.label_maps import check_order, check_sides
from canalwise.recon.intake.label_names import VoxelMeaning
from canalwise.recon.intake.reader import read_volume
from canalwise.recon.labels import CANAL_CONTENTS, Labels, Mask, Part, Tissue, bone_mask
from canalwise.recon.level.resampled_level import disc_mask
from canalwise.recon.scan import Scan

LATTICE_TOL_FRAC = 0.02
"""Two grids share their voxels when corresponding centres lie within this share of an edge."""

CANAL_IN_BONE_FRAC = 0.5
"""A canal's map that lies in bone by more than this is the wrong map (common practice, no source)."""

KNOWN_FRAC = 0.7
"""A vertebra's map that shares this much with what was found corrects its borders; else its parts were wrong too."""

CHANGED_RING = 2
"""Voxels round changed bone whose share is worked out anew: a border's partial volume reaches as far."""


@dataclass(frozen=True, eq=False)
class Replacement:
    """One structure and where it is.

    Parameters
    ----------
    structure : as in `structure_of`
    mask, grid : (nx, ny, nz) bool array and where it lies
    record : as it is kept in the case
    """

    structure: str
    mask: Mask
    grid: Grid
    record: Correction

    def on(self, grid: Grid) -> Mask:
        """The mask on another grid of the same lattice; False where it does not reach.

        Raises BadLabels where the two do not share their voxels.

        Returns
        -------
        mask : (nx, ny, nz) array on `grid`
        """
        # nothing is resampled in silence: half a voxel's shift would move every border by as much
        start = self.grid.index_of(grid.world_mm([0, 0, 0]))
        ends = self.grid.index_of(grid.world_mm(np.array(grid.shape) - 1)) - start
        shared = (
            np.abs(start - np.rint(start)).max() <= LATTICE_TOL_FRAC
            and np.abs(ends - (np.array(grid.shape) - 1)).max() <= LATTICE_TOL_FRAC
        )
        if not shared:
            raise BadLabels(
                f"--replace {self.structure}",
                f"must lie on the scan's voxels, {_reported(grid)}",
                got=_reported(self.grid),
                do="Paint it on the case's own scan.nii.gz, or resample it, nearest neighbour, onto that.",
            )
        low = np.rint(start).astype(int)
        out = np.zeros(grid.shape, dtype=bool)
        here = [
            slice(max(-int(a), 0), min(n, m - int(a))) for a, n, m in zip(low, grid.shape, self.mask.shape, strict=True)
        ]
        there = [slice(s.start + int(a), s.stop + int(a)) for s, a in zip(here, low, strict=True)]
        if all(s.stop > s.start for s in here):
            out[tuple(here)] = self.mask[tuple(there)]
        return out


def _reported(grid: Grid) -> str:
    corner, spacing = (np.round(v, 3).tolist() for v in (grid.affine_ras_mm[:3, 3], grid.spacing_mm))
    return f"{grid.shape} voxels of {spacing} mm, first centre at RAS {corner} mm"


def replacement_of(text: str, *, keep_name: bool = False) -> Replacement:
    """The replacement written as WHAT=FILE.

    Parameters
    ----------
    keep_name : keep the file's name in the record; it may name the patient, so only where a person asks for it

    Raises
    ------
    WrongUse : an unknown structure, or no file named
    BadFile, BadGeometry : the file cannot be read
    BadLabels : nothing in it is marked
    """
    name, _, file = (part.strip() for part in text.partition("="))
    structure_of(name)
    if not file:
        raise WrongUse("--replace", "must be written WHAT=FILE", got=text, do="Write --replace canal=canal.nii.gz.")
    path = Path(file)
    volume = canonical(read_volume(path, budget_mb=BUDGET_MB))
    mask = np.asarray(np.nan_to_num(volume.voxels) != 0)
    if not mask.any():
        raise BadLabels(
            f"--replace {name}",
            "must mark at least one voxel",
            got="a map of zeros only",
            do="Export the painted structure with values other than 0.",
        )
    # a folder of slices has no one checksum
    digest = hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else ""
    record = Correction("replaced", name, digest, path.name if keep_name else "")
    return Replacement(name, mask, Grid(mask.shape, volume.affine_ras_mm), record)


def kept_replacement(record: Correction, labels: Labels, grid: Grid) -> Replacement:
    """A replacement made earlier, as it stands in a case's labels.

    >>> kept = kept_replacement(Correction("replaced", "sac"), np.array([[[1, 2, 2]]]), Grid((1, 1, 3), np.eye(4)))
    >>> int(kept.mask.sum())
    2
    """
    return Replacement(record.what, _own(labels, structure_of(record.what)), grid, record)


def _own(labels: Labels, what: VoxelMeaning) -> Mask:
    """Where the labels show a structure."""
    if what.tissue == Tissue.CANAL:
        return np.isin(labels, CANAL_CONTENTS)
    if what.tissue:
        return np.asarray(labels == what.tissue)
    if what.part:
        return np.asarray(labels == 100 * what.vertebra + what.part)
    return np.asarray((labels // 100 == what.vertebra) & bone_mask(labels))


def with_replacements(labels: Labels, grid: Grid, replacements: Sequence[Replacement]) -> Labels:
    """The labels with structures replaced; vertebrae first, then parts and discs, the canal, and what fills it.

    `labels` (nx, ny, nz) on `grid`, as is the answer.

    A replaced vertebra of which less than KNOWN_FRAC was known is UNDIVIDED: its parts are to be found anew.

    Raises
    ------
    BadLabels : a map off the grid, a canal that lies in bone, or sides or vertebrae in the wrong order afterwards
    """
    out = labels.copy()
    # wholes before their parts, walls before what they hold, in whatever order a person names them
    for each in sorted(replacements, key=lambda r: _rank(structure_of(r.structure))):
        what, mask = structure_of(each.structure), each.on(grid)
        if not mask.any():
            raise BadLabels(
                f"--replace {each.structure}",
                "must mark voxels within the scan",
                got="none of them",
                do="Check that the map belongs to this scan.",
            )
        if what.tissue == Tissue.CANAL:
            _check_canal(out, mask)
            out = with_canal_in(out, mask)
        elif what.tissue:
            _give_up(out, _own(out, what) & ~mask, Tissue.CANAL)
            out[mask] = what.tissue
        elif what.part == Part.DISC:
            _give_up(out, _own(out, what) & ~mask, Tissue.SOFT)
            out[mask] = 100 * what.vertebra + Part.DISC
        elif not what.part:
            _lay_vertebra(out, grid, what, mask)
        else:
            _lay_part(out, grid, what, mask)
    # a map drawn on the mirrored image would send the approach to the wrong side
    check_order(out, grid)
    check_sides(out, grid)
    return out


def _rank(what: VoxelMeaning) -> tuple[int, int]:
    """Place in the order of laying: vertebra, part and disc, canal, contents."""
    if what.tissue:
        return (2 if what.tissue == Tissue.CANAL else 3, int(what.tissue))
    return (1 if what.part else 0, 100 * what.vertebra + what.part)


def _give_up(labels: Labels, where: Mask, to: int) -> None:
    labels[where] = to


def with_canal_in(labels: Labels, mask: Mask) -> Labels:
    """Labels whose canal is the mask: sac and other contents stay inside it, and become soft tissue outside.

    Parameters
    ----------
    labels, mask : (nx, ny, nz) arrays on one grid

    Returns
    -------
    labels : (nx, ny, nz) array

    >>> with_canal_in(np.array([1, 2, 2, 9], dtype=np.uint16), np.array([False, False, True, True])).tolist()
    [9, 9, 2, 1]
    """
    out, contents = labels.copy(), np.isin(labels, CANAL_CONTENTS)
    out[contents & ~mask] = Tissue.SOFT
    out[mask & ~contents] = Tissue.CANAL
    return out


def _check_canal(labels: Labels, mask: Mask) -> None:
    in_bone = float(bone_mask(labels)[mask].mean())
    if in_bone > CANAL_IN_BONE_FRAC:
        raise BadLabels(
            "--replace canal",
            f"must lie outside bone by at least {100 * (1 - CANAL_IN_BONE_FRAC):.0f} %",
            got=f"{100 * in_bone:.0f} % of it in bone",
            do="Check that the map shows this scan's canal.",
        )


def _lay_vertebra(labels: Labels, grid: Grid, what: VoxelMeaning, mask: Mask) -> None:
    """A vertebra; bone it had keeps its part and new bone takes the nearest one's, unless most of it is new."""
    own = _own(labels, what)
    known = own & mask & (labels % 100 != Part.UNDIVIDED)
    fresh = mask & ~known
    labels[own & ~mask] = Tissue.SOFT
    if known.sum() < KNOWN_FRAC * mask.sum():
        labels[mask] = 100 * what.vertebra + Part.UNDIVIDED
    elif fresh.any():
        labels[fresh] = _nearest(labels, known, fresh, grid)


def _nearest(labels: Labels, sources: Mask, where: Mask, grid: Grid) -> Labels:
    """Labels of the nearest voxel of `sources` to each voxel of `where`."""
    _, nearest = ndimage.distance_transform_edt(~sources, sampling=tuple(grid.spacing_mm), return_indices=True)
    found: Labels = labels[tuple(nearest[:, where])]
    return found


def _lay_part(labels: Labels, grid: Grid, what: VoxelMeaning, mask: Mask) -> None:
    """One part of a vertebra; bone it no longer holds goes to the vertebra's nearest other part."""
    value = 100 * what.vertebra + what.part
    # it is bone still, for a person who redraws a part says where it ends, not that the rest is gone
    left = (labels == value) & ~mask
    others = (labels // 100 == what.vertebra) & bone_mask(labels) & (labels != value) & ~mask
    if left.any() and others.any():
        labels[left] = _nearest(labels, others, left, grid)
    elif left.any():
        labels[left] = 100 * what.vertebra + Part.UNDIVIDED
    labels[mask] = value


def occupancy_again(
    labels: Labels, before: Labels, occupancy: npt.NDArray[np.float32], scan: Scan
) -> npt.NDArray[np.float32]:
    """Bone shares of corrected labels: worked out anew about bone that came or went, as before elsewhere.

    Parameters
    ----------
    labels, before, occupancy : (nx, ny, nz) arrays of the scan's grid; labels after and before the correction
    """
    # a part that only changed its name moves no border
    changed = bone_mask(labels) != bone_mask(before)
    if not changed.any():
        return occupancy
    near = ndimage.binary_dilation(changed, iterations=CHANGED_RING)
    spans = [np.flatnonzero(near.any(axis=tuple(a for a in range(3) if a != axis))) for axis in range(3)]
    i, j, k = (slice(max(int(s[0]) - 4, 0), int(s[-1]) + 5) for s in spans)
    model = bone_model(scan) if scan.kind.calibrated else None
    fresh = occupancy_within(bone_mask(labels[i, j, k]), scan.cropped((i, j, k)), model)
    out = occupancy.copy()
    out[i, j, k] = np.where(near[i, j, k], fresh, out[i, j, k])
    return out


def bone_changed(labels: Labels, before: Labels) -> bool:
    """Did any bone or disc, the canal's wall, come or go?

    >>> bone_changed(np.array([2206, 9]), np.array([2207, 9])), bone_changed(np.array([9]), np.array([2206]))
    (False, True)
    """
    return bool(((bone_mask(labels) | disc_mask(labels)) != (bone_mask(before) | disc_mask(before))).any())


def without_modelled(labels: Labels, sources: Mapping[str, str]) -> Labels:
    """Labels whose modelled ligament and sac are plain canal again, to be modelled anew.

    Parameters
    ----------
    labels : (nx, ny, nz) array
    sources : of the anatomy; what is modelled goes

    Returns
    -------
    labels : (nx, ny, nz) array

    >>> without_modelled(np.array([2, 3], dtype=np.uint16), {"sac": "modelled", "flavum": "given"}).tolist()
    [1, 3]
    """
    out = labels.copy()
    for name, tissue in (("sac", Tissue.SAC), ("flavum", Tissue.FLAVUM)):
        if sources.get(name) == "modelled":
            out[out == tissue] = Tissue.CANAL
    return out


def correction_sentences(records: Sequence[Correction]) -> tuple[str, ...]:
    """Corrections in words, for people.

    >>> correction_sentences([Correction("seed", "canal", point_ras_mm=(1, 2, 3))])
    ('canal: a point was placed at RAS 1.0, 2.0, 3.0 mm',)
    """
    return tuple(_words(record) for record in records)


def _words(record: Correction) -> str:
    if record.point_ras_mm is not None:
        return f"{record.what}: a point was placed at RAS {', '.join(f'{v:.1f}' for v in record.point_ras_mm)} mm"
    named = f"{record.file_name}, " if record.file_name else ""
    return f"{record.what} was replaced by a label map ({named}sha256 {record.sha256[:12]}...)"
