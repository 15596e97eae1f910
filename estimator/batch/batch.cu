// The batch on a graphics card: `estimator/geometry/cone_formulas.py` and `estimator/geometry/batch_loops.py`, function by function.
//
// One warp answers for one approach. Its lanes stand for spheres (groups, leaves, rows) while these are sorted into
// what is wholly taken, what is not and what is taken in part, and for points within the last, two leaves at a time.
// Sums are made by lanes in a fixed order and drawn together in a fixed order, so the same input gives the same bytes;
// nothing is added across warps. All is single precision; `estimator/batch/gpu.py` names the constants not set here and
// lays the arrays out:
//   points  float4: level mm, and a weight    spheres  float4: centre, radius
//   sights  int8: 16 rows' tables side by side, (rows / 16, LOOKS, 16), so that neighbours' looks share a cache line
//
// On an H100 `removals` is bound by the rate at which instructions are issued: 48,000 warp instructions an approach,
// 76 % of issue slots filled (scripts/bench_gpu.py, `--once` under a profiler); the card's memory is hardly touched,
// since the scene stays in its second cache. `goals_touched` waits for its distance fields in the first cache instead.

typedef signed char int8;
typedef unsigned int word;

const float ZERO = 0.0f, HALF = 0.5f, ONE = 1.0f;
#define WITHOUT_END __int_as_float(0x7f800000)
#define NO_NUMBER __int_as_float(0x7fc00000)
const word EVERYONE = 0xffffffffu;
const int LANES = 32;

// A leaf waits for its turn as one word: its number, and two bits for each phase.
const int NEAR = 24, SEEN = 28;      // from these bits on: the phase's solid comes near it; all of it is in sight
const int WHOLE = 28;                // of a group's word: all of it is taken
const word NUMBER = 0xffffffu;
const int ROOM = WAITING_LEAVES;     // leaves that wait are worked off when a warp more might not fit

struct Phase {
    float px, py, pz, ax, ay, az, sleeve_length, sleeve_base, sleeve_inverse, sleeve_radius;
    float tool_length, tool_base, tool_inverse, tool_radius;
};

struct Spheres {
    const float4 *ball;
    const float *floor;
    const int8 *sight;
};

struct Field {
    const float *value;
    int nx, ny, nz;
    const float *turn;
};

// ---- geometry.py

__device__ __forceinline__ float cone_distance(float t, float rho, float length, float base, float inverse) {
    float along = __saturatef((t * length + rho * base) * inverse);
    float side_t = t - along * length, side_rho = rho - along * base;
    float base_t = t - length, base_rho = fmaxf(rho - base, ZERO);
    float nearest = sqrtf(fminf(side_t * side_t + side_rho * side_rho, base_t * base_t + base_rho * base_rho));
    bool inside = (t > ZERO) & (t < length) & (rho * length < t * base);
    return inside ? -nearest : nearest;
}

__device__ __forceinline__ float trilinear(const Field &f, float i, float j, float k) {
    i = fminf(fmaxf(i, ZERO), float(f.nx - 1));
    j = fminf(fmaxf(j, ZERO), float(f.ny - 1));
    k = fminf(fmaxf(k, ZERO), float(f.nz - 1));
    int i0 = min(int(i), f.nx - 2), j0 = min(int(j), f.ny - 2), k0 = min(int(k), f.nz - 2);
    float u = i - float(i0), v = j - float(j0), w = k - float(k0);
    const float *here = f.value + (i0 * f.ny + j0) * f.nz + k0, *there = here + f.ny * f.nz;
    float low = (__ldg(here) * (ONE - u) + __ldg(there) * u) * (ONE - v);
    low += (__ldg(here + f.nz) * (ONE - u) + __ldg(there + f.nz) * u) * v;
    float high = (__ldg(here + 1) * (ONE - u) + __ldg(there + 1) * u) * (ONE - v);
    high += (__ldg(here + f.nz + 1) * (ONE - u) + __ldg(there + f.nz + 1) * u) * v;
    return low * (ONE - w) + high * w;
}

__device__ __forceinline__ float entered(float start, float path, float last) {
    if (path == ZERO) return (ZERO <= start && start <= last) ? ZERO : 2.0f;
    return fminf(-start / path, (last - start) / path);
}

