"""The bony canal as one connected tube over all levels in view.

Works from a label map's bone as from bone occupancy: closed rings at pedicle level give the line
(`recon.bone.ring_centres`), rays across it give the wall (`recon.canal.wall`), and the line is re-centred until it
runs through the middle. Epidural fat, sac, roots and flavum all lie inside.
"""

from __future__ import annotations

from dataclasses import dataclass

import cc3d
import numpy as np
import numpy.typing as npt
from numba import njit
from scipy import ndimage

from canalwise.recon.bone.ring_centres import canal_seeds_mm
from canalwise.recon.canal.wall import (
    ANGLES,
    Stations,
    bone_distance_mm,
    ray_angles_rad,
    ray_directions,
    rough_wall_mm,
    wall_mm,
)
from canalwise.recon.errors import AnatomyNotFound
from canalwise.recon.grid import Float, Grid
from canalwise.recon.labels import Mask

CRANIAL_RAS = (0.0, 0.0, 1.0)
"""The direction stations advance in when no better axis is given."""

STATION_MM = 1.0
"""Distance of stations along the axis."""

LINE_WIDTH_MM = 10.0
"""Standard deviation of the window that smooths the centreline: a third of a vertebra (common practice, no source)."""

SEED_LEAN_FRAC, LINE_LEAN_FRAC = 0.1, 0.05
"""How strongly the line's slope leans on the overall one: first, from bunched seeds, and later, from every station."""

RECENTRINGS = 8
"""Rounds of moving the line to the middle of the wall; each carries its ends about LINE_WIDTH_MM round a bend."""

ENCLOSED_FRAC = 0.35
"""Least share of rays that must meet bone, over one vertebral length, for a station to count as canal."""

LEAST_AREA_MM2 = 30.0
"""Smaller sections are no canal: a third of the mean of severely stenotic ones (docs/published-values.md#canal)."""

SLAB, SLAB_MARGIN = 8, 2.0
"""Voxel slices treated at a time when the tube is rasterised, which bounds memory, and how far beyond them walls count
that slices may meet, voxels."""


