"""Compiled loops of the batch: one approach after another, over the arrays of a scene.

A point is covered by a share that falls evenly from 1 to 0 over one cell's width about the border of what can be taken:
inside a phase's solid and in sight of its pivot. Bone, joints and weak places all go by that share. Each approach's sums
are made by one thread in one order, so the answers do not depend on the number of threads.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from estimator.geometry import HALF, ONE, ZERO, cone_distance, least_below
from estimator.scene import (
    CRANIAL_LOOKS,
    F32,
    F64,
    I8,
    LEAF,
    LOOK_STEP,
    MEDIAL_LOOKS,
    RAY_MM,
    SIGHT_MM,
    U64,
    Cloud,
    Goals,
    Pairs,
    Rows,
    Shade,
)

MASK_BERTH_MM = np.float32(3.0)
"""The half-spaces beyond the sac are drawn for berths up to this; a wider berth is looked at point by point."""

LAST = np.float32(1e-3)
"""Keeps a place at the rim of a table inside its last cell."""

TOUCH_TOL_MM = np.float32(1e-5)
"""A target this much beyond the tool's surface still counts as touched."""


@njit(cache=True, inline="always")
def _depth(x: float, y: float, z: float, phase: F32) -> float:
    """Signed distance of a level point to what one packed phase sweeps."""
    ox, oy, oz = x - phase[0], y - phase[1], z - phase[2]
    t = ox * phase[3] + oy * phase[4] + oz * phase[5]
    rho = np.sqrt(max(ox * ox + oy * oy + oz * oz - t * t, ZERO))
    sleeve = cone_distance(t, rho, phase[6], phase[7], phase[8]) - phase[9]
    tool = cone_distance(t, rho, phase[10], phase[11], phase[12]) - phase[13]
    return min(sleeve, tool)


@njit(cache=True)
def _depths(xyz: F32, first: int, count: int, phase: F32, out: F32) -> None:
    """Signed distances of `count` points from the `first` on."""
    px, py, pz, ax, ay, az = phase[0], phase[1], phase[2], phase[3], phase[4], phase[5]
    sl, sb, si, sr = phase[6], phase[7], phase[8], phase[9]
    tl, tb, ti, tr = phase[10], phase[11], phase[12], phase[13]
    for k in range(count):
        ox, oy, oz = xyz[0, first + k] - px, xyz[1, first + k] - py, xyz[2, first + k] - pz
        t = ox * ax + oy * ay + oz * az
        rho = np.sqrt(max(ox * ox + oy * oy + oz * oz - t * t, ZERO))
        out[k] = min(cone_distance(t, rho, sl, sb, si) - sr, cone_distance(t, rho, tl, tb, ti) - tr)


@njit(cache=True)
def _open_from(shade: Shade, phase: F32, berth: float) -> np.uint64:
    """Directions in which a phase's pivot lies beyond the sac, one bit each."""
    mask = np.uint64(0)
    if berth > MASK_BERTH_MM:
        return mask
    for d in range(shade.normals.shape[1]):
        beyond = phase[0] * shade.normals[0, d] + phase[1] * shade.normals[1, d] + phase[2] * shade.normals[2, d]
        if beyond > shade.support[d] + MASK_BERTH_MM:
            mask |= np.uint64(1) << np.uint64(d)
    return mask


