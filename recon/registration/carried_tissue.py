"""Sac, ligament and discs seen on an MR, carried onto the voxels of a CT.

Each vertebra's surroundings come through its own motion, what lies between through a smooth blend. A level counts only
where both its vertebrae were registered well enough; elsewhere nothing is carried.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise

import edt
import numpy as np

from canalwise.recon.grid import Box, Float, Grid, box_of
from canalwise.recon.image.sampling import linear_at
from canalwise.recon.labels import (
    Labels,
    Mask,
    Part,
    Tissue,
    bone_mask,
    canal_mask,
    label_of,
    vertebra_mask,
    vertebra_number,
)
from canalwise.recon.registration.blend import BlendedMotion, blended
from canalwise.recon.registration.column import LabelledScan
from canalwise.recon.registration.vertebra_registration import VertebraRegistration

DISC_REACH_MM = 4.0
"""A disc of the MR takes the place of the CT's within this distance of it."""

HALF = 0.5
"""A voxel belongs to what fills at least this share of it."""

LEAST_DISC_FRAC = 0.4
"""A disc of the MR smaller than this share of the CT's is not believed."""

Pair = tuple[str, str]


@dataclass(frozen=True, eq=False)
class CarriedTissue:
    """Tissue of an MR carried to a CT's voxels.

    Parameters
    ----------
    labels : (nx, ny, nz) array: the CT's, with discs of the MR where it shows them
    canal : (nx, ny, nz) array: SAC, FLAVUM or CANAL where the MR tells what fills the canal, 0 elsewhere
    levels : (upper, lower) that were carried
    refused : (upper, lower) -> why not
    registrations : of every vertebra
    """

    labels: Labels
    canal: Labels
    levels: tuple[Pair, ...]
    refused: Mapping[Pair, str]
    registrations: Mapping[str, VertebraRegistration]


def carried(
    fixed: LabelledScan, moving: LabelledScan, registrations: Mapping[str, VertebraRegistration]
) -> CarriedTissue:
    """The tissue of an MR on a CT's voxels, level by level."""
    names = list(registrations)
    pairs = [(a, b) for a, b in pairwise(names) if vertebra_number(b) - vertebra_number(a) <= 2]
    refused = {pair: why for pair in pairs if (why := _refusal(pair, registrations))}
    good = tuple(pair for pair in pairs if pair not in refused)
    labels, canal = fixed.labels.copy(), np.zeros_like(fixed.labels)
    used = {name: registrations[name].motion for name in names if any(name in pair for pair in good)}
    if used:
        blend = blended(fixed.labels, fixed.grid, used)
        for pair in good:
            _carry(pair, fixed, moving, blend, (labels, canal))
    return CarriedTissue(labels, canal, good, refused, registrations)


def _refusal(pair: Pair, registrations: Mapping[str, VertebraRegistration]) -> str:
    """Why a level is not carried; empty where it is."""
    problems = [f"{name}: {registrations[name].problem}" for name in pair if registrations[name].problem]
    return "; ".join(problems)


def _carry(
    pair: Pair, fixed: LabelledScan, moving: LabelledScan, blend: BlendedMotion, out: tuple[Labels, Labels]
) -> None:
    """Writes one level's tissue into labels and canal (in place)."""
    labels, canal = out
    zone = level_zone(fixed.labels, fixed.grid, pair)
    box = box_of(zone)
    if box is None:
        return
    inside = zone[box] & canal_mask(fixed.labels[box])
    points = blend.moved_mm(fixed.grid.cropped(box).world_mm(np.argwhere(inside)))
    index = moving.grid.index_of(points)
    # between slices borders run straight, not in steps as long as a slice is thick
    sac, flavum = (
        linear_at((moving.labels == tissue).astype(np.float32), index) for tissue in (Tissue.SAC, Tissue.FLAVUM)
    )
    beside_sac = np.where(flavum >= HALF, Tissue.FLAVUM, Tissue.CANAL)
    canal[box][inside] = np.where(sac >= np.maximum(flavum, HALF), Tissue.SAC, beside_sac)
    _carry_disc(pair, fixed, moving, blend, labels)


def _carry_disc(pair: Pair, fixed: LabelledScan, moving: LabelledScan, blend: BlendedMotion, labels: Labels) -> None:
    own = fixed.labels == label_of(pair[0], Part.DISC)
    box = box_of(own, np.ceil(DISC_REACH_MM / fixed.grid.spacing_mm))
    if box is None:
        return
    spacing = tuple(float(s) for s in fixed.grid.spacing_mm)
    near = edt.edt(np.asfortranarray(~own[box]), anisotropy=spacing) <= DISC_REACH_MM
    near &= ~bone_mask(fixed.labels[box]) & ~canal_mask(fixed.labels[box])
    seen = read_at(moving, blend, fixed.grid, box, near)
    disc = np.zeros(near.shape, dtype=bool)
    disc[near] = (seen >= 100) & (seen % 100 == Part.DISC)
    if disc.sum() >= LEAST_DISC_FRAC * own.sum():
        labels[box][own[box] & ~disc] = Tissue.SOFT
        labels[box][disc] = label_of(pair[0], Part.DISC)


def read_at(moving: LabelledScan, blend: BlendedMotion, grid: Grid, box: Box, where: Mask) -> Labels:
    """(M,) array: the moving scan's label at each voxel of a requested box; 0 outside that scan."""
    points = grid.cropped(box).world_mm(np.argwhere(where))
    index = np.rint(moving.grid.index_of(blend.moved_mm(points))).astype(int)
    inside = ((index >= 0) & (index < moving.grid.shape)).all(axis=1)
    out = np.zeros(len(points), dtype=np.uint16)
    out[inside] = moving.labels[tuple(index[inside].T)]
    return out


def level_zone(labels: Labels, grid: Grid, pair: Pair) -> Mask:
    """(same shape) array: between the middles of both bodies, across the line that joins them."""
    ends = [_middle_mm(labels, grid, name) for name in pair]
    axial = ends[0] - ends[1]
    length = float(np.linalg.norm(axial))
    axis = grid.affine_ras_mm[:3, :3].T @ axial / length
    start = (grid.world_mm([0, 0, 0]) - ends[1]) @ axial / length
    i, j, k = np.ogrid[: grid.shape[0], : grid.shape[1], : grid.shape[2]]
    height = start + axis[0] * i + axis[1] * j + axis[2] * k
    zone: Mask = (height >= 0) & (height <= length)
    return zone


def _middle_mm(labels: Labels, grid: Grid, vertebra: str) -> Float:
    body = np.argwhere(labels == label_of(vertebra, Part.BODY))
    index = body if len(body) else np.argwhere(vertebra_mask(labels, vertebra_number(vertebra)))
    return np.asarray(grid.world_mm(index).mean(axis=0))