__device__ __forceinline__ float left_at(float start, float path, float last) {
    return path == ZERO ? ONE : fmaxf(-start / path, (last - start) / path);
}

__device__ __forceinline__ float least_below(
    const Field &f, float si, float sj, float sk, float wi, float wj, float wk, float length_mm, float give_up_mm,
    float care_mm
) {
    float nx = float(f.nx - 1), ny = float(f.ny - 1), nz = float(f.nz - 1);
    float t = fmaxf(fmaxf(entered(si, wi, nx), entered(sj, wj, ny)), fmaxf(entered(sk, wk, nz), ZERO));
    float leave = fminf(fminf(left_at(si, wi, nx), left_at(sj, wj, ny)), fminf(left_at(sk, wk, nz), ONE));
    float least = WITHOUT_END;
    while (t <= leave && length_mm > ZERO) {
        float value = trilinear(f, si + t * wi, sj + t * wj, sk + t * wk);
        float gap = fmaxf(value > least ? value - least : ZERO, value - care_mm);
        least = fminf(least, value);
        if (least < give_up_mm || t == leave) break;
        t = fminf(leave, t + fmaxf(gap, SMALLEST_STEP_MM) / length_mm);
    }
    return least;
}

// ---- batch_loops.py: points

__device__ __forceinline__ Phase phase_at(const float *n) {
    return {__ldg(n), __ldg(n + 1), __ldg(n + 2), __ldg(n + 3), __ldg(n + 4), __ldg(n + 5), __ldg(n + 6), __ldg(n + 7),
            __ldg(n + 8), __ldg(n + 9), __ldg(n + 10), __ldg(n + 11), __ldg(n + 12), __ldg(n + 13)};
}

__device__ __forceinline__ void load_phases(const float *packed, Phase *phases) {
#pragma unroll
    for (int p = 0; p < PHASES; p++) phases[p] = phase_at(packed + PHASE_NUMBERS * p);
}

// Signed distance of a point to what one phase sweeps.
__device__ __forceinline__ float depth_of(const Phase &f, float x, float y, float z) {
    float ox = x - f.px, oy = y - f.py, oz = z - f.pz;
    float t = ox * f.ax + oy * f.ay + oz * f.az;
    float rho = sqrtf(fmaxf(ox * ox + oy * oy + oz * oz - t * t, ZERO));
    return fminf(cone_distance(t, rho, f.sleeve_length, f.sleeve_base, f.sleeve_inverse) - f.sleeve_radius,
                 cone_distance(t, rho, f.tool_length, f.tool_base, f.tool_inverse) - f.tool_radius);
}

// Least distance to the sac, mm, on the path from a phase's pivot to point n, from the point's own table.
__device__ __forceinline__ float seen_from(const int8 *sights, int n, float x, float y, float z, const Phase &f) {
    float scale = ONE / (fmaxf(f.py - y, ONE) * LOOK_STEP);
    float u = (f.px - x) * scale + float(MEDIAL_LOOKS / 2), v = (f.pz - z) * scale + float(CRANIAL_LOOKS / 2);
    u = fminf(fmaxf(u, ZERO), float(MEDIAL_LOOKS - 1) - LAST);
    v = fminf(fmaxf(v, ZERO), float(CRANIAL_LOOKS - 1) - LAST);
    int i = int(u), j = int(v);
    float fu = u - float(i), fv = v - float(j);
    const int8 *at = sights + (n / 16) * (MEDIAL_LOOKS * CRANIAL_LOOKS * 16) + (i * CRANIAL_LOOKS + j) * 16 + n % 16;
    const int8 *next = at + CRANIAL_LOOKS * 16;
    float low = float(__ldg(at)) * (ONE - fv) + float(__ldg(at + 16)) * fv;
    float high = float(__ldg(next)) * (ONE - fv) + float(__ldg(next + 16)) * fv;
    return (low * (ONE - fu) + high * fu) * SIGHT_MM;
}

