"""Thickness of the ligamentum flavum at mid-window."""

from __future__ import annotations

import edt
import numpy as np
from scipy import ndimage

from canalwise.recon.anatomy import Measurement
from canalwise.recon.labels import SIDES, Mask, Side, Tissue
from canalwise.recon.level.resampled_level import antialiased
from canalwise.recon.measurement.context import MeasurementContext
from canalwise.recon.measurement.kinds import measured

FINE = 4
"""Refinement of an axial slice before its ligament is measured."""

SLAB_HALF_MM = 2.0
"""Half the height of the slab about the window's middle in which the ligament is measured."""

RESOLVED_MM = 2.0
"""A ligament measured in an image is graded where voxels are no longer than this: half the thickness that is called
hypertrophy (choice)."""

EDGE = 4
"""Voxels left round a sheet: more than the reach of its blur."""

OFF_MIDLINE_MM = 2.0
"""The two halves of the ligament meet in the midline and look thicker there; left out."""


def flavum_measurements(scene: MeasurementContext) -> tuple[Measurement, ...]:
    """Ligament thickness of each side that holds any."""
    out: list[Measurement] = []
    coarse = scene.flavum_source == "measured" and scene.longest_mm > RESOLVED_MM
    said = f", slices of {scene.longest_mm:.1f} mm too thick to grade it" if coarse else ""
    for side in SIDES:
        out += measured(
            "ligamentum flavum thickness",
            flavum_thickness_mm(scene, side),
            source=f"flavum {scene.flavum_source}{said}",
            # A ligament of a published thickness cannot be thick or thin: it is given no severity. Nor is one that
            # slices blur: on slices of 4 mm it comes out a quarter too thin to a sixth too thick (docs/accuracy.md).
            graded=scene.flavum_source != "modelled" and not coarse,
            side=side,
        )
    return tuple(out)


def flavum_thickness_mm(scene: MeasurementContext, side: Side) -> float | None:
    """Median over axial slices at mid-window of the diameter of the largest circle that the ligament holds."""
    above = scene.height_mm(f"upper_lamina_caudal_edge_{side}")
    below = scene.height_mm(f"lower_lamina_cranial_edge_{side}")
    if above is None or below is None:
        return None
    view = scene.view
    x, z = (view.low_mm[axis] + np.arange(view.labels.shape[axis]) * view.step_mm for axis in (0, 2))
    own = np.asarray((x > OFF_MIDLINE_MM) if side == "left" else (x < -OFF_MIDLINE_MM))
    slab = np.flatnonzero(np.abs(z - (above + below) / 2) <= SLAB_HALF_MM)
    ligament = view.labels[:, :, slab] == Tissue.FLAVUM
    found = [sheet_thickness_mm(ligament[:, :, k], own, view.step_mm) for k in range(len(slab))]
    found = [value for value in found if value > 0]
    return float(np.median(found)) if found else None


def sheet_thickness_mm(sheet: Mask, rows: Mask, step_mm: float) -> float:
    """Diameter of the largest circle in an (nx, ny) sheet, its centre in the given rows; 0 where those are empty.

    >>> sheet = np.zeros((40, 20), dtype=bool); sheet[:, 8:14] = True
    >>> abs(sheet_thickness_mm(sheet, np.ones(40, dtype=bool), 0.5) - 3.0) < 0.2
    True
    """
    if not sheet[rows].any():
        return 0.0
    i, j = (slice(max(s.start - EDGE, 0), s.stop + EDGE) for s in ndimage.find_objects(sheet.astype(int))[0])
    sheet, rows = sheet[i, j], rows[i]
    fine = np.asarray(ndimage.zoom(antialiased(sheet), FINE, order=1, grid_mode=True, mode="nearest")) >= 0.5
    # distances run between cell centres: the sheet's face lies half a cell before the first empty one
    depth = edt.edt(np.ascontiguousarray(fine), anisotropy=(step_mm / FINE,) * 2) - step_mm / FINE / 2
    return 2 * float(max(depth[np.repeat(rows, FINE)].max(), 0.0))
