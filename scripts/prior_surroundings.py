"""What lies about a spine, painted around it in a map of codes: sacrum, pelvis, ribs, muscles, vessels and organs.

Everything is a simple solid in the frame of the nearest vertebra (x left, y dorsal, z cranial, mm), its size, place and
presence drawn at random; nothing is painted over the bones, discs and canal that are there. Places and sizes are
modelling choices: they need only be like enough for a network that is to tell these things from a lumbar vertebra.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from prior_codes import (
    ALL_BONE,
    CANAL,
    FAT,
    GAS,
    GUT,
    ILIUM,
    KIDNEY,
    MUSCLE,
    REMNANT,
    RIB,
    SAC,
    SACRUM,
    SOFT,
    TRANSVERSE,
    VESSEL,
    Codes,
)
from scipy import ndimage

from canalwise.phantoms.solid.pose import Pose, turn
from canalwise.phantoms.solid.signed_distance import Capsule, RoundedBox, Solid
from canalwise.recon.grid import Float, Grid

LOOSE = (SOFT, MUSCLE, FAT)
"""What bones and organs are painted over."""

HALF_WIDTH_MM = 22.0
"""Half of a body's width about which the surroundings are arranged."""


@dataclass(frozen=True, eq=False)
class Ball:
    """An ellipsoid along a frame's axes, as a solid; its distance is a bound near the surface."""

    centre_mm: Float
    axes: Float
    half_mm: Float

    def distance_mm(self, points_mm: Float) -> Float:
        """(N,) array, negative inside."""
        local = (points_mm - self.centre_mm) @ self.axes.T / self.half_mm
        return np.asarray((np.linalg.norm(local, axis=1) - 1.0) * self.half_mm.min())

    def box_mm(self) -> tuple[Float, Float]:
        """Low and high corner of the axis-aligned box around it."""
        reach = np.abs(self.axes.T) @ self.half_mm
        return self.centre_mm - reach, self.centre_mm + reach


@dataclass(frozen=True, eq=False)
class Scene:
    """A map of codes to paint on (in place), the frames of its vertebrae and the source of chance.

    Parameters
    ----------
    codes : (nx, ny, nz) array of codes
    grid : of the codes
    poses : of the lumbar and thoracic vertebrae, cranial to caudal: dorsal wall of the body at mid-height
    sacrum : pose of the first sacral body; None leaves the sacrum out
    thoracic : how many of the first poses carry ribs
    """

    codes: Codes
    grid: Grid
    poses: Sequence[Pose]
    sacrum: Pose | None
    thoracic: int
    rng: np.random.Generator

    def paint(
        self,
        solid: Solid | Ball,
        code: int,
        over: Sequence[int] = LOOSE,
        clear_mm: float = 0.0,
        of: Sequence[int] = ALL_BONE,
    ) -> None:
        """Paint a solid over some codes, keeping clear of others by a distance."""
        low, high = solid.box_mm()
        index = self.grid.index_of(np.stack([low, high]))
        first = np.clip(np.floor(index.min(axis=0)).astype(int) - 1, 0, self.grid.shape)
        last = np.clip(np.ceil(index.max(axis=0)).astype(int) + 2, 0, self.grid.shape)
        if (last <= first).any():
            return
        box = (slice(first[0], last[0]), slice(first[1], last[1]), slice(first[2], last[2]))
        part = self.codes[box]
        where = np.isin(part, over)
        places = np.argwhere(where)
        if not len(places):
            return
        where[where] = solid.distance_mm(self.grid.world_mm(places + first)) < 0
        if clear_mm > 0:
            steps = max(round(clear_mm / float(self.grid.spacing_mm[0])), 1)
            where &= ~ndimage.binary_dilation(np.isin(part, of), iterations=steps)
        part[where] = code

    def uniform(self, low: float, high: float) -> float:
        """One random number."""
        return float(self.rng.uniform(low, high))

    def chance(self, share: float) -> bool:
        """True in a share of the calls."""
        return bool(self.rng.random() < share)

    def near(self, *point: float, jitter_mm: float = 2.0) -> Float:
        """(3,) array: a point moved a little."""
        return np.array(point) + jitter_mm * self.rng.standard_normal(3)