// Does every path from a phase's pivot into a sphere pass the sac by the berth?
__device__ __forceinline__ bool all_seen(const Spheres &s, int n, float4 ball, const Phase &f, float berth) {
    float wanted = berth + SLACK * ball.w;
    return __ldg(s.floor + n) >= wanted || seen_from(s.sight, n, ball.x, ball.y, ball.z, f) >= wanted;
}

// The share of a point that is taken. Bit p of `near` and `seen`: does phase p come near, is all there in its sight?
__device__ __forceinline__ float cover_of(
    float4 point, const int8 *sights, int n, word near, word seen, const Phase *phases, float berth, float cell
) {
    float cover = ZERO;
#pragma unroll
    for (int p = 0; p < PHASES; p++) {
        if (!(near >> p & 1)) continue;
        float depth = depth_of(phases[p], point.x, point.y, point.z);
        if (!(seen >> p & 1) && depth < HALF * cell) {
            depth = fmaxf(depth, berth - seen_from(sights, n, point.x, point.y, point.z, phases[p]));
        }
        cover = fmaxf(cover, __saturatef(HALF - depth / cell));
    }
    return cover;
}

// Which phases come near a sphere (bits of `near`) and see all of it (`seen`); true if one of these takes all of it.
// Phases not in `possible` are known not to come near.
__device__ __forceinline__ bool sphere_taken(
    const Spheres &s, int n, float4 ball, word possible, const Phase *phases, float berth, float half, word &near,
    word &seen
) {
    bool whole = false;
    near = seen = 0;
#pragma unroll
    for (int p = 0; p < PHASES; p++) {
        if (!(possible >> p & 1)) continue;
        float margin = ball.w + half, depth = depth_of(phases[p], ball.x, ball.y, ball.z);
        if (depth > margin) continue;
        near |= 1u << p;
        if (!all_seen(s, n, ball, phases[p], berth + half)) continue;
        seen |= 1u << p;
        whole |= depth < -margin;
    }
    return whole;
}

// ---- warps

__device__ __forceinline__ float sum_of_warp(float v) {
    for (int step = LANES / 2; step; step /= 2) v += __shfl_xor_sync(EVERYONE, v, step);
    return v;
}

__device__ __forceinline__ float most_of_warp(float v) {
    for (int step = LANES / 2; step; step /= 2) v = fmaxf(v, __shfl_xor_sync(EVERYONE, v, step));
    return v;
}

__device__ __forceinline__ float least_of_warp(float v) { return -most_of_warp(-v); }

// Appends the words of the lanes that have one to a list of `count`, in the order of the lanes.
__device__ __forceinline__ void append(word *list, int &count, bool has, word what, int lane) {
    word which = __ballot_sync(EVERYONE, has);
    if (has) list[count + __popc(which & ((1u << lane) - 1))] = what;
    count += __popc(which);
    __syncwarp();
}

// ---- what is taken

struct Sums {
    float mass, lost, lateral;
};

// Adds the covered shares of `count` leaves of a list, two at a time.
__device__ __forceinline__ void add_border(
    const float4 *points, const float *slopes, const int8 *sights, const word *list, int count, const Phase *phases,
    float berth, float cell, int lane, Sums &sums
) {
    for (int m = lane / LEAF; m < count; m += LANES / LEAF) {
        word leaf = list[m];
        int n = LEAF * int(leaf & NUMBER) + lane % LEAF;
        float4 point = __ldg(points + n);
        float slope = __ldg(slopes + n);
        float cover = cover_of(point, sights, n, leaf >> NEAR, leaf >> SEEN, phases, berth, cell);
        sums.mass += cover * point.w;
        sums.lost += cover * slope;
        if (cover >= HALF && point.w > ZERO) sums.lateral = fmaxf(sums.lateral, fabsf(point.x));
    }
    __syncwarp();
}

