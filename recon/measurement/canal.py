"""Canal and sac: areas, mid-sagittal diameters, interpedicular distance; all in axial planes of the level frame."""

from __future__ import annotations

import numpy as np

from canalwise.recon.anatomy import Measurement
from canalwise.recon.grid import Float
from canalwise.recon.labels import SIDES, Part, Tissue
from canalwise.recon.level.axial_contour import area_mm2, border_mm, canal_contour, region_contour
from canalwise.recon.level.resampled_level import antialiased
from canalwise.recon.measurement.context import AT_DISC, AT_PEDICLE, SAC_AT_DISC, MeasurementContext, banded
from canalwise.recon.severity_bands import SCALES, population_scale

DIAMETER = "canal mid-sagittal diameter"


def canal_measurements(scene: MeasurementContext) -> tuple[Measurement, ...]:
    """Canal and sac at the disc, canal at the pedicles of both vertebrae."""
    out = [*_canal_at_disc(scene), *_sac_at_disc(scene)]
    for place, vertebra in (("upper", scene.view.upper), ("lower", scene.view.lower)):
        out += _canal_at_pedicle(scene, vertebra)
        out += _interpedicular(scene, place, vertebra)
    return tuple(out)


def _canal_at_disc(scene: MeasurementContext) -> tuple[Measurement, ...]:
    outline = canal_contour(scene.view, 0.0)
    if outline is None:
        return ()
    source = f"canal {scene.canal_source}"
    area = banded("canal area", area_mm2(outline), "mm2", "canal", AT_DISC, scale="canal area at disc", source=source)
    return area + banded(DIAMETER, midsagittal_mm(outline), "mm", "canal", AT_DISC, scale=DIAMETER, source=source)


def _sac_at_disc(scene: MeasurementContext) -> tuple[Measurement, ...]:
    outline = region_contour(scene.view, antialiased(scene.view.labels == Tissue.SAC), 0.0)
    if outline is None:
        return ()
    structure, source = "dural sac", f"sac {scene.sac_source}"
    name, diameter = "dural sac area", "dural sac mid-sagittal diameter"
    area = banded(name, area_mm2(outline), "mm2", structure, SAC_AT_DISC, scale=name, source=source)
    return area + banded(diameter, midsagittal_mm(outline), "mm", structure, SAC_AT_DISC, source=source)


def _canal_at_pedicle(scene: MeasurementContext, vertebra: str) -> tuple[Measurement, ...]:
    """At mid-height of one vertebra's pedicles; the diameter on both scales, which answer different questions."""
    z = pedicle_height_mm(scene, vertebra)
    outline = None if z is None else canal_contour(scene.view, z)
    if outline is None:
        return ()
    structure, source, diameter = f"canal of {vertebra}", f"canal {scene.canal_source}", midsagittal_mm(outline)
    out = banded(
        "canal area", area_mm2(outline), "mm2", structure, AT_PEDICLE, scale="canal area at pedicle", source=source
    )
    for scale in (SCALES[DIAMETER], population_scale(vertebra)):
        if scale is not None:
            out += banded(scale.quantity, diameter, "mm", structure, AT_PEDICLE, scale=scale, source=source)
    return out


def _interpedicular(scene: MeasurementContext, place: str, vertebra: str) -> tuple[Measurement, ...]:
    walls = [scene.landmarks_mm.get(f"{place}_pedicle_medial_{side}") for side in SIDES]
    if walls[0] is None or walls[1] is None:
        return ()
    distance = float(abs(walls[0][0] - walls[1][0]))
    return banded("interpedicular distance", distance, "mm", f"canal of {vertebra}", AT_PEDICLE)


def pedicle_height_mm(scene: MeasurementContext, vertebra: str) -> float | None:
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