def surround(scene: Scene) -> None:
    """Paint everything about a spine."""
    sac_anew(scene)
    muscles(scene)
    if scene.sacrum is not None:
        sacrum(scene, scene.sacrum)
        if scene.chance(0.9):
            pelvis(scene, scene.sacrum)
    ribs(scene)
    if scene.chance(0.85):
        vessels(scene)
    if scene.chance(0.8):
        kidneys(scene)
    bowel(scene)
    fat(scene)


def chain(knots_mm: Sequence[Float], radii_mm: Sequence[float]) -> list[Capsule]:
    """Capsules along a line of knots."""
    return [Capsule(a, b, r, s) for (a, b), (r, s) in zip(pairwise(knots_mm), pairwise(radii_mm), strict=True)]


def sac_anew(scene: Scene) -> None:
    """The sac drawn anew within the canal in most maps: a varying layer of fat about it, more of it dorsally."""
    if not scene.chance(0.6):
        return
    inside = np.isin(scene.codes, (CANAL, SAC))
    box = ndimage.find_objects(inside.astype(np.uint8))[0]
    part = inside[box]
    spacing = float(scene.grid.spacing_mm[0])
    depth = ndimage.distance_transform_edt(np.pad(part, 1))[1:-1, 1:-1, 1:-1] * spacing
    knots = scene.rng.uniform(0.0, 2.0, 12) * (1.0 if scene.chance(0.85) else 2.0)
    layer = np.interp(np.linspace(0, 11, part.shape[2]), np.arange(12), knots)
    side = np.arange(part.shape[1])[None, :, None] * spacing
    middle = (part * side).sum(axis=(0, 1), keepdims=True) / np.maximum(part.sum(axis=(0, 1), keepdims=True), 1)
    dorsal = np.clip((middle - side) / 8.0, 0.0, 1.0) * np.interp(
        np.linspace(0, 11, part.shape[2]), np.arange(12), scene.rng.uniform(0.0, 4.0, 12)
    )
    codes = scene.codes[box]
    codes[part] = np.where(depth > layer + dorsal, SAC, CANAL)[part]


def muscles(scene: Scene) -> None:
    """Psoas, erector spinae with multifidus, and quadratus lumborum, with their fat at random."""
    thin = scene.uniform(0.6, 1.1)
    rows = [(15.0, -8.0, 17.0), (13.0, 37.0, 13.0), (34.0, 34.0, 18.0), (52.0, 22.0, 15.0), (56.0, 4.0, 10.0)]
    for sign in (1.0, -1.0):
        for x, y, radius in rows:
            x = x + HALF_WIDTH_MM if y < 0 else x
            knots = [pose.to_world_mm(scene.near(sign * x, y, 0.0)) for pose in scene.poses]
            if scene.sacrum is not None:
                out = sign * (x * (0.7 if y > 0 else 1.7))
                knots.append(scene.sacrum.to_world_mm([out, y - (0.0 if y > 0 else 14.0), -10.0]))
            sizes = [thin * radius * scene.uniform(0.7, 1.1) for _ in knots]
            for one in chain(knots, sizes):
                scene.paint(one, MUSCLE, (SOFT,))


def sacrum(scene: Scene, pose: Pose) -> None:
    """Fused bodies that taper, lateral masses, roof with crest, canal, foramina, remnants of discs."""
    size, bow = scene.uniform(0.88, 1.12), scene.uniform(0.6, 1.5)
    heights = size * np.array([0.0, -28.0, -51.0, -69.0, -85.0])
    dorsal = np.array([0.0, 1.0, -1.0, -8.0, -19.0]) * bow
    solids = _sacral_bodies(size, heights, dorsal) + _sacral_masses(scene, size, heights, dorsal)
    middles = [np.array([0.0, y + 9.0 - n, z]) for n, (y, z) in enumerate(zip(dorsal, heights, strict=True))]
    _sacral_canal(scene, pose, middles)
    solids += _sacral_roof(scene, middles)
    for solid in solids:
        scene.paint(solid.placed(pose), SACRUM)
    thick = scene.uniform(3.0, 7.0) if scene.chance(0.15) else scene.uniform(0.3, 2.0)
    for n in range(2):
        between = np.array([0.0, (dorsal[n] + dorsal[n + 1]) / 2 - 11.0, (heights[n] + heights[n + 1]) / 2])
        half = np.array([15.0 - 2 * n, 8.0, max(thick * (1.0 - 0.6 * n) / 2, 0.3)]) * size
        scene.paint(RoundedBox(between, np.eye(3), half, 0.25).placed(pose), REMNANT, (SACRUM,))
    _foramina(scene, pose, heights, dorsal)
    for sign in (1.0, -1.0):
        if scene.chance(0.12):
            _sacralised(scene, pose, sign)


