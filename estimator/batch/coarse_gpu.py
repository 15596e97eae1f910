"""Coarse resections on a graphics card (the extra `gpu`); `coarse.cu` holds the choice.

`coarse_resections(at, approaches, SCREEN, on=GpuChoice())` asks the card to choose among the lines that the processor
has found. Both choose by the same rule; where two lines cost nearly the same for each mm3, rounding may decide
otherwise on the card: of 16,384 approaches two took other bone, by 0.01 % at most (`scripts/bench_coarse_gpu.py`). The
same question gives the same bytes on the same card.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any
from weakref import WeakKeyDictionary

import numpy as np
import numpy.typing as npt

from canalwise.estimator.batch.gpu import card_library
from canalwise.estimator.resection.choice import LEAST_GAIN_MM3, ChoiceEffort
from canalwise.estimator.resection.pivot_lines import LinePool, PivotSite
from canalwise.recon.errors import WrongUse
from canalwise.recon.grid import Float

THREADS = 256
"""Of a block (`THREADS` in coarse.cu)."""

BLOCKS_EACH = 4
"""Blocks of the launch for each multiprocessor; they go through the approaches in turn (choice)."""

WARP_BYTES = 8 + 16 + 4
"""Shared by the threads for each warp of a block: a sum, a line with its ratio, and a count."""


class GpuChoice:
    """Chooses lines on a graphics card (`estimator.resection.coarse.Chooser`); raises WrongUse where there is none."""

    def __init__(self) -> None:
        self.cupy = card_library()
        code = Path(__file__).with_name("coarse.cu").read_text()
        self._kernel = self.cupy.RawModule(code=code, options=("--std=c++17", "--fmad=false")).get_function("greedy")
        multiprocessors = self.cupy.cuda.Device().attributes["MultiProcessorCount"]
        self._blocks = BLOCKS_EACH * int(multiprocessors)
        self._sites: WeakKeyDictionary[PivotSite, list[Any]] = WeakKeyDictionary()
        self._pools: WeakKeyDictionary[LinePool, list[Any]] = WeakKeyDictionary()

    def __call__(
        self,
        site: PivotSite,
        pool: LinePool,
        numbers: npt.NDArray[np.int64],
        planes: Float,
        effort: ChoiceEffort,
        out: Float,
    ) -> None:
        """As `estimator.resection.pivot_lines.resected`; raises WrongUse for an effort that exchanges lines."""
        if effort.rounds:
            do = "Use the form SCREEN, or leave out `on`."
            raise WrongUse("a graphics card", "chooses lines but does not exchange them", got=effort, do=do)
        cupy, tips, cells = self.cupy, len(site.tips.places_mm), len(site.sides_mm3)
        bone = len(site.at.coarse_price.bone.price)
        lines = np.diff(pool.starts)[numbers].sum(axis=1)
        room = int(lines.max(initial=1))
        blocks = min(self._blocks, len(numbers))
        scratch, found = cupy.empty(blocks * room, np.int32), cupy.empty(out.shape, np.float64)
        most = site.at.rules.value("bone_per_tissue")
        question = [
            cupy.asarray(numbers), np.int32(numbers.shape[1]), cupy.asarray(planes), np.float64(most),
            np.float64(effort.starts_mm3[0]), np.float64(LEAST_GAIN_MM3), np.int32(len(numbers)), np.int32(room),
        ]  # fmt: skip
        size = 8 * tips + WARP_BYTES * (THREADS // 32) + bone + cells
        if size > self._kernel.max_dynamic_shared_size_bytes:
            self._kernel.max_dynamic_shared_size_bytes = size
        first, last = self._site(site)
        arguments = (*first, *self._pool(pool), *last, *question, scratch, found)
        self._kernel((blocks,), (THREADS,), arguments, shared_mem=size)
        out[...] = cupy.asnumpy(found)

    def _site(self, site: PivotSite) -> list[Any]:
        """What comes before and after the pool's arrays."""
        if site not in self._sites:
            card, tips = self.cupy.asarray, site.tips
            first = [card(tips.places_mm), card(tips.starts), card(tips.takes), np.int32(len(tips.places_mm))]
            price = site.at.coarse_price.bone.price
            last = [
                card(site.zones_mm3), np.int32(len(site.zones_mm3)), card(site.sides_mm3),
                np.int32(len(site.sides_mm3)), card(price), np.int32(len(price)),
            ]  # fmt: skip
            self._sites[site] = [first, last]
        return self._sites[site]

    def _pool(self, pool: LinePool) -> list[Any]:
        if pool not in self._pools:
            arrays = (pool.pivots_mm, pool.starts, pool.tip, pool.met, pool.begins, pool.cells, pool.share)
            self._pools[pool] = [self.cupy.asarray(np.ascontiguousarray(each)) for each in arrays]
        return self._pools[pool]
