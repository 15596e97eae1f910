"""Resections of many approaches at once, for search and charts: the same choice on a coarser lattice.

Fewer tips and pivots, one round of improvement, and nothing counted on the scan's voxels. What can be freed and the
weighted bone follow the fine form (`tests/estimator/resection/test_coarse.py` holds them together); a find is worked
out anew by `resection_of`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.resection.bite import Tips
from canalwise.estimator.resection.choice import bone_of, chosen_lines
from canalwise.estimator.resection.entry_window import entry_window
from canalwise.estimator.resection.resection_level import ResectionLevel
from canalwise.estimator.resection.tool_lines import tool_lines
from canalwise.estimator.resection.tunnels import tunnels_of
from canalwise.recon.grid import Float
from canalwise.recon.labels import SIDES, Side

COARSE_STEP_MM = 2.5
"""Between tips: a bite of 4 mm still takes everything between eight of them."""

COARSE_PLACES = (3, 3)
"""Pivots across and along the window."""

COARSE_ROUNDS = 1
"""Rounds of improvement."""


@dataclass(frozen=True, eq=False)
class CoarseResections:
    """A approaches.

    Parameters
    ----------
    weighted_mm3 : (A,) array, bone at its price
    freed_frac : side of the patient -> (A,) array, share of the set of that side that is taken
    """

    weighted_mm3: Float
    freed_frac: dict[Side, Float]

    def near(self, approaches: Sequence[Approach]) -> Float:
        """(A,) array: share freed on each approach's own side."""
        left = np.array([approach.side == "left" for approach in approaches])
        return np.where(left, self.freed_frac["left"], self.freed_frac["right"])

    def far(self, approaches: Sequence[Approach]) -> Float:
        """(A,) array: share freed across."""
        left = np.array([approach.side == "left" for approach in approaches])
        return np.where(left, self.freed_frac["right"], self.freed_frac["left"])


def coarse_resections(at: ResectionLevel, approaches: Sequence[Approach]) -> CoarseResections:
    """What each approach to a level would take and free, coarsely."""
    cells = at.set_cells
    on_left = cells.centres_mm[:, 0] >= 0
    weighted, freed = np.empty(len(approaches)), np.empty((len(approaches), len(SIDES)))
    for n, approach in enumerate(approaches):
        weighted[n], covered = _one(at, approach)
        for s, mine in enumerate((on_left, ~on_left)):
            freed[n, s] = cells.mm3[covered & mine].sum() / max(cells.mm3[mine].sum(), 1e-9)
    return CoarseResections(weighted, {side: freed[:, s] for s, side in enumerate(SIDES)})


def _one(at: ResectionLevel, approach: Approach) -> tuple[float, npt.NDArray[np.bool_]]:
    """Weighted bone, and which cells of the set are taken."""
    channel, rules, cells = approach.channel, at.rules, at.set_cells
    window = entry_window(approach, at.lamina_mm(approach.side), rules, COARSE_PLACES)
    tips = at.tips(channel, COARSE_STEP_MM)
    across = -1.0 if approach.side == "left" else 1.0
    how = (at.level.frame, channel, rules)
    lines = tool_lines(window, tips.places_mm, at.cells, at.keep_out(channel.tool_radius_mm), how, across)
    tunnels = tunnels_of(lines, window, at.cells, channel, rules)
    chosen = chosen_lines(lines, tunnels, tips, cells.mm3, cells.zone, COARSE_ROUNDS)
    return bone_of(chosen, tunnels), _taken_by(tips, lines.tip[chosen], len(cells.mm3))


def _taken_by(tips: Tips, gone: npt.NDArray[np.int32], count: int) -> npt.NDArray[np.bool_]:
    taken = np.zeros(count, dtype=bool)
    for tip in gone:
        taken[tips.takes[tips.starts[tip] : tips.starts[tip + 1]]] = True
    return taken
