"""Every measurement of a level, each with its structure, slice type, band and source."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from recon.anatomy import Joint, Measurement, Window
from recon.grid import Float
from recon.labels import SIDES, Side
from recon.local import Local
from recon.severity import SCALES, Scale

AT_PEDICLE, AT_DISC, SAC_AT_DISC = "canal at pedicle", "canal at disc", "dural sac at disc"
"""Slice types of canal and sac; never compared with each other (references section 11)."""


@dataclass(frozen=True, eq=False)
class Scene:
    """What a level's measurements are taken from.

    Parameters
    ----------
    view : the level resampled into its frame
    landmarks_mm : name -> (3,) level mm
    canal_source, sac_source, flavum_source : how each was obtained ('measured', 'given', 'modelled', 'automatic')
    """

    view: Local
    landmarks_mm: Mapping[str, Float]
    joints: Mapping[Side, Joint]
    windows: Mapping[Side, Window]
    canal_source: str = "automatic"
    sac_source: str = "modelled"
    flavum_source: str = "modelled"

    def height_mm(self, landmark: str) -> float | None:
        """Level z of a landmark; None when it is not there."""
        point = self.landmarks_mm.get(landmark)
        return None if point is None else float(point[2])


def banded(name: str, value: float | None, unit: str, structure: str, at: str, *,
           scale: Scale | str | None = None, source: str = "") -> tuple[Measurement, ...]:
    """One measurement with its band, or none when there is no value.

    `scale` is a scale or a key of SCALES; the measurement's `source` tells how the structure was obtained and, after a
    semicolon, where the band's limits come from.

    >>> banded("area", 90.0, "mm2", "dural sac", SAC_AT_DISC, scale="dural sac area")[0].band
    'central stenosis'
    """
    if value is None:
        return ()
    found = SCALES[scale] if isinstance(scale, str) else scale
    band = found.band(value) if found else ""
    origin = "; ".join(part for part in (source, f"bands: {found.source}" if found else "") if part)
    return (Measurement(name, float(value), unit, structure, at, band, origin),)


def measurements_of(scene: Scene) -> tuple[Measurement, ...]:
    """All measurements of a level that the scan shows; a quantity without its landmarks is left out.

    Order: canal and sac, recess and foramen, disc and slip, ligament, joints, windows, arch.
    """
    from recon.measure_arch import arch_measurements
    from recon.measure_canal import canal_measurements
    from recon.measure_disc import disc_measurements
    from recon.measure_recess import recess_measurements

    groups: Iterable[tuple[Measurement, ...]] = (
        canal_measurements(scene), recess_measurements(scene), disc_measurements(scene), joint_measurements(scene),
        window_measurements(scene), arch_measurements(scene))
    return tuple(measurement for group in groups for measurement in group)


def joint_measurements(scene: Scene) -> tuple[Measurement, ...]:
    """Angle, area and gap of each joint, and tropism when both are there."""
    out: list[Measurement] = []
    for side, joint in scene.joints.items():
        structure = f"{side} facet joint"
        out += banded("facet angle from sagittal plane", joint.angle_deg, "deg", structure, "axial plane at joint mid-height")
        out += banded("facet joint area", float(joint.area_mm2.sum()), "mm2", structure, "whole joint")
        out += banded("facet joint gap", joint.gap_mm, "mm", structure, "whole joint")
    if len(scene.joints) == len(SIDES):
        left, right = (scene.joints[side].angle_deg for side in SIDES)
        out += banded("facet tropism", abs(left - right), "deg", "both facet joints", "axial plane at joint mid-height", scale="facet tropism")
    return tuple(out)


def window_measurements(scene: Scene) -> tuple[Measurement, ...]:
    """Width, height and area of each side's window, and of both together."""
    out: list[Measurement] = []
    for side, window in scene.windows.items():
        structure = f"{side} interlaminar window"
        out += banded("window width", window.width_mm, "mm", structure, "dorsal view")
        out += banded("window height", window.height_mm, "mm", structure, "dorsal view")
        out += banded("window area", window.area_mm2, "mm2", structure, "dorsal view")
    if scene.windows:
        out += banded("window area", sum(w.area_mm2 for w in scene.windows.values()), "mm2", "interlaminar window", "dorsal view")
    return tuple(out)
