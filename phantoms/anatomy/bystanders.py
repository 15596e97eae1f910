"""What lies about a spine and is not part of it: vessels with contrast, bowel, ribs, iliac wings, the scanner's table.

None of it has a label of its own: inside the skin it is soft tissue, outside it is outside. Places and sizes are
modelling choices; they need only be where such things mislead a search for the spine.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from canalwise.phantoms.anatomy.intensities import Material, Materials
from canalwise.phantoms.anatomy.soft_tissue import HALF_TRUNK_MM, Skin
from canalwise.phantoms.solid.dimensions import VertebraSize
from canalwise.phantoms.solid.point_batch import batch_of
from canalwise.phantoms.solid.pose import Pose, turn
from canalwise.phantoms.solid.signed_distance import Capsule, RoundedBox, Solid
from canalwise.phantoms.spec import Bystanders
from canalwise.recon.grid import Float

SHELL_MM = 1.5
"""Cortex of bony bystanders and shell of the table."""

AORTA_X_MM, AORTA_MM = 9.0, 9.0
CAVA_X_MM, CAVA_MM = -13.0, 10.5
"""Left of the midline and radius of both vessels; the vein lies on the bodies."""

INTO_BODY_MM = 4.0
"""The vessels' circles overlap the bodies by this, which take precedence: vein and body touch."""

TABLE_GAP_MM, TABLE_MM = 3.0, 14.0
"""The table's distance behind the skin and its thickness."""

OUTER = (Material.TABLE_SHELL, Material.TABLE_CORE)
"""What lies outside the skin; all else is drawn within it."""


@dataclass(frozen=True, eq=False)
class Bystander:
    """A solid in the world, the material of its inside and that of its shell (SHELL_MM thick)."""

    solid: Solid
    core: Material
    shell: Material


def with_bystanders(bystanders: Sequence[Bystander], points_mm: Float, material: Materials) -> Materials:
    """(N,) array: the materials of points that are no bone and no canal, bystanders drawn over them.

    >>> tube = Bystander(Capsule(np.zeros(3), np.ones(3), 4.0, 4.0), Material.VESSEL, Material.VESSEL)
    >>> muscle = np.full(2, Material.MUSCLE, np.uint8)
    >>> with_bystanders([tube], np.array([[0.0, 0, 0], [9.0, 9, 9]]), muscle).tolist()
    [14, 3]
    """
    if not bystanders or not len(points_mm):
        return material
    found, batch = material.copy(), batch_of(points_mm)
    outside = material == Material.AIR
    for one in bystanders:
        if batch.far_from(one.solid.box_mm()):
            continue
        depth = -one.solid.distance_mm(points_mm)
        inside = (depth > 0) & (outside == (one.core in OUTER))
        found[inside] = np.where(depth < SHELL_MM, one.shell, one.core)[inside]
    return found


def bystanders_of(
    requested: Bystanders, poses: Mapping[str, Pose], vertebrae: Mapping[str, VertebraSize], skin: Skin
) -> tuple[Bystander, ...]:
    """The bystanders of a specification about a placed spine."""
    found: list[Bystander] = []
    if requested.vessel_hu is not None:
        fronts = [pose_front(poses[name], size) for name, size in vertebrae.items() if name != "S1"]
        found += vessels(fronts)
    if requested.bowel:
        found += [loop for name, size in vertebrae.items() for loop in _bowel(poses[name], size)]
    if requested.ribs:
        found += _ribs(poses["T12"])
    if requested.pelvis:
        found += _pelvis(poses["S1"])
    if requested.table:
        found.append(_table(skin))
    return tuple(found)


def pose_front(pose: Pose, size: VertebraSize) -> Pose:
    """A vertebra's pose moved to the middle of its body's front."""
    return pose.moved([0.0, -size.depth_mm * (1.0 - WAIST_IN_FRONT), 0.0])


WAIST_IN_FRONT = 0.05
"""Share of its depth by which a body's front is hollow at mid-height, on the mean."""


