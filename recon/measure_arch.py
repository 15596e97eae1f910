"""The arch: lamina thickness and slope, pars width, spinous base width, depth under the skin."""

from __future__ import annotations

import edt
import numpy as np

from recon.anatomy import Measurement
from recon.grid import Float
from recon.labels import SIDES, Part, Side, sided
from recon.landmarks import MID_LAMINA_HALF_MM
from recon.local import Local
from recon.measure import Scene, banded

BASE_BEHIND_MM, BASE_SPAN_MM = 7.0, 2.0
"""Where the spinous base ends dorsally (design, shared definitions), and how far behind that its width is read."""

BASE_HALF_HEIGHT_MM = 4.0
"""Half the height over which the spinous base width is read."""

LINE_MM = 0.1
"""Step of the lines along which widths are read."""

WIDEST_MM = 30.0
"""Half the length of those lines."""


def arch_measurements(scene: Scene) -> tuple[Measurement, ...]:
    """Measurements of both laminae, pars and spinous base of the upper vertebra, and laminae of the lower."""
    out: list[Measurement] = []
    for side in SIDES:
        for vertebra in (scene.view.upper, scene.view.lower):
            out += _lamina(scene.view, vertebra, side)
        pars = scene.landmarks_mm.get(f"upper_pars_{side}")
        if pars is not None:
            out += banded("pars width", pars_width_mm(scene.view, side, pars), "mm", f"{side} pars of {scene.view.upper}",
                          "isthmus, medio-lateral", scale="pars width")
    base = scene.landmarks_mm.get("upper_spinous_base")
    if base is not None:
        out += banded("spinous base width", spinous_base_width_mm(scene.view, base), "mm", f"spinous base of {scene.view.upper}",
                      f"{BASE_BEHIND_MM:g} mm dorsal of the canal roof")
    return tuple(out)


def _lamina(view: Local, vertebra: str, side: Side) -> list[Measurement]:
    points = view.points_mm(view.mask(vertebra, sided("lamina", side)))
    if not len(points):
        return []
    middle = (points[:, 0].min() + points[:, 0].max()) / 2
    strip = points[np.abs(points[:, 0] - middle) <= MID_LAMINA_HALF_MM]
    structure = f"{side} lamina of {vertebra}"
    return [*banded("lamina thickness", lamina_thickness_mm(view, strip), "mm", structure, "mid-lamina"),
            *banded("lamina slope", lamina_slope_deg(strip), "deg", structure, "sagittal plane at mid-lamina, from the disc plane")]


def lamina_thickness_mm(view: Local, strip_mm: Float) -> float | None:
    """Diameter of the largest ball that the bone of a lamina's middle strip holds.

    `strip_mm` is a (N, 3) array of the strip's voxel centres in level mm.
    """
    if not len(strip_mm):
        return None
    box = view.box_around(strip_mm, 6.0)
    part = view.cropped(box)
    depth = edt.edt(np.ascontiguousarray(part.bone >= 0.5), anisotropy=(view.step_mm,) * 3, black_border=False)
    inner = np.rint(part.index_of(strip_mm)).astype(int)
    deepest = float(depth[tuple(inner.T)].max())
    # distance between voxel centres; the face lies half a voxel before the first empty one
    return 2 * (deepest - view.step_mm / 2)


def lamina_slope_deg(strip_mm: Float) -> float | None:
    """Angle in the sagittal plane from ventral to the lamina's caudal direction: 90 upright, more when it leans dorsally.

    >>> z = np.linspace(0, 10, 21); leaning = np.column_stack([0 * z, -z * np.tan(np.radians(30)), z])
    >>> round(lamina_slope_deg(leaning), 6)
    120.0
    """
    if len(strip_mm) < 3:
        return None
    yz = strip_mm[:, 1:] - strip_mm[:, 1:].mean(axis=0)
    along = np.linalg.eigh(yz.T @ yz)[1][:, -1]
    y, z = along if along[1] < 0 else -along
    return float(np.degrees(np.arccos(np.clip(-y, -1, 1)))) if z != 0 else None


def pars_width_mm(view: Local, side: Side, isthmus_mm: Float) -> float | None:
    """Medio-lateral width of the upper pars through its isthmus, to the bone's surface."""
    pars = view.mask(view.upper, sided("pars", side))
    points = view.points_mm(pars)
    level = points[np.abs(points[:, 2] - isthmus_mm[2]) <= view.step_mm / 2]
    if not len(level):
        return None
    # the widest of the isthmus' rows; a row also ends where another part of the arch begins
    rows, group = np.unique(np.round(level[:, 1], 3), return_inverse=True)
    counts = np.bincount(group.ravel(), minlength=len(rows))
    return float(counts.max() * view.step_mm)


def spinous_base_width_mm(view: Local, base_mm: Float) -> float | None:
    """Median width of the midline bone just dorsal of the spinous base; None where there is none."""
    dorsal = base_mm[1] + BASE_BEHIND_MM + np.arange(0, BASE_SPAN_MM + 1e-9, view.step_mm)
    cranial = base_mm[2] + np.arange(-BASE_HALF_HEIGHT_MM, BASE_HALF_HEIGHT_MM + 1e-9, view.step_mm)
    y, z = (grid.ravel() for grid in np.meshgrid(dorsal, cranial))
    offsets = np.arange(0.0, WIDEST_MM, LINE_MM)
    widths = np.zeros(len(y))
    for sign in (-1.0, 1.0):
        line = np.stack(np.broadcast_arrays(sign * offsets, y[:, None], z[:, None]), axis=-1)
        ends = view.at(view.bone, line) < 0.5
        widths += np.where(ends.any(axis=1), ends.argmax(axis=1), len(offsets)) * LINE_MM
    widths = widths[widths > 0]
    return float(np.median(widths)) if len(widths) else None


