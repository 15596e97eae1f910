"""Compiled loops of the batch: one approach after another, over the arrays of a scene.

A point is covered by a share that falls evenly from 1 to 0 over one cell's width about the border of what can be
taken: inside a phase's solid and in sight of its pivot. Bone, joints and weak places all go by that share. Each
approach's sums are made by one thread in one order, so the answers do not depend on the number of threads.

Method:

1. Bone is a cloud of mass points, one a cell, ordered by halving along the longest edge (`spatial_order`) into leaves
   and groups of leaves, each with a bounding sphere (a bounding volume hierarchy of two levels).
2. A sphere wholly outside every phase's solid is skipped; one wholly inside and in sight is added as a whole. Only what
   lies at a border is tested point by point. Since a signed distance changes by 1 mm a mm at most, the distance of the
   centre and the radius decide.
3. Sight. For each point the least distance to the sac along 91 directions is tabled once a level, and a pivot's
   direction is looked up by interpolation. So an approach needs no ray marching for bone, only for the few targets.
4. At a border a point counts with a share that is a straight ramp one cell wide. The sum is then continuous in the
   approach, which the search needs; what cells cost in accuracy is printed by `scripts/why_batch_cell.py`.
5. Joint pairs, rows of samples of pars and base, and targets go by the same share and sight.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from canalwise.estimator.geometry.cone_formulas import HALF, ONE, ZERO, cone_distance, least_below
from canalwise.estimator.geometry.level_arrays import (
    CRANIAL_LOOKS,
    F32,
    F64,
    I8,
    I32,
    LEAF,
    LOOK_STEP,
    MEDIAL_LOOKS,
    RAY_MM,
    SIGHT_MM,
    WIDEST,
    JointPairArrays,
    KeepOutField,
    PointCloud,
    SampleRows,
    Spheres,
    TargetArrays,
)
from canalwise.recon.labels import Mask

Real = float | np.float32

SLACK = np.float32(0.7)
"""A point off the centre of a sphere is seen from a pivot 30 mm off or further in a direction that differs by its
distance over 30 mm, and rays pass the sac within 20 mm of where they end: its least distance differs from the centre's
by at most this times its distance from the centre."""

LAST = np.float32(1e-3)
"""Keeps a place at the rim of a table inside its last cell."""

TOUCH_TOL_MM = np.float32(1e-5)
"""A target this much beyond the tool's surface still counts as touched."""


class BatchScratch(NamedTuple):
    """Room for one approach's work; L leaves, G groups, P phases."""

    group_depth: F32  # (P, G)
    leaf_depth: F32  # (P, LEAF)
    point_depth: F32  # (1, LEAF)
    leaf: I32  # (L,) leaves taken in part
    near: Mask  # (P, L) does the phase's solid come near it?
    seen: Mask  # (P, L) and is all of it in sight?
    cover: F32  # (L, LEAF)


def work_for(cloud: PointCloud, phases: int) -> BatchScratch:
    """Room enough for any approach of so many phases."""
    leaves, groups = len(cloud.leaf_weight), len(cloud.bucket)
    near, seen = np.empty((phases, leaves), np.bool_), np.empty((phases, leaves), np.bool_)
    rooms = [np.empty(shape, np.float32) for shape in ((phases, groups), (phases, LEAF), (1, LEAF), (leaves, LEAF))]
    return BatchScratch(rooms[0], rooms[1], rooms[2], np.empty(leaves, np.int32), near, seen, rooms[3])


@njit(cache=True, inline="always")
def _depths(xyz: F32, first: int, count: int, phases: F32, p: int, out: F32, row: int) -> None:
    """Signed distances of `count` points from the `first` on to what phase p sweeps, into a row of `out`."""
    px, py, pz, ax, ay, az = phases[p, 0], phases[p, 1], phases[p, 2], phases[p, 3], phases[p, 4], phases[p, 5]
    sl, sb, si, sr = phases[p, 6], phases[p, 7], phases[p, 8], phases[p, 9]
    tl, tb, ti, tr = phases[p, 10], phases[p, 11], phases[p, 12], phases[p, 13]
    for k in range(count):
        ox, oy, oz = xyz[0, first + k] - px, xyz[1, first + k] - py, xyz[2, first + k] - pz
        t = ox * ax + oy * ay + oz * az
        rho = np.sqrt(max(ox * ox + oy * oy + oz * oz - t * t, ZERO))
        out[row, k] = min(cone_distance(t, rho, sl, sb, si) - sr, cone_distance(t, rho, tl, tb, ti) - tr)