extern "C" __global__ void __launch_bounds__(WARPS * 32) removals(
    const float4 *__restrict__ points, const float *__restrict__ slopes, const int8 *__restrict__ sights,
    const float4 *__restrict__ leaf_ball, const float *__restrict__ leaf_floor, const int8 *__restrict__ leaf_sight,
    const float4 *__restrict__ leaf_sum, const float4 *__restrict__ group_ball, const float *__restrict__ group_floor,
    const int8 *__restrict__ group_sight, const float4 *__restrict__ group_sum, const int *__restrict__ bucket,
    int groups, int buckets, const float *__restrict__ packed, const float *__restrict__ berths, float cell, int count,
    float *__restrict__ taken, float *__restrict__ slope, float *__restrict__ lateral
) {
    extern __shared__ word room[];
    const int lane = threadIdx.x % LANES, a = blockIdx.x * WARPS + threadIdx.x / LANES;
    if (a >= count) return;
    word *group_list = room + (threadIdx.x / LANES) * (groups + ROOM), *leaf_list = group_list + groups;
    const Spheres leaves = {leaf_ball, leaf_floor, leaf_sight}, group = {group_ball, group_floor, group_sight};
    Phase phases[PHASES];
    load_phases(packed + a * (PHASE_NUMBERS * PHASES), phases);
    const float berth = __ldg(berths + a), half = HALF * cell;

    int near_groups = 0;
    for (int first = 0; first < groups; first += LANES) {
        int g = first + lane;
        word near = 0, seen;
        bool whole = false;
        if (g < groups) {
            whole = sphere_taken(group, g, __ldg(group_ball + g), EVERYONE, phases, berth, half, near, seen);
        }
        append(group_list, near_groups, near != 0, word(g) | near << NEAR | word(whole) << WHOLE, lane);
    }

    float furthest = ZERO;
    for (int i = 0; i < near_groups;) {
        const int here = __ldg(bucket + (group_list[i] & NUMBER));
        Sums sums = {ZERO, ZERO, ZERO};
        int waiting = 0;
        bool more = true;
        while (more) {
            // a half of the warp for each of two groups, if the second is of the same bucket
            int mine = i + lane / LEAF;
            word entry = mine < near_groups ? group_list[mine] : 0;
            bool have = mine < near_groups && __ldg(bucket + (entry & NUMBER)) == here;
            int g = int(entry & NUMBER), leaf = LEAF * g + lane % LEAF;
            word near = 0, seen = 0;
            bool whole = false;
            if (have && (entry >> WHOLE & 1)) {
                if (lane % LEAF == 0) {
                    float4 sum = __ldg(group_sum + g);
                    sums = {sums.mass + sum.x, sums.lost + sum.y, fmaxf(sums.lateral, sum.z)};
                }
            } else if (have) {
                float4 ball = __ldg(leaf_ball + leaf);
                if (ball.w >= ZERO) {
                    whole = sphere_taken(leaves, leaf, ball, entry >> NEAR, phases, berth, half, near, seen);
                }
            }
            if (whole) {
                float4 sum = __ldg(leaf_sum + leaf);
                sums = {sums.mass + sum.x, sums.lost + sum.y, fmaxf(sums.lateral, sum.z)};
            }
            append(leaf_list, waiting, near && !whole, word(leaf) | near << NEAR | seen << SEEN, lane);
            i += __popc(__ballot_sync(EVERYONE, have)) / LEAF;
            more = i < near_groups && __ldg(bucket + (group_list[i] & NUMBER)) == here;
            if (!more || waiting > ROOM - LANES) {
                add_border(points, slopes, sights, leaf_list, waiting, phases, berth, cell, lane, sums);
                waiting = 0;
            }
        }
        sums.mass = sum_of_warp(sums.mass);
        sums.lost = sum_of_warp(sums.lost);
        furthest = fmaxf(furthest, sums.lateral);
        if (lane == 0) {
            taken[size_t(a) * buckets + here] = sums.mass;
            slope[size_t(a) * buckets + here] = sums.lost;
        }
    }
    furthest = most_of_warp(furthest);
    if (lane == 0) lateral[a] = furthest;
}

// ---- what is kept

// A pair of leaves waits as one word: number, then near and seen of the inferior and of the superior face.
const int PAIR_NEAR = 16, PAIR_SEEN = 20, PAIR_FAR_NEAR = 24, PAIR_FAR_SEEN = 28;
const word PAIR_NUMBER = 0xffffu, FOUR = 15u;

