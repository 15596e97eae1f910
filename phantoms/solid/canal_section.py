"""The bony canal's section at one vertebra, and what encroaches on it at one level.

In a vertebra's frame the section is a triangle with rounded corners standing on the
body's dorsal wall: a flat floor, side walls at the pedicles, and a roof of two planes
that meet in the midline under the laminae. The roof is lowest at the lamina's upper
edge and rises cranially (window) and caudally (sloping lamina). Across a disc the
tubes of both vertebrae are blended, so the wall is smooth over windows and foramina.
All shapes here are modelling choices; the sizes come from `phantoms.solid.published_sizes`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from canalwise.phantoms.solid.dimensions import LevelSize, VertebraSize
from canalwise.phantoms.solid.signed_distance import smooth_max, smooth_step
from canalwise.recon.grid import Float

ROOF_HALF_ANGLE_DEG = 50.0
"""Half the angle between the laminae: 99.9 deg at L3 (Spine 1999;24:107-113, READ)."""

ROOF_SLOPE = 0.36
"""Rise of the canal's roof per mm along the lamina (about 20 deg; choice)."""

ROOF_RISE_MM = 3.5
"""Most the roof rises above the lamina's upper edge (choice)."""

APEX_ROUNDING_MM = 1.5
CORNER_ROUNDING_MM = 6.0
FLOOR_HOLLOW_MM = 1.2


def folded(x_mm: Float) -> Float:
    """|x| with the crease in the midline rounded; zero at zero.

    >>> float(folded(np.array(0.0))), bool(folded(np.array(-5.0)) == folded(np.array(5.0)))
    (0.0, True)
    """
    return np.sqrt(x_mm * x_mm + APEX_ROUNDING_MM**2) - APEX_ROUNDING_MM


def floor_y_mm(x_mm: Float) -> Float:
    """The body's dorsal wall: slightly hollow in the midline (kidney shape).

    >>> bool(floor_y_mm(np.array(0.0)) == -FLOOR_HOLLOW_MM)
    True
    """
    return -FLOOR_HOLLOW_MM * np.exp(-((x_mm / 9.0) ** 2))


@dataclass(frozen=True)
class Tube:
    """The canal of one vertebra, continued beyond it, in that vertebra's frame."""

    half_width_mm: float
    depth_mm: float
    edge_z_mm: float

    def roof_y_mm(self, z_mm: Float) -> Float:
        """Depth of the roof in the midline: least at the lamina's upper edge, rising softly to both sides."""
        away = np.sqrt((z_mm - self.edge_z_mm) ** 2 + 4.0) - 2.0
        return self.depth_mm + ROOF_RISE_MM * np.tanh(ROOF_SLOPE * away / ROOF_RISE_MM)

    def roof_mm(self, local_mm: Float) -> Float:
        """(N,) array: signed distance to the roof planes, negative below."""
        cosine, sine = np.cos(np.radians(ROOF_HALF_ANGLE_DEG)), np.sin(np.radians(ROOF_HALF_ANGLE_DEG))
        found: Float = (local_mm[:, 1] - self.roof_y_mm(local_mm[:, 2])) * sine + folded(local_mm[:, 0]) * cosine
        return found

    def distance_mm(self, local_mm: Float) -> Float:
        """(N,) array: signed distance bound to the tube's wall, negative inside."""
        x, y = local_mm[:, 0], local_mm[:, 1]
        walls = smooth_max(np.abs(x) - self.half_width_mm, floor_y_mm(x) - y, CORNER_ROUNDING_MM / 2)
        return smooth_max(walls, self.roof_mm(local_mm), CORNER_ROUNDING_MM)

    def sac_mm(self, local_mm: Float) -> Float:
        """(N,) array: signed distance bound to the free dural sac, an ellipse on the floor."""
        half_x, half_y = 0.66 * self.half_width_mm, 0.40 * self.depth_mm
        centre_y = half_y + 1.2
        scaled = np.sqrt((local_mm[:, 0] / half_x) ** 2 + ((local_mm[:, 1] - centre_y) / half_y) ** 2)
        return (scaled - 1.0) * min(half_x, half_y)


def tube_of(size: VertebraSize) -> Tube:
    """The tube of a vertebra."""
    return Tube(size.canal_width_mm / 2, size.canal_depth_mm, size.height_mm / 2 - size.lamina_upper_mm)


def encroachment_mm(size: LevelSize, disc_mm: Float) -> Float:
    """(N,) array: how far the canal's wall has moved inward near points of a disc's frame, mm.

    The sum of narrowing of walls and roof, disc bulge from the floor, and the facets (normal
    ones make the canal trefoil in the lower spine; overgrown ones more so) from both
    dorsolateral walls, each fading out along the spine.
    """
    x, y, z = disc_mm.T
    knobs = size.knobs
    inward = knobs.canal_narrowing_mm * np.exp(-((z / 12.0) ** 2)) * smooth_step(y, -1.0, 4.0)
    inward = inward + knobs.disc_bulge_mm * np.exp(-((z / 6.0) ** 2)) * smooth_step(-y, -9.0, -3.0)
    left, right = (size.trefoil_mm + grown for grown in knobs.facet_overgrowth_mm)
    lateral = np.where(x > 0, left, right) * smooth_step(np.abs(x), 2.0, 7.0)
    found: Float = inward + lateral * np.exp(-((z / 9.0) ** 2)) * smooth_step(y, 2.0, 6.0)
    return found