@njit(cache=True)
def _least(
    field: F32, turn: F32, phase: F32, x: float, y: float, z: float, short: float, give_up: float, care: float
) -> float:
    """Least value of a field on the line from a phase's pivot to a level point, ending `short` mm before it.

    It is followed down to `give_up`, and values above `care` are not told apart.
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
def _share(depth: float, cell: float) -> float:
    """Covered share of a point at a signed depth."""
    return min(max(HALF - depth / cell, ZERO), ONE)


@njit(cache=True, inline="always")
def _seen(sight: I8, x: float, y: float, z: float, phase: F32) -> float:
    """Least distance to the sac, mm, on the way from a phase's pivot to a point, from the point's own table."""
    dorsal = max(phase[1] - y, ONE)
    u = (phase[0] - x) / (dorsal * LOOK_STEP) + np.float32(MEDIAL_LOOKS // 2)
    v = (phase[2] - z) / (dorsal * LOOK_STEP) + np.float32(CRANIAL_LOOKS // 2)
    u = min(max(u, ZERO), np.float32(MEDIAL_LOOKS - 1) - LAST)
    v = min(max(v, ZERO), np.float32(CRANIAL_LOOKS - 1) - LAST)
    i, j = int(u), int(v)
    fu, fv = u - np.float32(i), v - np.float32(j)
    n = i * CRANIAL_LOOKS + j
    low = np.float32(sight[n]) * (ONE - fv) + np.float32(sight[n + 1]) * fv
    high = np.float32(sight[n + CRANIAL_LOOKS]) * (ONE - fv) + np.float32(sight[n + CRANIAL_LOOKS + 1]) * fv
    return (low * (ONE - fu) + high * fu) * SIGHT_MM


@njit(cache=True, nogil=True)
def fill_sight(shade: Shade, xyz: F32, sight: I8) -> None:
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


@njit(cache=True)
def _leaf_taken(
    xyz: F32,
    sight: I8,
    leaf: int,
    radius: float,
    opened: np.uint64,
    phases: F32,
    opens: U64,
    least: F32,
    lane: int,
    berth: float,
    cell: float,
    depth: F32,
    cover: F32,
) -> int:
    """0 nothing of the leaf is taken, 2 all of it, 1 as `cover` says. `least` (P, lanes) holds the centre's depths."""
    half = HALF * cell
    margin, first, found = radius + half, LEAF * leaf, 0
    for p in range(len(phases)):
        d = least[p, lane]
        if d > margin:
            continue
        lit = (opened & opens[p]) != np.uint64(0)
        if lit and d < -margin:
            return 2
        if found == 0:
            cover[:] = ZERO
            found = 1
        _depths(xyz, first, LEAF, phases[p], depth)
        for k in range(LEAF):
            deep = depth[k]
            if not lit and deep < half:
                n = first + k
                deep = max(deep, berth - _seen(sight[n], xyz[0, n], xyz[1, n], xyz[2, n], phases[p]))
            cover[k] = max(cover[k], _share(deep, cell))
    return found


@njit(cache=True, nogil=True)
def taken_by(cloud: Cloud, phases: F32, opens: U64, berth: float, cell: float, taken: F64, slope: F64) -> float:
    """Adds to `taken` and `slope` (B,) what one approach takes per bucket; returns how far lateral it takes most of one.

    Parameters
    ----------
    phases : (P, 14) array, packed
    opens : (P,) array, directions in which each pivot lies beyond the sac
    """
    count = len(cloud.group_radius)
    depth = np.empty((len(phases), count), dtype=np.float32)
    leaf_depth = np.empty((len(phases), LEAF), dtype=np.float32)
    points, cover = np.empty(LEAF, np.float32), np.empty(LEAF, np.float32)
    lateral = ZERO
    for p in range(len(phases)):
        _depths(cloud.group_xyz, 0, count, phases[p], depth[p])
    for g in range(count):
        margin, bucket, near, whole = cloud.group_radius[g] + HALF * cell, cloud.group_bucket[g], False, False
        for p in range(len(phases)):
            near = near or depth[p, g] <= margin
            whole = whole or (depth[p, g] < -margin and (cloud.group_open[g] & opens[p]) != np.uint64(0))
        if whole:
            taken[bucket] += cloud.group_weight[g]
            slope[bucket] += cloud.group_slope[g]
            lateral = max(lateral, cloud.group_lateral[g])
        if whole or not near:
            continue
        for p in range(len(phases)):
            _depths(cloud.leaf_xyz, LEAF * g, LEAF, phases[p], leaf_depth[p])
        for lane in range(LEAF):
            leaf = LEAF * g + lane
            if cloud.leaf_radius[leaf] < ZERO:
                continue
            told = _leaf_taken(
                cloud.xyz,
                cloud.sight,
                leaf,
                cloud.leaf_radius[leaf],
                cloud.leaf_open[leaf],
                phases,
                opens,
                leaf_depth,
                lane,
                berth,
                cell,
                points,
                cover,
            )
            if told == 2:
                taken[bucket] += cloud.leaf_weight[leaf]
                slope[bucket] += cloud.leaf_slope[leaf]
                lateral = max(lateral, cloud.leaf_lateral[leaf])
            elif told == 1:
                for k in range(LEAF):
                    n = LEAF * leaf + k
                    taken[bucket] += cover[k] * cloud.weight[n]
                    slope[bucket] += cover[k] * cloud.slope[n]
                    if cover[k] >= HALF and cloud.weight[n] > ZERO:
                        lateral = max(lateral, abs(cloud.xyz[0, n]))
    return lateral