extern "C" __global__ void __launch_bounds__(WARPS * 32) joints_kept(
    const float4 *__restrict__ inferior, const int8 *__restrict__ inferior_sight,
    const float4 *__restrict__ inferior_ball, const float *__restrict__ inferior_floor,
    const int8 *__restrict__ inferior_leaf_sight, const float4 *__restrict__ superior,
    const int8 *__restrict__ superior_sight, const float4 *__restrict__ superior_ball,
    const float *__restrict__ superior_floor, const int8 *__restrict__ superior_leaf_sight,
    const float4 *__restrict__ leaf_sum, int leaves, const float *__restrict__ packed,
    const float *__restrict__ berths, float cell, int count, float *__restrict__ kept
) {
    extern __shared__ word room[];
    const int lane = threadIdx.x % LANES, a = blockIdx.x * WARPS + threadIdx.x / LANES;
    if (a >= count) return;
    word *list = room + (threadIdx.x / LANES) * leaves;
    const Spheres face = {inferior_ball, inferior_floor, inferior_leaf_sight};
    const Spheres facing = {superior_ball, superior_floor, superior_leaf_sight};
    Phase phases[PHASES];
    load_phases(packed + a * (PHASE_NUMBERS * PHASES), phases);
    const float berth = __ldg(berths + a), half = HALF * cell;
    float area[2] = {ZERO, ZERO}, width[2] = {ZERO, ZERO};

    int waiting = 0;
    for (int first = 0; first < leaves; first += LANES) {
        int leaf = first + lane;
        word near = 0, seen = 0, far_near = 0, far_seen = 0;
        bool whole = leaf >= leaves;
        if (!whole) {
            whole = sphere_taken(face, leaf, __ldg(inferior_ball + leaf), EVERYONE, phases, berth, half, near, seen);
            whole |= sphere_taken(facing, leaf, __ldg(superior_ball + leaf), EVERYONE, phases, berth, half, far_near,
                                  far_seen);
        }
        bool part = !whole && (near || far_near);
        if (!whole && !part) {
            float4 sum = __ldg(leaf_sum + leaf);
            bool left = sum.z == ZERO;
            area[0] += left ? sum.x : ZERO, width[0] += left ? sum.y : ZERO;
            area[1] += left ? ZERO : sum.x, width[1] += left ? ZERO : sum.y;
        }
        word what = word(leaf) | near << PAIR_NEAR | seen << PAIR_SEEN | far_near << PAIR_FAR_NEAR
                    | far_seen << PAIR_FAR_SEEN;
        append(list, waiting, part, what, lane);
    }
    for (int m = lane / LEAF; m < waiting; m += LANES / LEAF) {
        word what = list[m];
        int leaf = int(what & PAIR_NUMBER), n = LEAF * leaf + lane % LEAF;
        float4 one = __ldg(inferior + n), other = __ldg(superior + n);
        float gone = cover_of(one, inferior_sight, n, what >> PAIR_NEAR & FOUR, what >> PAIR_SEEN & FOUR, phases,
                              berth, cell);
        gone = fmaxf(gone, cover_of(other, superior_sight, n, what >> PAIR_FAR_NEAR & FOUR,
                                    what >> PAIR_FAR_SEEN & FOUR, phases, berth, cell));
        bool left = __ldg(leaf_sum + leaf).z == ZERO;
        float stays = (ONE - gone) * one.w, stays_wide = (ONE - gone) * other.w;
        area[0] += left ? stays : ZERO, width[0] += left ? stays_wide : ZERO;
        area[1] += left ? ZERO : stays, width[1] += left ? ZERO : stays_wide;
    }
    __syncwarp();
    for (int side = 0; side < 2; side++) {
        float all = sum_of_warp(area[side]), wide = sum_of_warp(width[side]);
        if (lane == 0) {
            kept[4 * size_t(a) + 2 * side] = all;
            kept[4 * size_t(a) + 2 * side + 1] = wide;
        }
    }
}

struct Rows {
    const float4 *samples;  // level mm, share of bone before
    const int8 *sight;
    const int *first;
    Spheres sphere;
    const float *before;    // per row, what a row nothing comes near keeps
    int count;
};

