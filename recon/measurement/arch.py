"""The arch: lamina thickness and slope, pars width, spinous base width, depth under the skin."""

from __future__ import annotations

import edt
import numpy as np
import numpy.typing as npt
from scipy import ndimage

from canalwise.recon.anatomy import Measurement
from canalwise.recon.grid import Float
from canalwise.recon.labels import SIDES, Side, bone_mask, sided
from canalwise.recon.level.resampled_level import ResampledLevel, refined
from canalwise.recon.measurement.context import MeasurementContext
from canalwise.recon.measurement.kinds import SPINOUS_BASE_BEHIND_MM, measured

BASE_SPAN_MM = 2.0
"""How far behind the spinous base's end its width is read."""

BASE_HALF_HEIGHT_MM = 4.0
"""Half the height over which the spinous base width is read."""

PARS_ENDS_FRAC, FEWEST_VOXELS = 0.25, 20
"""Share of the pars' bone at either end that is left out, and fewest voxels of one that is measured."""

LINE_MM = 0.1
"""Step of the lines along which widths are read."""

BALL_MARGIN_MM = 6.0
"""Bone around a lamina's middle strip that is looked at: half the thickest lamina (10 mm) and one more."""

WIDEST_MM = 20.0
"""Half the length of those lines."""


def arch_measurements(scene: MeasurementContext) -> tuple[Measurement, ...]:
    """Measurements of both laminae, pars and spinous base of the upper vertebra, and laminae of the lower."""
    out: list[Measurement] = []
    for side in SIDES:
        for vertebra in (scene.view.upper, scene.view.lower):
            out += _lamina(scene, vertebra, side)
        out += measured("pars width", pars_width_mm(scene.view, side), side=side, vertebra=scene.view.upper)
    base = scene.landmarks_mm.get("upper_spinous_base")
    if base is not None:
        out += measured("spinous base width", spinous_base_width_mm(scene.view, base), vertebra=scene.view.upper)
    return tuple(out)


def _lamina(scene: MeasurementContext, vertebra: str, side: Side) -> list[Measurement]:
    strip = scene.lamina_strips_mm[vertebra, side]
    return [
        *measured("lamina thickness", lamina_thickness_mm(scene.view, strip), side=side, vertebra=vertebra),
        *measured("lamina slope", lamina_slope_deg(strip), side=side, vertebra=vertebra),
    ]


def lamina_thickness_mm(view: ResampledLevel, strip_mm: Float) -> float | None:
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


def pars_width_mm(view: ResampledLevel, side: Side) -> float | None:
    """Least medio-lateral width of the upper vertebra's pars over the middle of its height; None without one.

    In each axial plane the longest unbroken run of the pars' bone counts, from surface to surface or to where
    another part of the arch begins. The ends are left out, where the pars only tapers into its neighbours: a plan's
    residual width is read likewise.
    """
    pars = view.mask(view.upper, sided("pars", side))
    points = view.points_mm(pars)
    if len(points) < FEWEST_VOXELS:
        return None
    part = view.cropped(view.box_around(points, 2.0))
    pars = part.mask(view.upper, sided("pars", side))
    field = refined(pars, part.bone, bone_mask(part.labels) & ~pars)
    upward = np.cumsum(pars.sum(axis=(0, 1)))
    middle = (upward >= PARS_ENDS_FRAC * upward[-1]) & (upward <= (1 - PARS_ENDS_FRAC) * upward[-1])
    fine = np.arange(0.0, field.shape[0] - 1, LINE_MM / view.step_mm, dtype=np.float64)
    rows = ndimage.map_coordinates(
        field[:, :, middle],
        np.stack(
            np.broadcast_arrays(fine[:, None, None], np.arange(field.shape[1])[:, None], np.arange(int(middle.sum())))
        ),
        order=1,
    )
    longest = _longest_runs(np.asarray(rows) >= 0.5).max(axis=0)
    width = float(longest.min()) * LINE_MM if len(longest) else 0.0
    return width if width > 0 else None


def _longest_runs(bone: npt.NDArray[np.bool_]) -> npt.NDArray[np.intp]:
    """(ny, nz) array: longest unbroken run along the first axis of an (nx, ny, nz) mask.

    >>> _longest_runs(np.array([1, 1, 0, 1, 1, 1], dtype=bool)[:, None, None]).item()
    3
    """
    run = np.zeros(bone.shape[1:], dtype=np.intp)
    longest = run.copy()
    for layer in bone:
        run = np.where(layer, run + 1, 0)
        longest = np.maximum(longest, run)
    return longest


def spinous_base_width_mm(view: ResampledLevel, base_mm: Float) -> float | None:
    """Median width of the midline bone just dorsal of the spinous base; None where there is none.

    `base_mm` (3,) array, level frame.
    """
    dorsal = base_mm[1] + SPINOUS_BASE_BEHIND_MM + np.arange(0, BASE_SPAN_MM + 1e-9, view.step_mm)
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