def _sacral_bodies(size: float, heights: Float, dorsal: Float) -> list[Solid]:
    halves = ((21.0, 15.0, 14.5), (16.0, 10.5, 16.5), (13.0, 8.0, 14.0), (11.0, 6.5, 12.0), (9.0, 5.0, 10.5))
    found: list[Solid] = []
    for n, (half, y, z) in enumerate(zip(halves, dorsal, heights, strict=True)):
        axes = turn(0, -7.0 * n)
        if n:
            found.append(RoundedBox(np.array([0.0, y - half[1], z]), axes, size * np.array(half), 4.0))
    return found


def _sacral_masses(scene: Scene, size: float, heights: Float, dorsal: Float) -> list[Solid]:
    """The ala and the lateral masses below it."""
    reach = scene.uniform(0.9, 1.1) * size
    ends = ((19.0, 46.0, 14.0, 16.0), (17.0, 38.0, 11.0, 11.0), (14.0, 28.0, 9.0, 8.0), (11.0, 18.0, 7.0, 6.0))
    found: list[Solid] = []
    rim = []
    for (near, far, r, s), y, z in zip(ends, dorsal, heights, strict=False):
        lift = 2.0 if near == 19.0 else 0.0
        a, b = np.array([near, y - 10.0, z + lift]), np.array([far * reach - s, y - 1.0, z - 3.0])
        found.append(Capsule(a, b, r * size, s * size))
        rim.append(b)
    found += chain(rim, [13.0, 10.0, 8.0, 6.0])
    return found + [solid.mirrored() for solid in found]


def _sacral_roof(scene: Scene, middles: Sequence[Float]) -> list[Solid]:
    """Laminae behind the sacral canal with the median crest; open over S1 or below at random."""
    first = 1 if scene.chance(0.2) else 0
    found: list[Solid] = []
    for n, (a, b) in enumerate(pairwise(middles)):
        if n < first or (n == 3 and scene.chance(0.6)):
            continue
        half, back = 19.0 - 3.0 * n, 8.5 - 1.2 * n
        middle = (a + b) / 2 + np.array([0.0, back, 0.0])
        length = float(np.linalg.norm(b - a)) / 2 + 2.0
        found.append(RoundedBox(middle, turn(0, -6.0 * n), np.array([half, 3.0, length]), 2.0))
        tall = scene.uniform(4.0, 13.0) * (1.0 - 0.2 * n)
        found.append(Capsule(middle, middle + np.array([0.0, tall, -3.0]), 3.0, scene.uniform(2.0, 4.0)))
    return found


def _sacral_canal(scene: Scene, pose: Pose, middles: Sequence[Float]) -> None:
    """The canal below S1 with the sac's end in it."""
    for n, (a, b) in enumerate(pairwise(middles)):
        wide, r = 6.5 - 1.6 * n, 6.5 - 1.1 * n
        for x in (-wide, 0.0, wide):
            start, stop = a + np.array([x, 0.0, 0.0]), b + np.array([0.8 * x, 0.0, 0.0])
            scene.paint(Capsule(start, stop, r * 0.85, r * 0.75).placed(pose), CANAL)
        if n < 2:
            end = b if n == 0 else a + (b - a) * scene.uniform(0.1, 0.9)
            scene.paint(Capsule(a, end, 5.0 - 1.5 * n, 4.0 - 2.0 * n).placed(pose), SAC, (CANAL,))


def _foramina(scene: Scene, pose: Pose, heights: Float, dorsal: Float) -> None:
    """Tunnels from front to back between the lateral masses and the bodies, with their roots."""
    for n in range(3):
        z = (heights[n] + heights[n + 1]) / 2 - 1.0
        for sign in (1.0, -1.0):
            x, r = sign * (20.0 - 3.0 * n), scene.uniform(3.5, 6.5) * (1.0 - 0.1 * n)
            a, b = np.array([x * 1.15, dorsal[n] - 32.0, z - 5.0]), np.array([x * 0.95, dorsal[n] + 26.0, z + 3.0])
            scene.paint(Capsule(a, b, r * 1.3, r * 0.7).placed(pose), FAT, (SACRUM,))
            inner = Capsule(np.array([x * 0.6, dorsal[n] + 2.0, z + 8.0]), a, 2.0, 3.0)
            scene.paint(inner.placed(pose), SOFT, (FAT, SOFT))