@dataclass(frozen=True, eq=False)
class CanalTube:
    """The canal's wall in polar form about its centreline, and its mask.

    Parameters
    ----------
    stations : N planes across the canal, caudal to cranial
    radius_mm : (N, ANGLES) array; angle 0 left, pi/2 dorsal, pi right, 3 pi/2 ventral
    bony : (N, ANGLES) array: is the wall bone there (else the smooth surface)?
    mask : (nx, ny, nz) array on the grid it was made on
    """

    stations: Stations
    radius_mm: Float
    bony: npt.NDArray[np.bool_]
    mask: Mask

    def __post_init__(self) -> None:
        # a wall that is no number would pass through every later step in silence
        lost = ~np.asarray(
            np.isfinite(self.radius_mm).all(axis=1) & np.isfinite(self.stations.centre_ras_mm).all(axis=1)
        )
        if lost.any():
            raise AnatomyNotFound(
                "canal",
                "has no wall at some of its stations",
                got=f"{lost.sum()} of {len(lost)}",
                do="Lay points into the canal with --seed canal=X,Y,Z, or give a label map.",
            )

    def __repr__(self) -> str:
        area_mm2 = self.area_mm2
        if not len(area_mm2):
            return "<CanalTube without stations>"
        return f"<CanalTube {len(area_mm2)} stations, {area_mm2.min():.0f} to {area_mm2.max():.0f} mm2>"

    @property
    def centreline_ras_mm(self) -> Float:
        """(N, 3) array, caudal to cranial."""
        return self.stations.centre_ras_mm

    @property
    def area_mm2(self) -> Float:
        """(N,) array, area across the canal at each station (polygon of the wall)."""
        x, y = self._plane_mm()
        return np.asarray(0.5 * np.abs((x * np.roll(y, -1, 1) - y * np.roll(x, -1, 1)).sum(axis=1)))

    def _plane_mm(self) -> tuple[Float, Float]:
        angle = ray_angles_rad()
        return self.radius_mm * np.cos(angle), self.radius_mm * np.sin(angle)

    def contours_ras_mm(self) -> Float:
        """(N, ANGLES, 3) array of wall points."""
        return self.centreline_ras_mm[:, None] + self.radius_mm[..., None] * ray_directions(self.stations)

    def station_of(self, points_ras_mm: npt.ArrayLike) -> Float:
        """(...,) array: fractional station whose plane holds each point, beyond the ends too."""
        return self.local_mm(points_ras_mm)[..., 2]

    def local_mm(self, points_ras_mm: npt.ArrayLike) -> Float:
        """(..., 3) array: mm left and dorsal of the centreline, and the fractional station."""
        points = np.asarray(points_ras_mm, dtype=float)
        line, flat = self.stations, np.ascontiguousarray(points.reshape(-1, 3))
        axis = line.centre_ras_mm[-1] - line.centre_ras_mm[0]
        axis = axis / np.linalg.norm(axis)
        height, number = line.centre_ras_mm @ axis, np.arange(len(line.centre_ras_mm), dtype=float)
        out = np.empty_like(flat)
        # The station whose height along the mean axis fits best is the first guess.
        first = np.interp(flat @ axis, height, number)
        _local(flat, line.centre_ras_mm, np.ascontiguousarray(line.axes_ras), line.step_mm, first, out)
        return out.reshape(points.shape)

    def wall_at_mm(self, station: Float, angle_rad: Float) -> Float:
        """Wall radius at fractional stations and angles (bilinear).

        Both (N,) arrays; the answer (N,) mm.
        """
        column = np.mod(angle_rad, 2 * np.pi) * (ANGLES / (2 * np.pi))
        padded = np.concatenate([self.radius_mm, self.radius_mm[:, :1]], axis=1)
        row = np.clip(station, 0, len(padded) - 1)
        value = ndimage.map_coordinates(padded, np.stack([row, column]), order=1, mode="nearest")
        return np.asarray(value, dtype=float)

    def contains(self, points_ras_mm: npt.ArrayLike) -> npt.NDArray[np.bool_]:
        """(...,) array: is each point within the wall and between the end stations?"""
        local = self.local_mm(points_ras_mm)
        radius = np.hypot(local[..., 0], local[..., 1])
        wall = self.wall_at_mm(local[..., 2], np.arctan2(local[..., 1], local[..., 0]))
        between_ends = (local[..., 2] >= 0) & (local[..., 2] <= len(self.radius_mm) - 1)
        return np.asarray((radius <= wall) & between_ends)


@njit(cache=True, nogil=True)
def _local(points: Float, line: Float, axes: Float, step_mm: float, first: Float, out: Float) -> None:
    """`CanalTube.local_mm` of (N, 3) points, each near a station `first` (N,); past its ends the line is straight."""
    last, place = len(line) - 1, np.empty(3)
    for n in range(len(points)):
        station = first[n]
        for turn in range(3):
            low = min(max(int(np.floor(station)), 0), max(last - 1, 0))
            row = min(max(int(np.rint(station)), 0), last)
            ahead = 0.0
            for a in range(3):
                start = line[low, a]
                place[a] = points[n, a] - (start + (station - low) * (line[min(low + 1, last), a] - start))
                ahead += place[a] * axes[row, 2, a]
            # each step along the tangent corrects the last: planes turn little from one station to the next
            if turn < 2:
                station += ahead / step_mm
            else:
                for b in range(2):
                    out[n, b] = place[0] * axes[row, b, 0] + place[1] * axes[row, b, 1] + place[2] * axes[row, b, 2]
                out[n, 2] = station


def _stations(centres_mm: Float, weights: Float, axis: Float, heights_mm: Float, lean_frac: float) -> Stations:
    """Stations at the heights along `axis`, on the locally straight smooth line through the weighted centres."""
    along = centres_mm @ axis
    # a hair of far centres: where none is near, the line goes on from the nearest there are
    near = np.exp(-0.5 * ((heights_mm[:, None] - along) / LINE_WIDTH_MM) ** 2) + 1e-9 * np.exp(
        -np.abs(heights_mm[:, None] - along) / (6 * LINE_WIDTH_MM)
    )
    near = near * weights
    total = near.sum(axis=1, keepdims=True)
    mean_height, mean_centre = near @ along[:, None] / total, near @ centres_mm / total
    spread = along[None, :] - mean_height
    # Where the centres lie bunched the slope leans on the overall one, so the line can be carried on past them.
    lean = lean_frac * LINE_WIDTH_MM**2 * total
    run = (near * spread**2).sum(axis=1, keepdims=True) + lean
    slope = ((near * spread) @ centres_mm + lean * _overall_slope(centres_mm, weights, axis)) / run
    # run per height: exactly one mm along the axis for each mm of it
    slope = slope + (1.0 - slope @ axis)[:, None] * axis
    centre = mean_centre + (heights_mm[:, None] - mean_height) * slope
    centre = centre + (heights_mm - centre @ axis)[:, None] * axis
    return Stations(centre, _axes_along(centre))


