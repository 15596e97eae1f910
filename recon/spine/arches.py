"""Assignment of each piece of the arches to a vertebra.

Bone dorsal of the bodies is flooded from what is sure: the pedicles (lateral of the canal at pedicle height) and the
midline roof (lamina and spinous process, caudal of their own pedicle). Bright bone floods first, so the floods from a
superior process and from the inferior process it faces meet in the darker joint between them.
"""

from __future__ import annotations

import edt
import numpy as np
import numpy.typing as npt
from scipy import ndimage

from canalwise.recon.labels import Mask
from canalwise.recon.spine.axial_profile import SpineProfile
from canalwise.recon.spine.bodies import flooded
from canalwise.recon.spine.canal_coordinates import SpineField

PEDICLE_HALF_MM = 3.0
"""Half-height of the pedicle's marker about its middle."""

ROOF_HALF_WIDTH_MM, ROOF_DEPTH_MM = 2.5, 8.0
"""The midline roof's marker: its half-width and how far dorsal of the canal it reaches."""

LAMINA_MM = (3.0, 20.0)
"""The midline roof of a vertebra lies this far caudal of its pedicle's middle: laminae hang below their pedicles."""

SUPERIOR_MM, SUPERIOR_LAYER_MM = (5.0, 13.0), 3.0
"""The superior process rises this far above its pedicle's middle; its layer facing the foramen is marked."""

SUPERIOR_BACK_MM = (4.0, 16.0)
"""Where the dorsal wall of the foramen lies, dorsal of the posterior wall of the bodies."""

LAMINA_SIDE_MM, LAMINA_LAYER_MM = 8.0, 4.0
"""The laminae are marked to this far from the midline, medial of any superior process, in a layer on the canal."""

PERIOD_MM = 34.0
"""Where a pedicle is out of view it is taken this far from the next (common practice, no source)."""

BLUR_MM = 0.5
OTHER = 255


def arches(
    field: SpineField,
    value_hu: npt.NDArray[np.generic],
    bone: Mask,
    body: npt.NDArray[np.uint8],
    canal: Mask,
    profile: SpineProfile,
) -> npt.NDArray[np.uint8]:
    """(nx, ny, nz) array: number of the vertebra, counted from the caudal end, of every bone voxel; bodies as given."""
    markers = np.zeros(bone.shape, dtype=np.uint8)
    canal_mm = edt.edt(np.asfortranarray(~canal), anisotropy=tuple(field.grid.spacing_mm))
    for n, pedicle in enumerate(pedicle_heights_mm(profile), start=1):
        markers[_pedicle(field, pedicle) & bone] = n
        markers[_roof(field, pedicle) & bone] = n
        markers[_lamina(field, pedicle, canal_mm) & bone] = n
        markers[_superior(field, pedicle, bone)] = n
    markers[body > 0] = body[body > 0]
    markers[~bone & (body == 0)] = OTHER
    found = flooded(-ndimage.gaussian_filter(value_hu.astype(np.float32), BLUR_MM / field.grid.spacing_mm), markers)
    found[found == OTHER] = 0
    return found


def pedicle_heights_mm(profile: SpineProfile) -> list[float]:
    """Height of every vertebra's pedicle, caudal to cranial; those out of view are taken one period from the next."""
    known = [profile.pedicle_of(n) for n in range(profile.count)]
    first = next(n for n, p in enumerate(known) if p is not None)
    heights: list[float] = []
    for n, p in enumerate(known):
        guess = heights[-1] + PERIOD_MM if n > first else float(known[first] or 0.0) - (first - n) * PERIOD_MM
        heights.append(guess if p is None else p)
    return heights


def _pedicle(field: SpineField, height_mm: float) -> Mask:
    beside = (field.beside_mm >= 0.5) & (field.beside_mm <= 8.0) & (field.back_mm >= 0.0) & (field.back_mm <= 6.0)
    return np.asarray(beside & (np.abs(field.along_mm - height_mm) <= PEDICLE_HALF_MM))


def _lamina(field: SpineField, pedicle_mm: float, canal_mm: npt.NDArray[np.float32]) -> Mask:
    """The inner layer of the laminae beside the midline, caudal of their pedicle."""
    aside = np.abs(field.left_mm)
    roof = (aside >= ROOF_HALF_WIDTH_MM) & (aside <= LAMINA_SIDE_MM) & (canal_mm <= LAMINA_LAYER_MM)
    below = pedicle_mm - field.along_mm
    return np.asarray(roof & (field.behind_mm >= -7.0) & (below >= LAMINA_MM[0] + 2.0) & (below <= LAMINA_MM[1] - 2.0))


def _superior(field: SpineField, pedicle_mm: float, bone: Mask) -> Mask:
    """Bone of the dorsal wall of the foramen just above a pedicle: the front layer of the superior process."""
    low, high = SUPERIOR_BACK_MM
    rise = field.along_mm - pedicle_mm
    column = (rise >= SUPERIOR_MM[0]) & (rise <= SUPERIOR_MM[1]) & (field.beside_mm >= 1.0) & (field.beside_mm <= 9.0)
    near = column & (field.back_mm >= low) & (field.back_mm <= high)
    behind = bone & near
    # Front layer: bone with foramen, not bone, a layer's depth ventral of it. Ventral is +j on a scan's grid.
    steps = max(round(SUPERIOR_LAYER_MM / float(field.grid.spacing_mm[1])), 1)
    ahead = np.zeros_like(bone)
    ahead[:, :-steps] = bone[:, steps:]
    return np.asarray(behind & ~ahead)


def _roof(field: SpineField, pedicle_mm: float) -> Mask:
    depth = field.behind_mm
    middle = (np.abs(field.left_mm) <= ROOF_HALF_WIDTH_MM) & (depth >= -1.0) & (depth <= ROOF_DEPTH_MM)
    below = pedicle_mm - field.along_mm
    return np.asarray(middle & (below >= LAMINA_MM[0]) & (below <= LAMINA_MM[1]))