def _sacralised(scene: Scene, pose: Pose, sign: float) -> None:
    """A last lumbar transverse process that is broad and reaches the ala."""
    top = pose.to_local_mm(scene.poses[-1].to_world_mm([sign * 24.0, 4.0, 4.0]))
    down = np.array([sign * scene.uniform(34.0, 42.0), -2.0, scene.uniform(8.0, 16.0)])
    scene.paint(Capsule(top, down, 6.0, scene.uniform(7.0, 10.0)).placed(pose), TRANSVERSE)


def pelvis(scene: Scene, pose: Pose) -> None:
    """Iliac bones beside the sacrum with the sacroiliac joints between, open, narrow or bridged."""
    apart, lift = scene.uniform(-4.0, 6.0), scene.uniform(-14.0, 12.0)
    for sign in (1.0, -1.0):
        gap = 0.0 if scene.chance(0.08) else scene.uniform(1.2, 4.0)
        flare, yaw = scene.uniform(8.0, 24.0), scene.uniform(22.0, 42.0)
        axes = turn(1, sign * flare) @ turn(2, sign * yaw)
        wing = RoundedBox(
            np.array([sign * (71.0 + apart), -10.0, 2.0 + lift]),
            axes,
            np.array([scene.uniform(3.5, 6.5), 42.0, 40.0]),
            3.5,
        )
        back = RoundedBox(
            np.array([sign * (53.0 + apart), 13.0, -8.0 + lift / 2]),
            turn(2, sign * (yaw + 4.0)),
            np.array([scene.uniform(7.0, 11.0), 24.0, 32.0]),
            5.0,
        )
        spine = Ball(np.array([sign * (43.0 + apart), 31.0, -4.0 + lift / 2]), np.eye(3), np.array([10.0, 11.0, 18.0]))
        for solid in (wing, back):
            scene.paint(solid.placed(pose), ILIUM, clear_mm=gap, of=(SACRUM, TRANSVERSE))
        placed = Ball(pose.to_world_mm(spine.centre_mm), pose.axes_ras, spine.half_mm)
        scene.paint(placed, ILIUM, clear_mm=gap, of=(SACRUM, TRANSVERSE))


def ribs(scene: Scene) -> None:
    """A pair of ribs at each thoracic vertebra, the lowest short or absent at random, and others that pass by."""
    for n in range(scene.thoracic):
        lowest = n == scene.thoracic - 1
        for sign in (1.0, -1.0):
            if lowest and scene.chance(0.08):
                continue
            reach = scene.uniform(0.35, 1.0) if lowest else 1.0
            _rib(scene, scene.poses[n], sign, reach)
    for _ in range(int(scene.uniform(0.0, 3.0))):
        sign, z = (1.0 if scene.chance(0.5) else -1.0), scene.uniform(-10.0, 50.0)
        run = ((62, 34, 10), (80, 22, -2), (92, -2, -18), (94, -30, -30))
        knots = [np.array([sign * x, y, z + d]) for x, y, d in run]
        for one in chain([scene.poses[0].to_world_mm(k) for k in knots], [4.5, 4.5, 4.5, 4.5]):
            scene.paint(one, RIB)


def _rib(scene: Scene, pose: Pose, sign: float, reach: float) -> None:
    """Head beside the body, then out, back and down."""
    run = (
        (19.0, -2.0, 4.0),
        (30.0, 12.0, 2.0),
        (44.0, 21.0, -6.0),
        (60.0, 22.0, -16.0),
        (76.0, 12.0, -28.0),
        (88.0, -10.0, -42.0),
    )
    knots = [np.array([sign * x, y, z + scene.uniform(-3, 3)]) for x, y, z in run]
    stop = max(int(np.ceil(reach * len(knots))), 3)
    thick = scene.uniform(0.8, 1.2)
    radii = [4.2 * thick, 3.8 * thick, 4.6 * thick, 4.6 * thick, 4.4 * thick, 4.2 * thick]
    for one in chain([pose.to_world_mm(k) for k in knots[:stop]], radii[:stop]):
        scene.paint(one, RIB, clear_mm=1.2, of=[code for code in ALL_BONE if code != RIB])


