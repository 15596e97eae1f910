"""Points a decompression must reach, from the contour of a phantom's canal in planes across the level's z."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
from skimage.measure import find_contours

from canalwise.phantoms.anatomy.spine_model import Spine
from canalwise.phantoms.solid.pose import Pose
from canalwise.phantoms.truth.frame import PLANE_HALF_MM, PLANE_STEP_MM, CanalSection, canal_section
from canalwise.recon.grid import Float
from canalwise.recon.labels import Side

TARGET_STEP_MM = 0.5
"""Spacing of target points along a contour."""

WALL_FRAC, BORDER_FRAC, RECESS_FRAC, FORAMEN_FRAC = 0.5, (0.25, 0.9), 0.7, 0.9
"""Shares of the half-width w that bound each target (definitions)."""

VENTRAL_TOL_MM = 0.2
"""Canal this little ventral of a contour point, in its lattice column, is the lattice's own step."""

Keep = Callable[[CanalSection, Float], np.ndarray]
"""(N, 2) contour points of a section -> (N,) mask."""


def contour_mm(section: CanalSection) -> Float:
    """(N, 2) array: the canal's contour in a section, points every TARGET_STEP_MM along it."""
    count = round(2 * PLANE_HALF_MM / PLANE_STEP_MM)
    longest = max(find_contours(section.wall_mm.reshape(count, count), 0.0), key=len)
    line = (longest + 0.5) * PLANE_STEP_MM - PLANE_HALF_MM
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    at = np.linspace(0.0, along[-1], max(round(along[-1] / TARGET_STEP_MM), 4), endpoint=False)
    return np.stack([np.interp(at, along, line[:, i]) for i in (0, 1)], axis=-1)


def targets(spine: Spine, frame: Pose, side: Side, landmarks_ras_mm: Mapping[str, Float]) -> dict[str, Float]:
    """Target name -> (N, 3) array of RAS mm on one side of a level."""
    z = {
        name: float(frame.to_local_mm(landmarks_ras_mm[f"{name}_{side}"])[2])
        for name in ("upper_pedicle_lower_edge", "lower_pedicle_upper_edge")
    }
    recess_z = z["lower_pedicle_upper_edge"]
    foramen_z = (z["upper_pedicle_lower_edge"] + recess_z) / 2
    return {
        "canal wall": _picked(spine, frame, side, 0.0, (WALL_FRAC, 1.0)),
        "disc border": _picked(spine, frame, side, 0.0, BORDER_FRAC, _on_ventral_border),
        "lateral recess": _picked(spine, frame, side, recess_z, (RECESS_FRAC, 1.0), _before_centroid),
        "foramen entrance": _picked(spine, frame, side, foramen_z, (FORAMEN_FRAC, 1.0)),
    }


def _everywhere(section: CanalSection, line_mm: Float) -> np.ndarray:
    return np.ones(len(line_mm), dtype=bool)


def _before_centroid(section: CanalSection, line_mm: Float) -> np.ndarray:
    mask: np.ndarray = line_mm[:, 1] < section.centroid_mm()[1]
    return mask


def _on_ventral_border(section: CanalSection, line_mm: Float) -> np.ndarray:
    """Is a contour point the most ventral one at its x? True where its lattice column has no canal ventral of it."""
    count = round(2 * PLANE_HALF_MM / PLANE_STEP_MM)
    inside = section.wall_mm.reshape(count, count) < 0
    column = inside[np.floor((line_mm[:, 0] + PLANE_HALF_MM) / PLANE_STEP_MM).astype(int)]
    most_ventral = section.y_mm.reshape(count, count)[0, column.argmax(axis=1)]
    mask: np.ndarray = ~column.any(axis=1) | (line_mm[:, 1] - most_ventral <= VENTRAL_TOL_MM)
    return mask


def _picked(
    spine: Spine, frame: Pose, side: Side, z_mm: float, share: tuple[float, float], keep: Keep = _everywhere
) -> Float:
    """Contour points of one side in the plane z with |x| / w in a range, and what `keep` holds; RAS mm."""
    section = canal_section(spine, frame, z_mm)
    line = contour_mm(section)
    half = line[line[:, 0] > 0] if side == "left" else line[line[:, 0] < 0]
    lateral = np.abs(half[:, 0]) / np.abs(half[:, 0]).max()
    points = half[(lateral >= share[0]) & (lateral <= share[1]) & keep(section, half)]
    return frame.to_world_mm(np.column_stack([points, np.full(len(points), z_mm)]))