@njit(cache=True)
def _least(
    field: F32, turn: F32, phase: F32, x: Real, y: Real, z: Real, short: Real, give_up: Real, care: Real
) -> Real:
    """Least value of a field on the line from a phase's pivot to a level point, ending `short` mm before it.

    It is followed down to `give_up`, and values above `care` are not distinguished.
    """
    wx, wy, wz = x - phase[0], y - phase[1], z - phase[2]
    length = np.sqrt(wx * wx + wy * wy + wz * wz)
    share = max(ONE - short / max(length, np.float32(1e-6)), ZERO)
    wx, wy, wz = wx * share, wy * share, wz * share
    si = turn[0, 0] * phase[0] + turn[0, 1] * phase[1] + turn[0, 2] * phase[2] + turn[0, 3]
    sj = turn[1, 0] * phase[0] + turn[1, 1] * phase[1] + turn[1, 2] * phase[2] + turn[1, 3]
    sk = turn[2, 0] * phase[0] + turn[2, 1] * phase[1] + turn[2, 2] * phase[2] + turn[2, 3]
    wi = turn[0, 0] * wx + turn[0, 1] * wy + turn[0, 2] * wz
    wj = turn[1, 0] * wx + turn[1, 1] * wy + turn[1, 2] * wz
    wk = turn[2, 0] * wx + turn[2, 1] * wy + turn[2, 2] * wz
    return least_below(field, si, sj, sk, wi, wj, wk, length * share, give_up, care)