def _overall_slope(centres_mm: Float, weights: Float, axis: Float) -> Float:
    """(3,) array: mm of run per mm along `axis` of the straight line through all weighted centres."""
    along = centres_mm @ axis
    spread = along - np.average(along, weights=weights)
    run = float((weights * spread**2).sum())
    if run < weights.sum() * LINE_WIDTH_MM:
        return axis
    return np.asarray(((weights * spread) @ centres_mm) / run)


def _axes_along(centre_mm: Float) -> Float:
    """(N, 3, 3) array: left, dorsal, cranial at each point of the line."""
    tangent = np.gradient(centre_mm, axis=0)
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
    left = np.array([-1.0, 0.0, 0.0]) + tangent * tangent[:, :1]
    left /= np.linalg.norm(left, axis=1, keepdims=True)
    return np.stack([left, np.cross(tangent, left), tangent], axis=1)


def _middle_mm(stations: Stations, radius_mm: Float) -> Float:
    """(N, 3) array: centroid of each station's contour."""
    angle = ray_angles_rad()
    area = np.maximum((radius_mm**2).sum(axis=1), 1e-6)
    # a sector's centroid lies at two thirds of its radius, and counts by its area, which goes with the square
    left = (radius_mm**3 * np.cos(angle)).sum(axis=1) * (2 / 3) / area
    dorsal = (radius_mm**3 * np.sin(angle)).sum(axis=1) * (2 / 3) / area
    offset = left[:, None] * stations.axes_ras[:, 0] + dorsal[:, None] * stations.axes_ras[:, 1]
    return np.asarray(stations.centre_ras_mm + offset)


def _heights_in_view_mm(grid: Grid, seeds_mm: Float, axis: Float) -> Float:
    """Heights along `axis` of all stations the grid can hold about the seeds."""
    i, j = (np.array(grid.shape[:2]) - 1) / 2
    low, high = np.sort(grid.world_mm([[i, j, 0.0], [i, j, grid.shape[2] - 1.0]]) @ axis)
    middle = float(np.median(seeds_mm @ axis))
    first, last = np.ceil((low - middle) / STATION_MM), np.floor((high - middle) / STATION_MM)
    return middle + np.arange(first, last + 1) * STATION_MM


def _enclosed(hit_mm: Float, seeds: Float) -> slice:
    """The run of stations round `seeds` (fractional indices) in which enough rays meet bone."""
    share = ndimage.uniform_filter1d(np.isfinite(hit_mm).mean(axis=1), 25, mode="nearest")
    runs = cc3d.connected_components((share >= ENCLOSED_FRAC)[:, None, None].astype(np.uint8))[:, 0, 0]
    middle = int(np.clip(np.rint(np.median(seeds)), 0, len(runs) - 1))
    if runs[middle] == 0:
        raise AnatomyNotFound("canal", "is not enclosed by bone where a closed ring was found")
    inside = np.flatnonzero(runs == runs[middle])
    return slice(int(inside[0]), int(inside[-1]) + 1)