@njit(cache=True, nogil=True)
def joints_kept(pairs: Pairs, phases: F32, opens: U64, berth: float, cell: float, kept: F64) -> None:
    """Adds to `kept` (2 sides, 2) the mm2 of joint surface, all and in the disc-level slice, that stay."""
    count = len(pairs.leaf_radius)
    depth = np.empty((len(phases), count), dtype=np.float32)
    points = np.empty(LEAF, np.float32)
    one, other = np.empty(LEAF, np.float32), np.empty(LEAF, np.float32)
    for p in range(len(phases)):
        _depths(pairs.leaf_xyz, 0, count, phases[p], depth[p])
    for leaf in range(count):
        side, radius, opened = pairs.leaf_side[leaf], pairs.leaf_radius[leaf], pairs.leaf_open[leaf]
        told = _leaf_taken(
            pairs.inferior,
            pairs.inferior_sight,
            leaf,
            radius,
            opened,
            phases,
            opens,
            depth,
            leaf,
            berth,
            cell,
            points,
            one,
        )
        also = _leaf_taken(
            pairs.superior,
            pairs.superior_sight,
            leaf,
            radius,
            opened,
            phases,
            opens,
            depth,
            leaf,
            berth,
            cell,
            points,
            other,
        )
        if told == 2 or also == 2:
            continue
        if told == 0 and also == 0:
            kept[side, 0] += pairs.leaf_area[leaf]
            kept[side, 1] += pairs.leaf_width[leaf]
            continue
        for k in range(LEAF):
            gone = max(one[k] if told == 1 else ZERO, other[k] if also == 1 else ZERO)
            kept[side, 0] += (ONE - gone) * pairs.area[LEAF * leaf + k]
            kept[side, 1] += (ONE - gone) * pairs.width[LEAF * leaf + k]


@njit(cache=True, nogil=True)
def rows_left(rows: Rows, phases: F32, opens: U64, berth: float, cell: float, run: F32, left: F32) -> None:
    """Fills (R,) longest unbroken run of bone and sum of bone, in samples, that one approach leaves of each row."""
    count = len(rows.radius)
    depth = np.empty((len(phases), count), dtype=np.float32)
    for p in range(len(phases)):
        _depths(rows.middle, 0, count, phases[p], depth[p])
    for r in range(count):
        run[r], left[r] = rows.before_run[r], rows.before_sum[r]
        near = False
        for p in range(len(phases)):
            near = near or depth[p, r] <= rows.radius[r] + HALF * cell
        if not near or rows.before_sum[r] <= ZERO:
            continue
        length, longest, total = ZERO, ZERO, ZERO
        for n in range(rows.first[r], rows.first[r + 1]):
            bone = rows.bone[n]
            if bone > ZERO:
                bone *= ONE - _point_taken(rows, r, n, phases, opens, berth, cell)
            length = length + ONE if bone >= HALF else ZERO
            longest, total = max(longest, length), total + bone
        run[r], left[r] = longest, total


@njit(cache=True)
def _point_taken(rows: Rows, r: int, n: int, phases: F32, opens: U64, berth: float, cell: float) -> float:
    """Covered share of one sample of a row."""
    x, y, z = rows.xyz[0, n], rows.xyz[1, n], rows.xyz[2, n]
    cover = ZERO
    for p in range(len(phases)):
        d = _depth(x, y, z, phases[p])
        if d < HALF * cell and (rows.open[r] & opens[p]) == np.uint64(0):
            d = max(d, berth - _seen(rows.sight[n], x, y, z, phases[p]))
        cover = max(cover, _share(d, cell))
    return cover


