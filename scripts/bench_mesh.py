"""The rival of the benchmark: the same removal as an exact boolean of closed meshes.

Bone is the surface of the level's occupancy, cropped to the channels; each cutter is a solid of revolution of 64 sides
whose radius is widened so that its sections keep the circle's area, cut into short facets, which the
boolean answers several times faster than long thin ones.
"""

from __future__ import annotations

import manifold3d
import numpy as np

from canalwise.estimator.approach.approach import PlacedPhase
from canalwise.estimator.level.level_bone import LevelBone
from canalwise.recon.grid import Float
from canalwise.recon.image.isosurface import mesh_of

SIDES = 64
FACET_MM = 4.0
CAP_POINTS = 12
"""Points along each rounded end of a cutter's profile."""

AREA_KEEPING = float(np.sqrt(2 * np.pi / SIDES / np.sin(2 * np.pi / SIDES)))
"""Radius of the polygon of SIDES sides that has the unit circle's area."""


def bone_solid(level_bone: LevelBone, near_mm: Float) -> manifold3d.Manifold:
    """The bone of a level within the box of some (N, 3) points, as a closed solid in RAS mm."""
    box = level_bone.grid.box_around(near_mm)
    grid = level_bone.grid.cropped(box)
    surface = mesh_of(level_bone.bone_mm3[box] / grid.voxel_mm3, grid)
    return _solid(surface.vertices_ras_mm, surface.faces)


def boolean_removal_mm3(bone: manifold3d.Manifold, phases: tuple[PlacedPhase, ...]) -> float:
    """Volume of bone inside the region that the phases sweep."""
    cutters = [cutter for phase in phases for cutter in _cutters(phase)]
    return float((manifold3d.Manifold.batch_boolean(cutters, manifold3d.OpType.Add) ^ bone).volume())


def _solid(vertices_mm: Float, faces: np.ndarray) -> manifold3d.Manifold:
    mesh = manifold3d.Mesh64(np.ascontiguousarray(vertices_mm), np.ascontiguousarray(faces, dtype=np.uint64))
    solid = manifold3d.Manifold(mesh)
    if solid.status() != manifold3d.Error.NoError or solid.volume() <= 0:
        raise RuntimeError(f"the bone's surface is no closed outward solid: {solid.status()}")
    return solid


def _cutters(phase: PlacedPhase) -> list[manifold3d.Manifold]:
    sizes = ((phase.sleeve_depth_mm, phase.sleeve_radius_mm), (phase.tip_depth_mm, phase.tool_radius_mm))
    return [_grown_cone(phase, depth_mm, radius_mm) for depth_mm, radius_mm in sizes]


def _grown_cone(phase: PlacedPhase, length_mm: float, radius_mm: float) -> manifold3d.Manifold:
    outline = _profile(np.radians(phase.sweep_deg), length_mm, radius_mm)
    section = manifold3d.CrossSection([outline * [AREA_KEEPING, 1.0]])
    solid = section.revolve(SIDES).refine_to_length(FACET_MM)
    turn = np.column_stack([*_across(phase.axis_ras), phase.axis_ras, phase.pivot_ras_mm])
    return solid.transform(turn)


def _profile(half_angle: float, length_mm: float, radius_mm: float) -> Float:
    """(N, 2) outline (radius, along the axis), anticlockwise, of a cone grown by a ball."""
    base_mm = length_mm * np.tan(half_angle)
    rim, apex = np.array([base_mm, length_mm]), np.zeros(2)
    front = _arc(rim, radius_mm, np.pi / 2, -half_angle)[::-1]
    back = _arc(apex, radius_mm, -half_angle, -np.pi / 2)[::-1]
    return np.vstack([back, front, [[0.0, length_mm + radius_mm]]])


def _arc(centre: Float, radius_mm: float, start: float, end: float) -> Float:
    angle = np.linspace(start, end, CAP_POINTS)
    return centre + radius_mm * np.column_stack([np.cos(angle), np.sin(angle)])


def _across(axis: Float) -> tuple[Float, Float]:
    """Two unit directions that make a right-handed triad with an axis."""
    first = np.cross(axis, np.eye(3)[np.argmin(np.abs(axis))])
    first /= np.linalg.norm(first)
    return first, np.cross(axis, first)