def vessels(fronts: Sequence[Pose]) -> list[Bystander]:
    """Aorta left and vena cava right on the bodies' fronts, cranial to caudal; each splits at the last but one.

    >>> fronts = [Pose(np.array([0.0, 0.0, -35.0 * n]), np.diag([-1.0, -1.0, 1.0])) for n in range(3)]
    >>> {one.core.name for one in vessels(fronts)}
    {'VESSEL'}
    """
    found = []
    for x, radius in ((AORTA_X_MM, AORTA_MM), (CAVA_X_MM, CAVA_MM)):
        knots = [front.to_world_mm([x, INTO_BODY_MM - radius, 0.0]) for front in fronts]
        knots.insert(0, fronts[0].to_world_mm([x, INTO_BODY_MM - radius, 60.0]))
        found += _chain(knots[:-1], radius)
        for aside in (-20.0, 20.0):
            end = fronts[-1].to_world_mm([x + aside, -4.0, -6.0])
            found += _chain([knots[-2], end, end + (end - knots[-2]) * [0.6, 0.2, 1.0]], 0.62 * radius)
    return found


def _chain(knots_mm: Sequence[npt.NDArray[np.float64]], radius_mm: float) -> list[Bystander]:
    return [
        Bystander(Capsule(a, b, radius_mm, radius_mm), Material.VESSEL, Material.VESSEL) for a, b in pairwise(knots_mm)
    ]


def _bowel(pose: Pose, size: VertebraSize) -> list[Bystander]:
    """Gas and oral contrast in front of one vertebra, and in the colon on both sides of the muscles."""
    front = -size.depth_mm
    places = (
        ((-20.0, front - 34.0, -6.0), (24.0, front - 30.0, 6.0), 11.0, Material.GAS),
        ((-24.0, front - 52.0, 10.0), (10.0, front - 56.0, 14.0), 10.0, Material.CONTRAST),
        ((62.0, -26.0, -18.0), (62.0, -22.0, 18.0), 13.0, Material.CONTRAST),
        ((-62.0, -24.0, -18.0), (-60.0, -28.0, 18.0), 14.0, Material.GAS),
    )
    wall = Material.MUSCLE
    return [
        Bystander(Capsule(pose.to_world_mm(a), pose.to_world_mm(b), radius, radius), kind, wall)
        for a, b, radius, kind in places
    ]


def _ribs(pose: Pose) -> list[Bystander]:
    """T12's ribs from where their stubs end, and a pair above them."""
    found = []
    runs = (
        ((55.0, 21.0, -8.0), (78.0, 14.0, -22.0), (98.0, -12.0, -42.0)),
        ((46.0, 20.0, 26.0), (76.0, 18.0, 8.0), (104.0, -8.0, -16.0)),
    )
    for sign in (1.0, -1.0):
        for run in runs:
            knots = [pose.to_world_mm(np.array(knot) * [sign, 1.0, 1.0]) for knot in run]
            found += [
                Bystander(Capsule(a, b, 4.5, 4.2), Material.TRABECULAR, Material.CORTICAL) for a, b in pairwise(knots)
            ]
    return found


def _pelvis(pose: Pose) -> list[Bystander]:
    """An iliac wing on either side of the sacrum, up to the last disc but one, flared outward."""
    found = []
    for sign in (1.0, -1.0):
        axes = turn(1, sign * 14.0) @ turn(2, sign * 30.0)
        wing = RoundedBox(np.array([sign * 74.0, 2.0, 6.0]), axes, np.array([5.5, 36.0, 44.0]), 5.0)
        found.append(Bystander(wing.placed(pose), Material.TRABECULAR, Material.CORTICAL))
    return found


def _table(skin: Skin) -> Bystander:
    """A flat table behind the most dorsal skin."""
    z = np.linspace(-110.0, 90.0, 41)
    behind = float(np.polyval(skin.profile, z).max()) + TABLE_GAP_MM + TABLE_MM / 2
    half = np.array([HALF_TRUNK_MM + 60.0, TABLE_MM / 2, 400.0])
    table = RoundedBox(np.array([0.0, behind, -20.0]), np.eye(3), half, 4.0)
    return Bystander(table.placed(skin.pose), Material.TABLE_CORE, Material.TABLE_SHELL)