@njit(cache=True)
def _touched(goals: Goals, n: int, x: float, shade: Shade, phase: F32, berth: float) -> float:
    """By how much the tool of one phase clears the sac on its way to a target, mm; negative where it cannot touch it."""
    y, z, tool = goals.xyz[1, n], goals.xyz[2, n], phase[13]
    ox, oy, oz = x - phase[0], y - phase[1], z - phase[2]
    t = ox * phase[3] + oy * phase[4] + oz * phase[5]
    rho = np.sqrt(max(ox * ox + oy * oy + oz * oz - t * t, ZERO))
    if cone_distance(t, rho, phase[10], phase[11], phase[12]) > tool + TOUCH_TOL_MM:
        return -ONE
    clear = _least(shade.field, shade.turn, phase, x, y, z, tool, berth, np.float32(np.inf)) - berth
    if clear < ZERO or _least(goals.guard, goals.turn, phase, x, y, z, tool, ZERO, ZERO) <= ZERO:
        return -ONE
    return clear


@njit(cache=True, nogil=True)
def goals_touched(
    goals: Goals, shade: Shade, phases: F32, berth: float, outward: float, counts: F64, told: F64
) -> None:
    """Adds to `counts` (2 sides, sets) the targets touched; fills `told` (2 sides, 2): lateral mm, least clearance mm.

    `outward` moves every target away from the midline by so much.
    """
    told[:, 0] = 0.0
    told[:, 1] = np.inf
    for n in range(goals.xyz.shape[1]):
        side = goals.side[n]
        x = goals.xyz[0, n] + (outward if side == 0 else -outward)
        best = -ONE
        least = np.float32(np.inf)
        for p in range(len(phases)):
            clear = _touched(goals, n, x, shade, phases[p], berth)
            best = max(best, clear)
            if clear >= ZERO:
                least = min(least, clear)
        if best < ZERO:
            continue
        counts[side, goals.set[n]] += 1.0
        told[side, 1] = min(told[side, 1], least)
        if goals.at_disc[n]:
            told[side, 0] = max(told[side, 0], abs(x))


@njit(cache=True, nogil=True)
def removals(
    cloud: Cloud, shade: Shade, phases: F32, berths: F32, cell: float, taken: F64, slope: F64, lateral: F64
) -> None:
    """Fills rows of `taken`, `slope` (A, B) and `lateral` (A,) for (A, P, 14) packed phases and (A,) berths."""
    opens = np.empty(phases.shape[1], dtype=np.uint64)
    for a in range(len(phases)):
        for p in range(phases.shape[1]):
            opens[p] = _open_from(shade, phases[a, p], berths[a])
        lateral[a] = taken_by(cloud, phases[a], opens, berths[a], cell, taken[a], slope[a])


@njit(cache=True, nogil=True)
def keepings(
    pairs: Pairs,
    pars: Rows,
    base: Rows,
    shade: Shade,
    phases: F32,
    berths: F32,
    cell: float,
    kept: F64,
    pars_run: F32,
    base_left: F32,
) -> None:
    """Fills `kept` (A, 2, 2), `pars_run` (A, rows of pars) and `base_left` (A, rows of the base)."""
    opens = np.empty(phases.shape[1], dtype=np.uint64)
    pars_left, base_run = np.empty(len(pars.radius), np.float32), np.empty(len(base.radius), np.float32)
    for a in range(len(phases)):
        for p in range(phases.shape[1]):
            opens[p] = _open_from(shade, phases[a, p], berths[a])
        joints_kept(pairs, phases[a], opens, berths[a], cell, kept[a])
        rows_left(pars, phases[a], opens, berths[a], cell, pars_run[a], pars_left)
        rows_left(base, phases[a], opens, berths[a], cell, base_run, base_left[a])


@njit(cache=True, nogil=True)
def reaches(goals: Goals, shade: Shade, phases: F32, berths: F32, outwards: F32, counts: F64, told: F64) -> None:
    """Fills `counts` (A, 2, sets) and `told` (A, 2, 2)."""
    for a in range(len(phases)):
        goals_touched(goals, shade, phases[a], berths[a], outwards[a], counts[a], told[a])