def canal_from_bone(
    occupancy: npt.NDArray[np.generic],
    grid: Grid,
    axis_hint: npt.ArrayLike | None = None,
    through_mm: Float | None = None,
) -> CanalTube:
    """The canal enclosed by bone.

    Parameters
    ----------
    occupancy : (nx, ny, nz) array 0..1, or a bone mask; interiors of bones must be solid. Discs may be
        set to 1 as well: then they are wall, otherwise the smooth surface passes over them.
    grid : of the occupancy, its third axis nearest to cranial
    axis_hint : (3,) RAS direction roughly along the canal; cranial when left out
    through_mm : (M, 3) RAS mm, points that a person placed in the canal

    Raises
    ------
    AnatomyNotFound : no closed bony ring of a canal's size is in view
    """
    bone = np.asarray(occupancy, dtype=np.float32)
    axis = np.asarray(CRANIAL_RAS if axis_hint is None else axis_hint, dtype=float)
    axis = axis / np.linalg.norm(axis)
    seeds = canal_seeds_mm(bone >= 0.5, grid, axis, through_mm)
    heights = _heights_in_view_mm(grid, seeds, axis)
    stations = _stations(seeds, np.ones(len(seeds)), axis, heights, SEED_LEAN_FRAC)
    for _ in range(RECENTRINGS):
        hit = bone_distance_mm(bone, grid, stations)
        run = _enclosed(hit, (seeds @ axis - heights[0]) / STATION_MM)
        radius, bony = rough_wall_mm(hit[run])
        middle = _middle_mm(Stations(stations.centre_ras_mm[run], stations.axes_ras[run]), radius)
        # A line that has strayed into bone shows no canal: such stations follow their neighbours.
        roomy = (radius**2).mean(axis=1) * np.pi >= LEAST_AREA_MM2
        weight = (0.02 + bony.mean(axis=1) ** 3) * np.where(roomy, 1.0, 1e-6)
        stations = _stations(middle, weight, axis, heights, LINE_LEAN_FRAC)
    hit = bone_distance_mm(bone, grid, stations)
    run = _enclosed(hit, (seeds @ axis - heights[0]) / STATION_MM)
    return canal_along(bone, grid, Stations(stations.centre_ras_mm[run], stations.axes_ras[run]))


def line_through(centres_mm: Float, grid: Grid) -> Stations:
    """Planes along a smooth line through (K, 3) centres of the canal, one per layer or so, from end to end of them."""
    axis = np.array(CRANIAL_RAS)
    heights, along = _heights_in_view_mm(grid, centres_mm, axis), centres_mm @ axis
    heights = heights[(heights >= along.min() - STATION_MM) & (heights <= along.max() + STATION_MM)]
    return _stations(centres_mm, np.ones(len(centres_mm)), axis, heights, LINE_LEAN_FRAC)


def canal_along(bone: npt.NDArray[np.float32], grid: Grid, stations: Stations) -> CanalTube:
    """The canal of a bone occupancy (nx, ny, nz) about a line that is already known."""
    radius, bony = wall_mm(bone_distance_mm(bone, grid, stations), stations.step_mm)
    return _with_mask(CanalTube(stations, radius, bony, np.zeros((0, 0, 0), dtype=bool)), bone, grid)


def _with_mask(tube: CanalTube, bone: npt.NDArray[np.float32], grid: Grid) -> CanalTube:
    """The tube with its voxels: centres inside the wall and not bone, the largest connected piece."""
    box = grid.box_around(tube.contours_ras_mm().reshape(-1, 3), 1.0)
    mask = np.zeros(grid.shape, dtype=bool)
    # Where the wall is bone, bone itself bounds the canal: reach half a voxel further, so no voxel is left between.
    reach = tube.radius_mm + tube.bony * (0.5 * float(grid.spacing_mm.max()))
    wide = CanalTube(tube.stations, reach, tube.bony, tube.mask)
    walls_mm = wide.contours_ras_mm()
    height = grid.index_of(walls_mm)[..., 2]
    low, high = height.min(axis=1) - SLAB_MARGIN, height.max(axis=1) + SLAB_MARGIN
    for start in range(box[2].start, box[2].stop, SLAB):
        layers = slice(start, min(start + SLAB, box[2].stop))
        met = (low <= layers.stop) & (high >= layers.start)
        if met.any():
            part = (*grid.box_around(walls_mm[met].reshape(-1, 3), 1.0)[:2], layers)
            mask[part] = wide.contains(grid.cropped(part).voxel_centres_mm())
    mask &= bone < 0.5
    largest = cc3d.largest_k(mask, k=1, connectivity=6) > 0
    return CanalTube(tube.stations, tube.radius_mm, tube.bony, largest)