// Longest run of set bits so far, after 16 more of them; `carry` is the run that reaches to the last one.
__device__ __forceinline__ void lengthen(word bits, int &carry, int &longest) {
    int from_start = __ffs(~bits) - 1;
    longest = max(longest, carry + from_start);
    int inner = 0;
    for (word rest = bits; rest; rest &= rest << 1) inner++;
    longest = max(longest, inner);
    carry = bits == 0xffffu ? carry + 16 : __clz(~(bits << 16));
}

// Fills what one approach leaves of each row, in samples: its longest unbroken run of bone, or the sum of its bone.
template <bool RUN>
__device__ __forceinline__ void rows_remaining(
    const Rows &rows, const Phase *phases, float berth, float cell, int lane, word *list, float *stays
) {
    const float half = HALF * cell;
    int waiting = 0;
    for (int first = 0; first < rows.count; first += LANES) {
        int r = first + lane;
        word near = 0, seen = 0;
        if (r < rows.count) {
            sphere_taken(rows.sphere, r, __ldg(rows.sphere.ball + r), EVERYONE, phases, berth, half, near, seen);
            if (!near) stays[r] = __ldg(rows.before + r);
        }
        append(list, waiting, near != 0, word(r) | near << NEAR | seen << SEEN, lane);
    }
    const word together = 0xffffu << (lane / LEAF * LEAF);
    for (int m = lane / LEAF; m < waiting; m += LANES / LEAF) {
        int r = int(list[m] & NUMBER), carry = 0, longest = 0;
        word near = list[m] >> NEAR & FOUR, seen = list[m] >> SEEN;
        float total = ZERO;
        for (int n = __ldg(rows.first + r) + lane % LEAF, end = __ldg(rows.first + r + 1); n - lane % LEAF < end;
             n += LEAF) {
            float bone = ZERO;
            if (n < end) {
                float4 sample = __ldg(rows.samples + n);
                bone = sample.w * (ONE - cover_of(sample, rows.sight, n, near, seen, phases, berth, cell));
            }
            if (RUN) {
                __syncwarp(together);
                word bits = __ballot_sync(together, bone >= HALF) >> (lane / LEAF * LEAF) & 0xffffu;
                lengthen(bits, carry, longest);
            }
            total += bone;
        }
        __syncwarp(together);
        if (!RUN) {
            for (int step = LEAF / 2; step; step /= 2) total += __shfl_xor_sync(together, total, step);
        }
        if (lane % LEAF == 0) stays[r] = RUN ? float(longest) : total;
    }
    __syncwarp();
}

extern "C" __global__ void __launch_bounds__(WARPS * 32) pars_remaining(
    const float4 *__restrict__ samples, const int8 *__restrict__ sight, const int *__restrict__ first,
    const float4 *__restrict__ ball, const float *__restrict__ floor, const int8 *__restrict__ row_sight,
    const float *__restrict__ before, int rows, const int *__restrict__ plane_first, int left_planes, int planes,
    const float *__restrict__ packed, const float *__restrict__ berths, float cell, int count,
    float *__restrict__ pars_mm
) {
    extern __shared__ word room[];
    const int lane = threadIdx.x % LANES, a = blockIdx.x * WARPS + threadIdx.x / LANES;
    if (a >= count) return;
    word *list = room + (threadIdx.x / LANES) * 2 * rows;
    float *stays = (float *)(list + rows);
    Phase phases[PHASES];
    load_phases(packed + a * (PHASE_NUMBERS * PHASES), phases);
    const Rows all = {samples, sight, first, {ball, floor, row_sight}, before, rows};
    rows_remaining<true>(all, phases, __ldg(berths + a), cell, lane, list, stays);
    float least[2] = {WITHOUT_END, WITHOUT_END};
    for (int plane = lane; plane < planes; plane += LANES) {
        float widest = ZERO;
        for (int r = __ldg(plane_first + plane); r < __ldg(plane_first + plane + 1); r++) {
            widest = fmaxf(widest, stays[r]);
        }
        if (plane < left_planes) least[0] = fminf(least[0], widest);
        else least[1] = fminf(least[1], widest);
    }
    for (int side = 0; side < 2; side++) {
        float found = least_of_warp(least[side]);
        if (lane == 0) pars_mm[2 * size_t(a) + side] = found == WITHOUT_END ? NO_NUMBER : found * SAMPLE_MM;
    }
}

