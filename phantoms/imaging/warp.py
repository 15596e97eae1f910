"""Smooth, deterministic changes of shape: one set of vertebra surfaces stands for many patients.

A warp maps the whole spine at once, so neighbours move together and joint gaps stay open: sizes, shear, a bend in the
coronal and the sagittal plane, a twist along the axis, and a ripple of about a vertebra's size.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from canalwise.phantoms.imaging.voxelise import Mesh
from canalwise.recon.errors import WrongUse
from canalwise.recon.grid import Float

RIPPLE_LENGTH_MM = 70.0
"""Wavelength of the ripple: a vertebra with its disc twice, so that sides and neighbours differ."""

LEAST_STRETCH = 0.4
"""A warp that shrinks some direction further than this could fold the surface; it is refused."""


@dataclass(frozen=True)
class Warp:
    """A change of shape about a centre, in RAS.

    Parameters
    ----------
    size_frac : of left-right, dorso-ventral and cranio-caudal sizes
    shear_frac : mm to the left and dorsally per mm cranially
    coronal_deg, sagittal_deg, axial_deg : bend to the right, bend backward and twist per 100 mm along the axis
    ripple_mm : height of the ripple
    phase_rad : of the ripple; other values, other patients

    >>> Warp().points_mm(np.array([[1.0, 2.0, 3.0]]), np.zeros(3)).tolist()
    [[1.0, 2.0, 3.0]]
    """

    size_frac: tuple[float, float, float] = (1.0, 1.0, 1.0)
    shear_frac: tuple[float, float] = (0.0, 0.0)
    coronal_deg: float = 0.0
    sagittal_deg: float = 0.0
    axial_deg: float = 0.0
    ripple_mm: float = 0.0
    phase_rad: float = 0.0

    def points_mm(self, points_mm: Float, centre_mm: Float) -> Float:
        """(N, 3) array: where (N, 3) points go."""
        offset = (points_mm - centre_mm) * self.size_frac
        offset = offset + self._ripple_mm(offset)
        offset[:, 0] -= self.shear_frac[0] * offset[:, 2]
        offset[:, 1] -= self.shear_frac[1] * offset[:, 2]
        offset = _twisted(offset, self.axial_deg)
        offset = _bent(offset, self.coronal_deg, across=0)
        return _bent(offset, self.sagittal_deg, across=1) + centre_mm

    def _ripple_mm(self, offset_mm: Float) -> Float:
        turn = 2.0 * np.pi / RIPPLE_LENGTH_MM * offset_mm + self.phase_rad
        found: Float = self.ripple_mm * np.sin(np.roll(turn, 1, axis=1) + np.arange(3.0))
        return found


def _twisted(offset_mm: Float, deg_per_100_mm: float) -> Float:
    """Points turned about the z axis by an angle that grows with z."""
    angle = np.radians(deg_per_100_mm) * offset_mm[:, 2] / 100.0
    x, y, z = offset_mm.T
    return np.stack([np.cos(angle) * x - np.sin(angle) * y, np.sin(angle) * x + np.cos(angle) * y, z], axis=-1)


def _bent(offset_mm: Float, deg_per_100_mm: float, across: int) -> Float:
    """Points with the z axis bent into an arc toward one other axis; its length stays.

    >>> _bent(np.array([[0.0, 0.0, 100.0]]), 90.0, across=0).round(1).tolist()
    [[63.7, 0.0, 63.7]]
    """
    if not deg_per_100_mm:
        return offset_mm
    radius = 100.0 / np.radians(deg_per_100_mm)
    angle, arm = offset_mm[:, 2] / radius, radius - offset_mm[:, across]
    out = offset_mm.copy()
    out[:, across] = radius - arm * np.cos(angle)
    out[:, 2] = arm * np.sin(angle)
    return out


def middle_mm(meshes: Mapping[str, Mesh]) -> Float:
    """(3,) array: the middle of the box around some surfaces.

    >>> corner = np.array([[0.0, 0, 0], [4, 0, 0], [0, 6, 0], [0, 0, 8]])
    >>> faces = np.array([[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]])
    >>> middle_mm({"L3": Mesh(corner, faces)}).tolist()
    [2.0, 3.0, 4.0]
    """
    corners = np.concatenate([mesh.vertices_mm for mesh in meshes.values()])
    found: Float = (corners.min(axis=0) + corners.max(axis=0)) / 2
    return found


def warped(meshes: Mapping[str, Mesh], warp: Warp) -> dict[str, Mesh]:
    """Vertebra name -> its surface after a warp about the middle of all; WrongUse when the warp would fold them."""
    centre = middle_mm(meshes)
    found = {name: Mesh(warp.points_mm(mesh.vertices_mm, centre), mesh.triangles) for name, mesh in meshes.items()}
    for name, mesh in found.items():
        stretch = mesh.volume_mm3 / (meshes[name].volume_mm3 * float(np.prod(warp.size_frac)))
        if not LEAST_STRETCH <= stretch <= 1 / LEAST_STRETCH:
            raise WrongUse("warp", f"must keep the volume of {name} within {LEAST_STRETCH} of itself", got=stretch)
    return found
