"""The arch of a vertebra: pedicles, isthmus, transverse processes, laminae and spinous process.

Solids are given in the vertebra's frame for the left side and mirrored; the laminae are
a shell on the canal's roof. Proportions are modelling choices, checked against mean
meshes of 87 patients and the READ ranges named in `phantoms.solid.published_sizes`.
"""

from __future__ import annotations

import numpy as np

from canalwise.phantoms.solid.canal_section import Tube, folded
from canalwise.phantoms.solid.dimensions import VertebraSize
from canalwise.phantoms.solid.signed_distance import Capsule, RoundedBox, Solid, smooth_max
from canalwise.recon.grid import Float

SPINOUS_SLOPE_DEG = 9.0
"""By how much the spinous process hangs caudally (choice)."""

SPINOUS_HALF_WIDTH_MM = 3.6
LAMINA_VENTRAL_Y_MM = 9.5
SACRUM = "S1"


def pedicle(size: VertebraSize) -> RoundedBox:
    """The left pedicle, from the body to the arch; it reaches into the canal, which cuts its inner wall."""
    inward = 2.5
    half = np.array([(size.pedicle_width_mm + inward) / 2, 9.0, size.pedicle_height_mm / 2])
    centre = np.array([size.pedicle_x_mm - inward / 2, 2.5, size.pedicle_z_mm])
    return RoundedBox(centre, np.eye(3), half, 0.85 * min(half[0], half[2]))


def transverse_process(size: VertebraSize) -> tuple[Solid, ...]:
    """The left transverse process; with a rib stub at T12 and the ala at S1."""
    start = np.array([size.pedicle_x_mm + 1.0, 9.0, size.pedicle_z_mm - 2.0])
    half_span = size.transverse_span_mm / 2
    if size.name == SACRUM:
        return (
            Capsule(np.array([20.0, -8.0, 0.0]), np.array([half_span - 10, -2.0, -6.0]), 12.0, 10.0),
            Capsule(np.array([18.0, -8.0, -4.0]), np.array([24.0, 2.0, -34.0]), 11.0, 8.0),
            Capsule(np.array([half_span - 10, -2.0, -6.0]), np.array([24.0, 2.0, -34.0]), 10.0, 8.0),
        )
    tip = np.array([half_span - 4.0, 14.0, size.pedicle_z_mm - 1.0])
    process: tuple[Solid, ...] = (Capsule(start, tip, 5.0, 4.0),)
    if size.name == "T12":
        process += (
            Capsule(np.array([size.width_upper_mm / 2 + 3.0, -4.0, 4.0]), np.array([56.0, 22.0, -8.0]), 5.0, 4.5),
        )
    return process


def pars(size: VertebraSize, process_top_mm: Float) -> Capsule:
    """The left isthmus, from below the pedicle's root to the top of the inferior process (in the vertebra's frame)."""
    start = np.array([size.pedicle_x_mm - 0.5, 11.0, size.pedicle_z_mm - 1.0])
    return Capsule(start, process_top_mm, 5.6, 5.2)


def spinous_process(size: VertebraSize, tube: Tube) -> tuple[Solid, ...]:
    """The blade of the spinous process and its thicker lower border, in the vertebra's frame."""
    z = (tube.edge_z_mm + lamina_lower_z_mm(size)) / 2 if size.name != SACRUM else tube.edge_z_mm - 12.0
    slope = np.radians(SPINOUS_SLOPE_DEG)
    along = np.array([0.0, np.cos(slope), -np.sin(slope)])
    base = np.array([0.0, float(tube.roof_y_mm(np.array(z))) + 1.0, z])
    half = np.array([SPINOUS_HALF_WIDTH_MM, size.spinous_length_mm / 2, size.spinous_height_mm / 2 - 1.0])
    axes = np.stack([[1.0, 0.0, 0.0], along, np.cross([1.0, 0.0, 0.0], along)])
    blade = RoundedBox(base + along * size.spinous_length_mm / 2, axes, half, 3.0)
    low = base - axes[2] * (half[2] - 4.0)
    border = Capsule(
        low + 0.45 * size.spinous_length_mm * along, low + (size.spinous_length_mm - 4.5) * along, 3.5, 4.6
    )
    return blade, border


def lamina_lower_z_mm(size: VertebraSize) -> float:
    """Height of the lamina's lower edge beside the spinous process."""
    return -size.height_mm / 2 - size.lamina_lower_mm


def lamina_mm(size: VertebraSize, tube: Tube, local_mm: Float, wall_mm: Float) -> Float:
    """(N,) array: signed distance bound to both laminae.

    Parameters
    ----------
    local_mm : (N, 3) array in the vertebra's frame
    wall_mm : (N,) array, distance to the normal canal's wall; the shell 0..thickness outside it

    The upper edge rises laterally toward the superior process; the lower edge arches
    over the window and hangs lower in the midline.
    """
    x, y, z = local_mm.T
    fold = folded(x)
    upper = z - (tube.edge_z_mm + 0.02 * fold * fold)
    lower = lamina_lower_z_mm(size) - 2.0 * np.exp(-((x / 3.5) ** 2)) - z
    edges = smooth_max(smooth_max(upper, lower, 2.0), np.abs(x) - (tube.half_width_mm + 2.0), 2.0)
    # thinner at the upper edge, thicker at the lower: the dorsal face slopes more than the ventral one
    share = np.clip((tube.edge_z_mm - z) / (tube.edge_z_mm - lamina_lower_z_mm(size)), 0.0, 1.0)
    thickness = size.lamina_thickness_mm * (0.8 + 0.4 * share)
    shell = smooth_max(wall_mm - thickness, LAMINA_VENTRAL_Y_MM - y, 2.0)
    return smooth_max(shell, edges, 2.5)
