"""The arch: lamina thickness and slope, pars width, spinous base width, depth under the skin."""

from __future__ import annotations

import edt
import numpy as np

from recon.anatomy import Measurement
from recon.grid import Float
from recon.labels import SIDES, Side, bone_mask, sided
from recon.landmarks import mid_lamina
from recon.local import Local, refined
from recon.measure_scene import Scene, banded

BASE_BEHIND_MM, BASE_SPAN_MM = 7.0, 2.0
"""Where the spinous base ends dorsally (design, shared definitions), and how far behind that its width is read."""

BASE_HALF_HEIGHT_MM = 4.0
"""Half the height over which the spinous base width is read."""

LINE_MM = 0.1
"""Step of the lines along which widths are read."""

BALL_MARGIN_MM = 6.0
"""Bone around a lamina's middle strip that is looked at: half the thickest lamina (10 mm) and one more."""

WIDEST_MM = 20.0
"""Half the length of those lines."""


def arch_measurements(scene: Scene) -> tuple[Measurement, ...]:
    """Measurements of both laminae, pars and spinous base of the upper vertebra, and laminae of the lower."""
    out: list[Measurement] = []
    for side in SIDES:
        for vertebra in (scene.view.upper, scene.view.lower):
            out += _lamina(scene.view, vertebra, side)
        isthmus = scene.landmarks_mm.get(f"upper_pars_{side}")
        if isthmus is not None:
            out += banded("pars width", pars_width_mm(scene.view, side, isthmus), "mm",
                          f"{side} pars of {scene.view.upper}", "isthmus, medio-lateral", scale="pars width")
    base = scene.landmarks_mm.get("upper_spinous_base")
    if base is not None:
        out += banded("spinous base width", spinous_base_width_mm(scene.view, base), "mm",
                      f"spinous base of {scene.view.upper}", f"{BASE_BEHIND_MM:g} mm dorsal of the canal roof")
    return tuple(out)


def _lamina(view: Local, vertebra: str, side: Side) -> list[Measurement]:
    strip = view.points_mm(mid_lamina(view, vertebra, side))
    structure = f"{side} lamina of {vertebra}"
    return [*banded("lamina thickness", lamina_thickness_mm(view, strip), "mm", structure, "mid-lamina"),
            *banded("lamina slope", lamina_slope_deg(strip), "deg", structure, "sagittal plane at mid-lamina")]


def lamina_thickness_mm(view: Local, strip_mm: Float) -> float | None:
    """Diameter of the largest ball of bone about a lamina's middle strip, (N, 3) level mm; None for an empty strip."""
    if not len(strip_mm):
        return None
    part = view.cropped(view.box_around(strip_mm, BALL_MARGIN_MM))
    depth = edt.edt(np.ascontiguousarray(part.bone >= 0.5), anisotropy=(view.step_mm,) * 3, black_border=False)
    inner = np.rint(part.index_of(strip_mm)).astype(int)
    # distance between voxel centres; the face lies half a voxel before the first empty one
    return 2 * (float(depth[tuple(inner.T)].max()) - view.step_mm / 2)


def lamina_slope_deg(strip_mm: Float) -> float | None:
    """Angle from ventral (in the disc plane) to the lamina's caudal direction: 90 upright, more when it leans dorsally.

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
    """Medio-lateral width of the upper pars through its isthmus: the widest row within a voxel of its centre.

    The row ends at the bone's surface, or midway to the next voxel where another part of the arch begins.
    """
    part = view.cropped(view.box_around(isthmus_mm[None], WIDEST_MM))
    pars = part.mask(view.upper, sided("pars", side))
    field = refined(pars, part.bone, bone_mask(part.labels) & ~pars)
    x = isthmus_mm[0] + np.arange(-WIDEST_MM, WIDEST_MM, LINE_MM)
    y = isthmus_mm[1] + np.array([-view.step_mm, 0.0, view.step_mm])
    rows = np.stack(np.broadcast_arrays(x, y[:, None], isthmus_mm[2]), axis=-1)
    width = float((part.at(field, rows) >= 0.5).sum(axis=1).max()) * LINE_MM
    return width if width > 0 else None


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