@njit(cache=True, inline="always")
def _seen(sight: I8, xyz: F32, n: int, phases: F32, p: int) -> Real:
    """Least distance to the sac, mm, on the line from phase p's pivot to point n, from the point's own table."""
    # a pivot lies far dorsal of all bone; whatever a plan says, nothing is divided by none
    dorsal = max(phases[p, 1] - xyz[1, n], ONE)
    u = (phases[p, 0] - xyz[0, n]) / (dorsal * LOOK_STEP) + np.float32(MEDIAL_LOOKS // 2)
    v = (phases[p, 2] - xyz[2, n]) / (dorsal * LOOK_STEP) + np.float32(CRANIAL_LOOKS // 2)
    # beyond 56 deg medial and 37 deg cranial the table's rim is read: no bound of a search leans so far
    u = min(max(u, ZERO), np.float32(MEDIAL_LOOKS - 1) - LAST)
    v = min(max(v, ZERO), np.float32(CRANIAL_LOOKS - 1) - LAST)
    i, j = int(u), int(v)
    fu, fv = u - np.float32(i), v - np.float32(j)
    m = i * CRANIAL_LOOKS + j
    low = np.float32(sight[n, m]) * (ONE - fv) + np.float32(sight[n, m + 1]) * fv
    high = np.float32(sight[n, m + CRANIAL_LOOKS]) * (ONE - fv) + np.float32(sight[n, m + CRANIAL_LOOKS + 1]) * fv
    return (low * (ONE - fu) + high * fu) * SIGHT_MM


@njit(cache=True, nogil=True)
def fill_sight(shade: KeepOutField, xyz: F32, sight: I8) -> None:
    """Fills (N, LOOKS) tables: least distance to the sac on the ray from a point along each look, in SIGHT_MM."""
    most = np.float32(127) * SIGHT_MM
    for n in range(xyz.shape[1]):
        x, y, z = xyz[0, n], xyz[1, n], xyz[2, n]
        si = shade.turn[0, 0] * x + shade.turn[0, 1] * y + shade.turn[0, 2] * z + shade.turn[0, 3]
        sj = shade.turn[1, 0] * x + shade.turn[1, 1] * y + shade.turn[1, 2] * z + shade.turn[1, 3]
        sk = shade.turn[2, 0] * x + shade.turn[2, 1] * y + shade.turn[2, 2] * z + shade.turn[2, 3]
        for i in range(MEDIAL_LOOKS):
            for j in range(CRANIAL_LOOKS):
                wx, wz = np.float32(i - MEDIAL_LOOKS // 2) * LOOK_STEP, np.float32(j - CRANIAL_LOOKS // 2) * LOOK_STEP
                far = RAY_MM / np.sqrt(wx * wx + wz * wz + ONE)
                wx, wy, wz = wx * far, far, wz * far
                wi = shade.turn[0, 0] * wx + shade.turn[0, 1] * wy + shade.turn[0, 2] * wz
                wj = shade.turn[1, 0] * wx + shade.turn[1, 1] * wy + shade.turn[1, 2] * wz
                wk = shade.turn[2, 0] * wx + shade.turn[2, 1] * wy + shade.turn[2, 2] * wz
                least = least_below(shade.field, si, sj, sk, wi, wj, wk, RAY_MM, -most, most)
                sight[n, i * CRANIAL_LOOKS + j] = np.int8(np.rint(min(max(least, -most), most) / SIGHT_MM))


@njit(cache=True, inline="always")
def _all_seen(spheres: Spheres, n: int, phases: F32, p: int, clearance_radius_mm: Real) -> bool:
    """Does every line from phase p's pivot into a sphere pass the sac by the berth?"""
    wanted = clearance_radius_mm + SLACK * spheres.radius[n]
    # far from the sac the least of all looks decides, without a look-up
    return spheres.floor[n] >= wanted or _seen(spheres.sight, spheres.xyz, n, phases, p) >= wanted


@njit(cache=True)
def _cover(
    xyz: F32,
    sight: I8,
    first: int,
    count: int,
    seen: bool,
    phases: F32,
    p: int,
    clearance_radius_mm: Real,
    cell: Real,
    cover: F32,
) -> None:
    """Raises the covered shares of `count` points from the `first` on, cover[0], to what one phase gives them."""
    _depths(xyz, first, count, phases, p, cover, 1)
    if not seen:
        for k in range(count):
            if cover[1, k] < HALF * cell:
                cover[1, k] = max(cover[1, k], clearance_radius_mm - _seen(sight, xyz, first + k, phases, p))
    for k in range(count):
        cover[0, k] = max(cover[0, k], min(max(HALF - cover[1, k] / cell, ZERO), ONE))


@njit(cache=True)
def _leaf_taken(
    xyz: F32, sight: I8, leaves: Spheres, leaf: int, phases: F32, least: F32, lane: int, clearance_radius_mm: Real,
    cell: Real, cover: F32,
) -> int:  # fmt: skip
    """0 nothing of the leaf is taken, 2 all of it, 1 as cover[0] says. `least` (P, lanes) holds the centre's depths.

    `cover` is (2, LEAF), its second row working space.
    """
    half = HALF * cell
    margin, found = leaves.radius[leaf] + half, 0
    for p in range(len(phases)):
        if least[p, lane] < -margin and _all_seen(leaves, leaf, phases, p, clearance_radius_mm + half):
            found = 2
    if found == 0:
        for k in range(LEAF):
            cover[0, k] = ZERO
        for p in range(len(phases)):
            if least[p, lane] <= margin:
                seen = _all_seen(leaves, leaf, phases, p, clearance_radius_mm + half)
                _cover(xyz, sight, LEAF * leaf, LEAF, seen, phases, p, clearance_radius_mm, cell, cover)
                found = 1
    return found


@njit(cache=True)
def _border_leaves(
    cloud: PointCloud,
    phases: F32,
    clearance_radius_mm: Real,
    cell: Real,
    work: BatchScratch,
    taken: F64,
    slope: F64,
    lateral: F64,
) -> int:
    """Adds all groups and leaves that are wholly taken; lists those taken in part, and returns how many there are."""
    half, count, found = HALF * cell, len(cloud.bucket), 0
    for p in range(len(phases)):
        _depths(cloud.group.xyz, 0, count, phases, p, work.group_depth, p)
    for g in range(count):
        margin, bucket, near, whole = cloud.group.radius[g] + half, cloud.bucket[g], False, False
        for p in range(len(phases)):
            near = near or work.group_depth[p, g] <= margin
            whole = whole or (
                work.group_depth[p, g] < -margin and _all_seen(cloud.group, g, phases, p, clearance_radius_mm + half)
            )
        if whole:
            taken[bucket] += cloud.group_weight[g]
            slope[bucket] += cloud.group_slope[g]
            lateral[0] = max(lateral[0], cloud.group_lateral[g])
        if whole or not near:
            continue
        for p in range(len(phases)):
            _depths(cloud.leaf.xyz, LEAF * g, LEAF, phases, p, work.leaf_depth, p)
        for lane in range(LEAF):
            leaf = LEAF * g + lane
            margin, near, whole = cloud.leaf.radius[leaf] + half, False, False
            if margin < half:
                continue
            for p in range(len(phases)):
                work.near[p, found] = work.leaf_depth[p, lane] <= margin
                work.seen[p, found] = work.near[p, found] and _all_seen(
                    cloud.leaf, leaf, phases, p, clearance_radius_mm + half
                )
                near = near or work.near[p, found]
                whole = whole or (work.seen[p, found] and work.leaf_depth[p, lane] < -margin)
            if whole:
                taken[bucket] += cloud.leaf_weight[leaf]
                slope[bucket] += cloud.leaf_slope[leaf]
                lateral[0] = max(lateral[0], cloud.leaf_lateral[leaf])
            elif near:
                work.leaf[found] = leaf
                found += 1
    return found


@njit(cache=True)
def _cover_border(
    xyz: F32, sight: I8, found: int, phases: F32, clearance_radius_mm: Real, cell: Real, work: BatchScratch
) -> None:
    """Covered shares of the points of the leaves listed."""
    for m in range(found):
        for k in range(LEAF):
            work.cover[m, k] = ZERO
    for p in range(len(phases)):
        for m in range(found):
            if not work.near[p, m]:
                continue
            first = LEAF * work.leaf[m]
            _depths(xyz, first, LEAF, phases, p, work.point_depth, 0)
            if not work.seen[p, m]:
                for k in range(LEAF):
                    if work.point_depth[0, k] < HALF * cell:
                        hidden = clearance_radius_mm - _seen(sight, xyz, first + k, phases, p)
                        work.point_depth[0, k] = max(work.point_depth[0, k], hidden)
            for k in range(LEAF):
                share = min(max(HALF - work.point_depth[0, k] / cell, ZERO), ONE)
                work.cover[m, k] = max(work.cover[m, k], share)


@njit(cache=True)
def _add_border(cloud: PointCloud, found: int, work: BatchScratch, taken: F64, slope: F64, lateral: F64) -> None:
    """Adds the covered shares of the leaves listed."""
    for m in range(found):
        leaf = work.leaf[m]
        mass, lost = ZERO, ZERO
        for k in range(LEAF):
            n = LEAF * leaf + k
            mass += work.cover[m, k] * cloud.weight[n]
            lost += work.cover[m, k] * cloud.slope[n]
            if work.cover[m, k] >= HALF and cloud.weight[n] > ZERO:
                lateral[0] = max(lateral[0], abs(cloud.xyz[0, n]))
        taken[cloud.bucket[leaf // LEAF]] += mass
        slope[cloud.bucket[leaf // LEAF]] += lost


@njit(cache=True, nogil=True)
def joints_kept(pairs: JointPairArrays, phases: F32, clearance_radius_mm: Real, cell: Real, kept: F64) -> None:
    """Adds to `kept` (2 sides, 2) the mm2 of joint surface, all and in the disc-level slice, that stay.

    Parameters
    ----------
    phases : (P, 14) array, of one approach, packed
    clearance_radius_mm : clearance of the sac and the tool's radius
    cell : edge of a mass point's cell, mm
    kept : (2, 2) array, by side (left, right); added to
    """
    count = len(pairs.side)
    near = np.empty((len(phases), count), dtype=np.float32)
    far = np.empty((len(phases), count), dtype=np.float32)
    one, other = np.empty((2, LEAF), np.float32), np.empty((2, LEAF), np.float32)
    for p in range(len(phases)):
        _depths(pairs.inferior.leaf.xyz, 0, count, phases, p, near, p)
        _depths(pairs.superior.leaf.xyz, 0, count, phases, p, far, p)
    for leaf in range(count):
        side, face, facing = pairs.side[leaf], pairs.inferior, pairs.superior
        reported = _leaf_taken(
            face.xyz, face.sight, face.leaf, leaf, phases, near, leaf, clearance_radius_mm, cell, one
        )
        also = _leaf_taken(
            facing.xyz, facing.sight, facing.leaf, leaf, phases, far, leaf, clearance_radius_mm, cell, other
        )
        # surface is kept where both of its faces stand
        if reported == 2 or also == 2:
            continue
        if reported == 0 and also == 0:
            kept[side, 0] += pairs.leaf_area[leaf]
            kept[side, 1] += pairs.leaf_width[leaf]
            continue
        for k in range(LEAF):
            gone = max(one[0, k], other[0, k])
            kept[side, 0] += (ONE - gone) * pairs.area[LEAF * leaf + k]
            kept[side, 1] += (ONE - gone) * pairs.width[LEAF * leaf + k]


@njit(cache=True, nogil=True)
def rows_remaining(rows: SampleRows, phases: F32, clearance_radius_mm: Real, cell: Real, run: F32, left: F32) -> None:
    """Fills (R,) longest unbroken run of bone and sum of bone, in samples, that one approach leaves of each row."""
    count = len(rows.plane)
    depth = np.empty((len(phases), count), dtype=np.float32)
    cover = np.empty((2, WIDEST), np.float32)
    for p in range(len(phases)):
        _depths(rows.sphere.xyz, 0, count, phases, p, depth, p)
    for r in range(count):
        # most rows lie far from any approach: what they hold untouched is summed once a level
        run[r], left[r] = rows.before_run[r], rows.before_sum[r]
        near = False
        for p in range(len(phases)):
            near = near or depth[p, r] <= rows.sphere.radius[r] + HALF * cell
        if not near:
            continue
        first, samples = rows.first[r], rows.first[r + 1] - rows.first[r]
        for k in range(samples):
            cover[0, k] = ZERO
        for p in range(len(phases)):
            if depth[p, r] <= rows.sphere.radius[r] + HALF * cell:
                seen = _all_seen(rows.sphere, r, phases, p, clearance_radius_mm + HALF * cell)
                _cover(rows.xyz, rows.sight, first, samples, seen, phases, p, clearance_radius_mm, cell, cover)
        length, longest, total = ZERO, ZERO, ZERO
        for k in range(samples):
            bone = rows.bone[first + k] * (ONE - cover[0, k])
            length = length + ONE if bone >= HALF else ZERO
            longest, total = max(longest, length), total + bone
        run[r], left[r] = longest, total


@njit(cache=True)
def _touched(goals: TargetArrays, n: int, x: Real, shade: KeepOutField, phase: F32, clearance_radius_mm: Real) -> Real:
    """By how much one phase's tool clears the sac on its path to a target, mm; negative where it cannot touch it."""
    y, z, tool = goals.xyz[1, n], goals.xyz[2, n], phase[13]
    ox, oy, oz = x - phase[0], y - phase[1], z - phase[2]
    t = ox * phase[3] + oy * phase[4] + oz * phase[5]
    rho = np.sqrt(max(ox * ox + oy * oy + oz * oz - t * t, ZERO))
    # cheapest first: most targets lie outside a phase's cone, and no ray need be followed to them
    if cone_distance(t, rho, phase[10], phase[11], phase[12]) > tool + TOUCH_TOL_MM:
        return -ONE
    clear = (
        _least(shade.field, shade.turn, phase, x, y, z, tool, clearance_radius_mm, np.float32(np.inf))
        - clearance_radius_mm
    )
    if clear < ZERO or _least(goals.guard, goals.turn, phase, x, y, z, tool, ZERO, ZERO) <= ZERO:
        return -ONE
    return clear


@njit(cache=True, nogil=True)
def goals_touched(
    goals: TargetArrays,
    shade: KeepOutField,
    phases: F32,
    clearance_radius_mm: Real,
    outward: Real,
    counts: F64,
    reported: F64,
) -> None:
    """Adds to `counts` (2 sides, sets) the targets touched; fills `reported` (2 sides, 2): lateral and clearance, mm.

    `outward` moves every target away from the midline by so much.

    Parameters
    ----------
    phases : (P, 14) array, of one approach, packed
    clearance_radius_mm : clearance of the sac and the tool's radius
    counts : (2, S) array, by side and set; added to
    reported : (2, 2) array, by side; filled
    """
    reported[:, 0] = 0.0
    reported[:, 1] = np.inf
    for n in range(goals.xyz.shape[1]):
        side = goals.side[n]
        x = goals.xyz[0, n] + (outward if side == 0 else -outward)
        best: Real = -ONE
        least: Real = np.float32(np.inf)
        for p in range(len(phases)):
            clear = _touched(goals, n, x, shade, phases[p], clearance_radius_mm)
            best = max(best, clear)
            if clear >= ZERO:
                least = min(least, clear)
        if best < ZERO:
            continue
        counts[side, goals.set[n]] += 1.0
        reported[side, 1] = min(reported[side, 1], least)
        if goals.at_disc[n]:
            reported[side, 0] = max(reported[side, 0], abs(x))


@njit(cache=True, nogil=True)
def removals(
    cloud: PointCloud,
    phases: F32,
    clearance_radii_mm: F32,
    cell: Real,
    work: BatchScratch,
    taken: F64,
    slope: F64,
    lateral: F64,
) -> None:
    """Fills what each approach takes per bucket, and how far lateral it takes bone.

    Parameters
    ----------
    phases, clearance_radii_mm : (A, P, 14) packed phases and (A,) mm
    taken, slope, lateral : (A, B), (A, B) and (A, 1) arrays of zeros
    """
    for a in range(len(phases)):
        found = _border_leaves(cloud, phases[a], clearance_radii_mm[a], cell, work, taken[a], slope[a], lateral[a])
        _cover_border(cloud.xyz, cloud.sight, found, phases[a], clearance_radii_mm[a], cell, work)
        _add_border(cloud, found, work, taken[a], slope[a], lateral[a])


@njit(cache=True, nogil=True)
def keepings(
    pairs: JointPairArrays, pars: SampleRows, base: SampleRows, phases: F32, clearance_radii_mm: F32, cell: Real, kept:
    F64, pars_run: F32, base_remaining: F32,
) -> None:  # fmt: skip
    """Fills `kept` (A, 2, 2), `pars_run` (A, rows of pars) and `base_remaining` (A, rows of the base)."""
    pars_remaining, base_run = np.empty(len(pars.plane), np.float32), np.empty(len(base.plane), np.float32)
    for a in range(len(phases)):
        joints_kept(pairs, phases[a], clearance_radii_mm[a], cell, kept[a])
        rows_remaining(pars, phases[a], clearance_radii_mm[a], cell, pars_run[a], pars_remaining)
        rows_remaining(base, phases[a], clearance_radii_mm[a], cell, base_run, base_remaining[a])


@njit(cache=True, nogil=True)
def reaches(
    goals: TargetArrays,
    shade: KeepOutField,
    phases: F32,
    clearance_radii_mm: F32,
    outwards: F32,
    counts: F64,
    reported: F64,
) -> None:
    """Fills `counts` (A, 2, sets) and `reported` (A, 2, 2)."""
    for a in range(len(phases)):
        goals_touched(goals, shade, phases[a], clearance_radii_mm[a], outwards[a], counts[a], reported[a])