extern "C" __global__ void __launch_bounds__(WARPS * 32) bridge_remaining(
    const float4 *__restrict__ samples, const int8 *__restrict__ sight, const int *__restrict__ first,
    const float4 *__restrict__ ball, const float *__restrict__ floor, const int8 *__restrict__ row_sight,
    const float *__restrict__ before, int rows, const int *__restrict__ plane_first, int planes,
    const float *__restrict__ packed, const float *__restrict__ berths, float cell, int count,
    float *__restrict__ bridge_mm
) {
    extern __shared__ word room[];
    const int lane = threadIdx.x % LANES, a = blockIdx.x * WARPS + threadIdx.x / LANES;
    if (a >= count) return;
    word *list = room + (threadIdx.x / LANES) * 2 * rows;
    float *stays = (float *)(list + rows);
    Phase phases[PHASES];
    load_phases(packed + a * (PHASE_NUMBERS * PHASES), phases);
    const Rows all = {samples, sight, first, {ball, floor, row_sight}, before, rows};
    rows_remaining<false>(all, phases, __ldg(berths + a), cell, lane, list, stays);
    // the section with most bone, the first of equals
    float most = -ONE, tall = ZERO;
    int best = planes;
    for (int plane = lane; plane < planes; plane += LANES) {
        float area = ZERO, height = ZERO;
        for (int r = __ldg(plane_first + plane); r < __ldg(plane_first + plane + 1); r++) {
            area += stays[r];
            height += stays[r] >= HALF ? ONE : ZERO;
        }
        if (area > most) most = area, tall = height, best = plane;
    }
    for (int step = LANES / 2; step; step /= 2) {
        float area = __shfl_xor_sync(EVERYONE, most, step), height = __shfl_xor_sync(EVERYONE, tall, step);
        int plane = __shfl_xor_sync(EVERYONE, best, step);
        if (area > most || (area == most && plane < best)) most = area, tall = height, best = plane;
    }
    if (lane == 0) bridge_mm[a] = planes ? most / fmaxf(tall, ONE) * SAMPLE_MM : NO_NUMBER;
}

// ---- what is reached

// Least value of a field on the line from a phase's pivot to a level point, ending `short_mm` before it.
__device__ __forceinline__ float least_on_path(
    const Field &field, const Phase &f, float x, float y, float z, float short_mm, float give_up, float care
) {
    const float *m = field.turn;
    float wx = x - f.px, wy = y - f.py, wz = z - f.pz;
    float length = sqrtf(wx * wx + wy * wy + wz * wz);
    float share = fmaxf(ONE - short_mm / fmaxf(length, 1e-6f), ZERO);
    wx *= share, wy *= share, wz *= share;
    float si = __ldg(m) * f.px + __ldg(m + 1) * f.py + __ldg(m + 2) * f.pz + __ldg(m + 3);
    float sj = __ldg(m + 4) * f.px + __ldg(m + 5) * f.py + __ldg(m + 6) * f.pz + __ldg(m + 7);
    float sk = __ldg(m + 8) * f.px + __ldg(m + 9) * f.py + __ldg(m + 10) * f.pz + __ldg(m + 11);
    float wi = __ldg(m) * wx + __ldg(m + 1) * wy + __ldg(m + 2) * wz;
    float wj = __ldg(m + 4) * wx + __ldg(m + 5) * wy + __ldg(m + 6) * wz;
    float wk = __ldg(m + 8) * wx + __ldg(m + 9) * wy + __ldg(m + 10) * wz;
    return least_below(field, si, sj, sk, wi, wj, wk, length * share, give_up, care);
}

// A target's word: its side, its set and whether it lies at disc level.
const int SET = 1, AT_DISC = 16;
const word SETS = 0x7fffu;