def vessels(scene: Scene) -> None:
    """Aorta, vena cava and iliac vessels in front of the bodies."""
    for x, radius in (
        (scene.uniform(4.0, 14.0), scene.uniform(7.0, 14.0)),
        (-scene.uniform(9.0, 17.0), scene.uniform(7.0, 12.0)),
    ):
        split = max(len(scene.poses) - 2, 1)
        knots = [pose.to_world_mm(scene.near(x, -35.0 - radius * 0.7, 0.0)) for pose in scene.poses[: split + 1]]
        for one in chain(knots, [radius] * len(knots)):
            scene.paint(one, VESSEL)
        last = scene.poses[-1]
        for aside in (-24.0, 24.0):
            ends = [
                knots[-1],
                last.to_world_mm(scene.near(x + aside * 0.6, -40.0, 0.0)),
                last.to_world_mm(scene.near(x + aside * 1.6, -42.0, -40.0)),
            ]
            for one in chain(ends, [0.65 * radius] * 3):
                scene.paint(one, VESSEL)


def kidneys(scene: Scene) -> None:
    """A kidney on either side with its pelvis; sometimes one only."""
    for sign in (1.0, -1.0):
        if scene.chance(0.12):
            continue
        pose = scene.poses[min(int(scene.uniform(0, 4)), len(scene.poses) - 1)]
        centre = pose.to_world_mm(
            [sign * scene.uniform(50.0, 72.0), scene.uniform(-34.0, -2.0), scene.uniform(-15.0, 15.0)]
        )
        axes = turn(2, sign * scene.uniform(10.0, 50.0)) @ turn(1, -sign * scene.uniform(0.0, 20.0)) @ pose.axes_ras
        half = np.array([scene.uniform(18, 26), scene.uniform(22, 32), scene.uniform(44, 58)])
        scene.paint(Ball(centre, axes, half), KIDNEY)
        inner = Ball(centre - sign * 8.0 * pose.axes_ras[0], axes, half * scene.uniform(0.35, 0.6))
        scene.paint(inner, GUT if scene.chance(0.5) else FAT, (KIDNEY,))


def bowel(scene: Scene) -> None:
    """Loops with gas, contrast or contents before and beside the spine."""
    for _ in range(int(scene.uniform(2.0, 16.0))):
        pose = scene.poses[int(scene.uniform(0, len(scene.poses)))]
        aside = scene.chance(0.35)
        place = (
            [scene.uniform(56, 84) * (1 if scene.chance(0.5) else -1), scene.uniform(-60, 4), scene.uniform(-30, 30)]
            if aside
            else [scene.uniform(-60, 60), scene.uniform(-95, -58), scene.uniform(-30, 30)]
        )
        axes = turn(2, scene.uniform(0, 180)) @ turn(0, scene.uniform(-40, 40)) @ pose.axes_ras
        half = scene.rng.uniform(8.0, 26.0, 3)
        code = GAS if scene.chance(0.4) else GUT
        ball = Ball(pose.to_world_mm(place), axes, half)
        scene.paint(ball, code)


def fat(scene: Scene) -> None:
    """Fat under the skin of the back and before the spine, in most maps."""
    air = scene.codes == 0
    if scene.chance(0.7) and air.any():
        thick = scene.uniform(4.0, 30.0) / float(scene.grid.spacing_mm[0])
        near = ndimage.distance_transform_edt(~air[::2, ::2, ::2]) * 2.0 < thick
        near = near.repeat(2, 0).repeat(2, 1).repeat(2, 2)[: air.shape[0], : air.shape[1], : air.shape[2]]
        pad = [(0, a - b) for a, b in zip(air.shape, near.shape, strict=True)]
        scene.codes[np.pad(near, pad) & np.isin(scene.codes, (SOFT, MUSCLE))] = FAT
    if scene.chance(0.6):
        scene.codes[scene.codes == SOFT] = FAT


def widened(codes: Codes, grid: Grid, more_mm: npt.ArrayLike) -> tuple[Codes, Grid]:
    """The map with more soft tissue on each side: (3, 2) mm before and after each axis."""
    steps = np.rint(np.asarray(more_mm, dtype=float) / grid.spacing_mm[:, None]).astype(int)
    fill = [(int(a), int(b)) for a, b in steps]
    affine = grid.affine_ras_mm.copy()
    affine[:3, 3] = grid.world_mm(-steps[:, 0])
    wide = np.pad(codes, fill, constant_values=SOFT)
    i, j, k = wide.shape
    return wide, Grid((i, j, k), affine)
