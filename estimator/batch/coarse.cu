// Coarse resections on a graphics card: `estimator/resection/pivot_lines.py` and the greedy choice of `choice.py`.
//
// A block answers for one approach after another: it lists the lines that pass beside the approach's laminae, and then,
// zone after zone, takes the line with the least bone for each mm3 until none is worth its bone. What a line costs is
// added up anew after each that goes: a share and a number an entry, read from the card's second cache, are quicker
// than keeping who shares which cell. What is taken of each bone cell stays in the block's own memory, in 255ths as the
// lines hold it. Sums are made in one fixed order, so the same question gives the same bytes.

typedef unsigned char byte;
typedef long long whole;

const int THREADS = 256, LANES = 32, WARPS = THREADS / LANES;
const unsigned EVERYONE = 0xffffffffu;
const int NO_LINE = 0x7fffffff;
#define WITHOUT_END __longlong_as_double(0x7ff0000000000000ll)

struct Best {
    double ratio;
    int line;
};

// Of two lines the cheaper, of two as cheap the one listed first.
__device__ __forceinline__ Best better(Best one, Best other) {
    bool mine = one.ratio < other.ratio || (one.ratio == other.ratio && one.line <= other.line);
    return mine ? one : other;
}

__device__ __forceinline__ double warp_sum(double value) {
    for (int away = LANES / 2; away > 0; away /= 2) value += __shfl_xor_sync(EVERYONE, value, away);
    return value;
}

__device__ double block_sum(double value, double *shared) {
    value = warp_sum(value);
    __syncthreads();
    if (threadIdx.x % LANES == 0) shared[threadIdx.x / LANES] = value;
    __syncthreads();
    double total = 0.0;
    for (int w = 0; w < WARPS; w++) total += shared[w];
    return total;
}

// The lines of the approach's pivots that pass beside its laminae, in the order in which the pivots list them.
__device__ int listed(
    const double *pivots, const whole *starts, const int *tip, const float *met, const double *places,
    const whole *numbers, int pivot_count, const double *plane, int *own, int *shared
) {
    int lane = threadIdx.x % LANES, warp = threadIdx.x / LANES, size = 0;
    for (int p = 0; p < pivot_count; p++) {
        whole number = numbers[p];
        const double *pivot = pivots + 3 * number;
        double height = plane[0] * pivot[0] + plane[1] * pivot[1] + plane[2] * pivot[2];
        double beside = fmax(height - plane[3], 0.0);
        for (whole first = starts[number]; first < starts[number + 1]; first += THREADS) {
            whole n = first + threadIdx.x;
            bool passes = false;
            if (n < starts[number + 1]) {
                const double *place = places + 3 * tip[n];
                double fall = height - (plane[0] * place[0] + plane[1] * place[1] + plane[2] * place[2]);
                passes = met[n] > 1.0f || (fall > 0.0 && met[n] * fall >= beside);
            }
            unsigned which = __ballot_sync(EVERYONE, passes);
            if (lane == 0) shared[warp] = __popc(which);
            __syncthreads();
            int at = size, all = 0;
            for (int w = 0; w < WARPS; w++) {
                at += w < warp ? shared[w] : 0;
                all += shared[w];
            }
            if (passes) own[at + __popc(which & ((1u << lane) - 1))] = int(n);
            size += all;
            __syncthreads();
        }
    }
    return size;
}

extern "C" __global__ void __launch_bounds__(THREADS) greedy(
    const double *places, const whole *tip_starts, const int *takes, int tips,
    const double *pivots, const whole *starts, const int *tip, const float *met,
    const whole *begins, const int *cells, const byte *share,
    const double *zones, int zone_count, const double *sides, int set_cells, const float *price, int bone_cells,
    const whole *numbers, int pivot_count, const double *planes, double most, double start_mm3, double least_gain,
    int approaches, int room, int *scratch, double *out
) {
    extern __shared__ double memory[];
    double *gain = memory;                          // of each tip
    double *sums = gain + tips;
    Best *bests = (Best *)(sums + WARPS);
    int *counts = (int *)(bests + WARPS);
    byte *taken = (byte *)(counts + WARPS);         // of each bone cell, in 255ths
    byte *covered = taken + bone_cells;             // of each cell of the set
    int *own = scratch + (whole)blockIdx.x * room;
    int lane = threadIdx.x % LANES, warp = threadIdx.x / LANES;
    const float unit = (float)(1.0 / 255.0);
    for (int a = blockIdx.x; a < approaches; a += gridDim.x) {
        __syncthreads();
        for (int c = threadIdx.x; c < bone_cells; c += THREADS) taken[c] = 0;
        for (int c = threadIdx.x; c < set_cells; c += THREADS) covered[c] = 0;
        int size = listed(
            pivots, starts, tip, met, places, numbers + (whole)a * pivot_count, pivot_count, planes + 4 * a, own, counts
        );
        __syncthreads();
        for (int z = 0; z < zone_count; z++) {
            const double *tissue = zones + (whole)z * set_cells;
            while (true) {
                for (int t = threadIdx.x; t < tips; t += THREADS) {
                    double got = 0.0;
                    for (whole e = tip_starts[t]; e < tip_starts[t + 1]; e++)
                        got += covered[takes[e]] ? 0.0 : tissue[takes[e]];
                    gain[t] = got;
                }
                __syncthreads();
                Best best = {WITHOUT_END, NO_LINE};
                for (int n = warp; n < size; n += WARPS) {
                    double got = gain[tip[own[n]]];
                    if (got <= least_gain) continue;
                    double spent = 0.0;
                    for (whole e = begins[own[n]] + lane; e < begins[own[n] + 1]; e += LANES) {
                        float more = share[e] * unit - taken[cells[e]] * unit;
                        if (more > 0.0f) spent += more * price[cells[e]];
                    }
                    spent = warp_sum(spent);
                    if (spent <= most * got) best = better(best, {(spent + start_mm3) / got, n});
                }
                if (lane == 0) bests[warp] = best;
                __syncthreads();
                for (int w = 0; w < WARPS; w++) best = better(best, bests[w]);
                __syncthreads();
                if (best.line == NO_LINE) break;
                int line = own[best.line], t = tip[line];
                for (whole e = tip_starts[t] + threadIdx.x; e < tip_starts[t + 1]; e += THREADS) covered[takes[e]] = 1;
                for (whole e = begins[line] + threadIdx.x; e < begins[line + 1]; e += THREADS)
                    if (share[e] > taken[cells[e]]) taken[cells[e]] = share[e];
                __syncthreads();
            }
        }
        double spent = 0.0, left = 0.0, right = 0.0;
        for (int c = threadIdx.x; c < bone_cells; c += THREADS) spent += taken[c] * unit * price[c];
        for (int c = threadIdx.x; c < set_cells; c += THREADS) {
            left += covered[c] ? sides[2 * c] : 0.0;
            right += covered[c] ? sides[2 * c + 1] : 0.0;
        }
        spent = block_sum(spent, sums);
        left = block_sum(left, sums);
        right = block_sum(right, sums);
        if (threadIdx.x == 0) {
            out[3 * (whole)a] = spent;
            out[3 * (whole)a + 1] = left;
            out[3 * (whole)a + 2] = right;
        }
    }
}