extern "C" __global__ void __launch_bounds__(WARPS * 32) goals_touched(
    const float4 *__restrict__ goals, const word *__restrict__ kinds, int targets, int sets,
    const float *__restrict__ shade_value, int shade_nx, int shade_ny, int shade_nz,
    const float *__restrict__ shade_turn, const float *__restrict__ guard_value, int guard_nx, int guard_ny,
    int guard_nz, const float *__restrict__ guard_turn, const float *__restrict__ packed,
    const float *__restrict__ berths, const float *__restrict__ outwards, int count, float *__restrict__ counts,
    float *__restrict__ reached
) {
    extern __shared__ word room[];
    const int lane = threadIdx.x % LANES, a = blockIdx.x * WARPS + threadIdx.x / LANES;
    if (a >= count) return;
    word *list = room + (threadIdx.x / LANES) * (PHASES + 1) * targets, *touched = list + PHASES * targets;
    const Field shade = {shade_value, shade_nx, shade_ny, shade_nz, shade_turn};
    const Field guard = {guard_value, guard_nx, guard_ny, guard_nz, guard_turn};
    Phase phases[PHASES];
    load_phases(packed + a * (PHASE_NUMBERS * PHASES), phases);
    const float berth = __ldg(berths + a), outward = __ldg(outwards + a);

    // which targets lie within a phase's tool
    int waiting = 0;
    for (int first = 0; first < targets; first += LANES) {
        int n = first + lane;
        float4 goal = __ldg(goals + min(n, targets - 1));
        float x = goal.x + (__ldg(kinds + min(n, targets - 1)) & 1 ? -outward : outward);
        if (n < targets) touched[n] = 0;
#pragma unroll
        for (int p = 0; p < PHASES; p++) {
            const Phase &f = phases[p];
            float ox = x - f.px, oy = goal.y - f.py, oz = goal.z - f.pz;
            float t = ox * f.ax + oy * f.ay + oz * f.az;
            float rho = sqrtf(fmaxf(ox * ox + oy * oy + oz * oz - t * t, ZERO));
            float away = cone_distance(t, rho, f.tool_length, f.tool_base, f.tool_inverse);
            append(list, waiting, n < targets && away <= f.tool_radius + TOUCH_TOL_MM, word(n) | word(p) << NEAR, lane);
        }
    }
    // which of them the tool comes to past sac and protected bone
    float least[2] = {WITHOUT_END, WITHOUT_END};
    for (int m = lane; m < waiting; m += LANES) {
        int n = int(list[m] & NUMBER);
        word side = __ldg(kinds + n) & 1;
        float4 goal = __ldg(goals + n);
        float x = goal.x + (side ? -outward : outward);
        const Phase f = phase_at(packed + (a * PHASES + int(list[m] >> NEAR)) * PHASE_NUMBERS);
        float clear = least_on_path(shade, f, x, goal.y, goal.z, f.tool_radius, berth, WITHOUT_END) - berth;
        if (clear < ZERO) continue;
        if (least_on_path(guard, f, x, goal.y, goal.z, f.tool_radius, ZERO, ZERO) <= ZERO) continue;
        touched[n] = 1;
        if (side) least[1] = fminf(least[1], clear);
        else least[0] = fminf(least[0], clear);
    }
    __syncwarp();
    float lateral[2] = {ZERO, ZERO};
    for (int first = 0; first < targets; first += LANES) {
        int n = first + lane;
        if (n >= targets || !touched[n]) continue;
        word kind = __ldg(kinds + n);
        if (!(kind >> AT_DISC & 1)) continue;
        float x = fabsf(__ldg(goals + n).x + (kind & 1 ? -outward : outward));
        if (kind & 1) lateral[1] = fmaxf(lateral[1], x);
        else lateral[0] = fmaxf(lateral[0], x);
    }
    __syncwarp();
    // a lane for each side's set
    for (int which = lane; which < 2 * sets; which += LANES) {
        word side = which / sets, set = which % sets;
        int found = 0;
        for (int n = 0; n < targets; n++) {
            word kind = __ldg(kinds + n);
            found += touched[n] && (kind & 1) == side && (kind >> SET & SETS) == set;
        }
        counts[size_t(a) * 2 * sets + which] = float(found);
    }
    __syncwarp();
    for (int side = 0; side < 2; side++) {
        float far = most_of_warp(lateral[side]), clear = least_of_warp(least[side]);
        if (lane == 0) {
            reached[4 * size_t(a) + 2 * side] = far;
            reached[4 * size_t(a) + 2 * side + 1] = clear;
        }
    }
}
