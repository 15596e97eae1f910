"""Canal and sac: areas, mid-sagittal diameters, interpedicular distance; all in axial planes of the level frame."""

from __future__ import annotations

import numpy as np

from canalwise.recon.anatomy import Measurement
from canalwise.recon.grid import Float
from canalwise.recon.labels import SIDES, Part, Tissue
from canalwise.recon.level.axial_contour import area_mm2, border_mm, canal_contour, region_contour
from canalwise.recon.level.resampled_level import antialiased
from canalwise.recon.level.sac_sections import plane_directions, sac_sections
from canalwise.recon.measurement.context import MeasurementContext
from canalwise.recon.measurement.kinds import NARROWEST_SAC, measured
from canalwise.recon.severity_bands import population_scale

TALLEST_PEDICLE_MM = 22.0
"""A sacrum's pedicle runs on into the mass beside it where its parts are found: its middle is sought within this of
its cranial end (choice; mean heights are 14 to 20 mm, docs/published-values.md)."""


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
    area = measured("canal area at disc", area_mm2(outline), source=source)
    return area + measured("canal diameter at disc", midsagittal_mm(outline), source=source)


def _sac_at_disc(scene: MeasurementContext) -> tuple[Measurement, ...]:
    """Of a sac that was seen also its narrowest section, and 0 mm2 where it is pressed shut at the disc."""
    outline = region_contour(scene.view, antialiased(scene.view.labels == Tissue.SAC), 0.0)
    # What was modelled from published values says nothing about this patient: it is given no severity.
    source, graded = f"sac {scene.sac_source}", scene.sac_source != "modelled"
    out: tuple[Measurement, ...] = ()
    if outline is not None:
        out += measured("dural sac area", area_mm2(outline), source=source, graded=graded)
        out += measured("dural sac diameter", midsagittal_mm(outline), source=source)
    ends = [pedicle_height_mm(scene, vertebra) for vertebra in (scene.view.lower, scene.view.upper)]
    if not graded or ends[0] is None or ends[1] is None:
        return out
    found = sac_sections(scene.view, ends[0], ends[1])
    if found is None:
        return out
    if outline is None and found.heights_mm[0] < 0 < found.heights_mm[-1]:
        out += measured("dural sac area", 0.0, source=f"{source}, seen above and below, not here")
    at = found.narrowest
    out += measured(NARROWEST_SAC, float(found.areas_mm2[at]), source=source)
    contents = scene.contents(found.middles_mm[at], plane_directions(found.normals[at]))
    explained = "brightness between dark tissue and fluid; a reader confirms"
    return out + tuple(m for key, value in contents.items() for m in measured(key, value, source=explained))


def _canal_at_pedicle(scene: MeasurementContext, vertebra: str) -> tuple[Measurement, ...]:
    """At mid-height of one vertebra's pedicles; the diameter on both scales, which answer different questions."""
    z = pedicle_height_mm(scene, vertebra)
    outline = None if z is None else canal_contour(scene.view, z)
    if outline is None:
        return ()
    source, diameter = f"canal {scene.canal_source}", midsagittal_mm(outline)
    out = measured("canal area at pedicle", area_mm2(outline), source=source, vertebra=vertebra)
    out += measured("canal diameter at pedicle", diameter, source=source, vertebra=vertebra)
    population = population_scale(vertebra)
    if population is not None:
        out += measured("canal diameter, population", diameter, source=source, scale=population, vertebra=vertebra)
    return out


def _interpedicular(scene: MeasurementContext, place: str, vertebra: str) -> tuple[Measurement, ...]:
    walls = [scene.landmarks_mm.get(f"{place}_pedicle_medial_{side}") for side in SIDES]
    if walls[0] is None or walls[1] is None:
        return ()
    distance = float(abs(walls[0][0] - walls[1][0]))
    return measured("interpedicular distance", distance, vertebra=vertebra)


def pedicle_height_mm(scene: MeasurementContext, vertebra: str) -> float | None:
    """Level z of the middle of a vertebra's pedicles (mean of the sides); None without any in view."""
    found = [scene.view.points_mm(scene.view.mask(vertebra, part)) for part in (Part.PEDICLE_LEFT, Part.PEDICLE_RIGHT)]
    ends = [(float(points[:, 2].min()), float(points[:, 2].max())) for points in found if len(points)]
    middles = [(max(low, high - TALLEST_PEDICLE_MM) + high) / 2 for low, high in ends]
    return float(np.mean(middles)) if middles else None


def midsagittal_mm(outline: Float) -> float | None:
    """Ventral to dorsal border of an outline in the midline x = 0; None when it does not cross it.

    Parameters
    ----------
    outline : (N, 2) array of level x, y mm, closed

    >>> midsagittal_mm(np.array([[-1, 0], [1, 0], [1, 3], [-1, 3], [-1, 0.0]]))
    3.0
    """
    dorsal, ventral = border_mm(outline, 0.0, "dorsal"), border_mm(outline, 0.0, "ventral")
    return None if dorsal is None or ventral is None else dorsal - ventral
