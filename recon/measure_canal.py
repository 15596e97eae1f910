"""Canal and sac: areas, mid-sagittal diameters, interpedicular distance, ligament thickness."""

from __future__ import annotations

import edt
import numpy as np
from scipy import ndimage

from recon.anatomy import Measurement
from recon.contour import area_mm2, border_mm, canal_contour, region_contour
from recon.grid import Float
from recon.labels import SIDES, Part, Side, Tissue
from recon.local import antialiased
from recon.measure import AT_DISC, AT_PEDICLE, SAC_AT_DISC, Scene, banded
from recon.severity import population_scale

FINE = 4
"""Refinement of an axial slice before its ligament is measured."""

LIGAMENT_HALF_MM = 2.0
"""Half the height of the slab about the window's middle in which the ligament is thickest."""

OFF_MIDLINE_MM = 2.0
"""The two halves of the ligament meet in the midline and look thicker there; left out."""


def canal_measurements(scene: Scene) -> tuple[Measurement, ...]:
    """Areas, diameters, interpedicular distances and ligament thickness of a level."""
    out = [*_at_disc(scene), *_ligament(scene)]
    for place, vertebra in (("upper", scene.view.upper), ("lower", scene.view.lower)):
        out += _at_pedicle(scene, place, vertebra)
    return tuple(out)


def _at_disc(scene: Scene) -> list[Measurement]:
    outline = canal_contour(scene.view, 0.0)
    sac = region_contour(scene.view, antialiased(scene.view.labels == Tissue.SAC), 0.0)
    out: list[Measurement] = []
    if outline is not None:
        out += banded("canal area", area_mm2(outline), "mm2", "canal", AT_DISC, scale="canal area at disc", source=f"canal {scene.canal_source}")
        out += banded("canal mid-sagittal diameter", midsagittal_mm(outline), "mm", "canal", AT_DISC,
                      scale="canal mid-sagittal diameter", source=f"canal {scene.canal_source}")
    if sac is not None:
        out += banded("dural sac area", area_mm2(sac), "mm2", "dural sac", SAC_AT_DISC, scale="dural sac area", source=f"sac {scene.sac_source}")
        out += banded("dural sac mid-sagittal diameter", midsagittal_mm(sac), "mm", "dural sac", SAC_AT_DISC, source=f"sac {scene.sac_source}")
    return out


def _at_pedicle(scene: Scene, place: str, vertebra: str) -> list[Measurement]:
    """In the level's axial plane at mid-height of one vertebra's pedicles."""
    z = pedicle_height_mm(scene, vertebra)
    outline = None if z is None else canal_contour(scene.view, z)
    out: list[Measurement] = []
    structure, source = f"canal of {vertebra}", f"canal {scene.canal_source}"
    if outline is not None:
        diameter = midsagittal_mm(outline)
        out += banded("canal area", area_mm2(outline), "mm2", structure, AT_PEDICLE, scale="canal area at pedicle", source=source)
        out += banded("canal mid-sagittal diameter", diameter, "mm", structure, AT_PEDICLE, scale="canal mid-sagittal diameter", source=source)
        population = population_scale(vertebra)
        if population is not None:
            out += banded(population.quantity, diameter, "mm", structure, AT_PEDICLE, scale=population, source=source)
    walls = [scene.landmarks_mm.get(f"{place}_pedicle_medial_{side}") for side in SIDES]
    if walls[0] is not None and walls[1] is not None:
        out += banded("interpedicular distance", float(abs(walls[0][0] - walls[1][0])), "mm", structure, AT_PEDICLE)
    return out


def pedicle_height_mm(scene: Scene, vertebra: str) -> float | None:
    """Level z of the middle of a vertebra's pedicles (mean of the sides); None without any in view."""
    found = [scene.view.points_mm(scene.view.mask(vertebra, part)) for part in (Part.PEDICLE_LEFT, Part.PEDICLE_RIGHT)]
    middles = [float(points[:, 2].min() + points[:, 2].max()) / 2 for points in found if len(points)]
    return float(np.mean(middles)) if middles else None


def midsagittal_mm(outline: Float) -> float | None:
    """Ventral to dorsal border of an outline in the midline x = 0; None when it does not cross it.

    >>> midsagittal_mm(np.array([[-1, 0], [1, 0], [1, 3], [-1, 3], [-1, 0.0]]))
    3.0
    """
    dorsal, ventral = border_mm(outline, 0.0, "dorsal"), border_mm(outline, 0.0, "ventral")
    return None if dorsal is None or ventral is None else dorsal - ventral


def _ligament(scene: Scene) -> list[Measurement]:
    out: list[Measurement] = []
    for side in SIDES:
        thickness = _ligament_mm(scene, side)
        out += banded("ligamentum flavum thickness", thickness, "mm", f"{side} ligamentum flavum", "axial planes at mid-window",
                      scale="ligamentum flavum thickness", source=f"flavum {scene.flavum_source}")
    return out


def _ligament_mm(scene: Scene, side: Side) -> float | None:
    """Median over the axial slices at mid-window of the ligament's thickness: twice its deepest point's distance to its border."""
    edges = [scene.height_mm(f"{name}_{side}") for name in ("upper_lamina_caudal_edge", "lower_lamina_cranial_edge")]
    if edges[0] is None or edges[1] is None:
        return None
    view, middle = scene.view, (edges[0] + edges[1]) / 2
    x = view.low_mm[0] + np.arange(view.labels.shape[0]) * view.step_mm
    z = view.low_mm[2] + np.arange(view.labels.shape[2]) * view.step_mm
    own = (x > OFF_MIDLINE_MM) if side == "left" else (x < -OFF_MIDLINE_MM)
    slab = np.flatnonzero(np.abs(z - middle) <= LIGAMENT_HALF_MM)
    found = [_thickness_mm(view.labels[:, :, k] == Tissue.FLAVUM, own, view.step_mm) for k in slab]
    found = [value for value in found if value > 0]
    return float(np.median(found)) if found else None


def _thickness_mm(ligament: np.ndarray[tuple[int, ...], np.dtype[np.bool_]], own: np.ndarray[tuple[int, ...], np.dtype[np.bool_]], step_mm: float) -> float:
    if not ligament[own].any():
        return 0.0
    fine = ndimage.zoom(antialiased(ligament), FINE, order=1, grid_mode=True, mode="nearest") >= 0.5
    depth = edt.edt(np.ascontiguousarray(fine), anisotropy=(step_mm / FINE,) * 2) - step_mm / FINE / 2
    return 2 * float(max(depth[np.repeat(own, FINE)].max(), 0.0))
