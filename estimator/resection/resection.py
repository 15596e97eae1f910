"""The resection of an approach: the least weighted bone whose removal lets the decompression set be taken.

1. The entry window gives the pivots, the set the tips; lines that can be gone join them (`tool_lines`).
2. Lines are chosen so that everything takeable is taken that is worth its bone, and the least weighted bone goes
   (`choice`); they are then moved off the lattice where that saves bone or takes more (`refinement`).
3. What then stands between two tunnels and is narrower than the tool goes too (`estimator.removal.tunnel_region`).
4. On the scan's own voxels the chosen lines' tubes, what stood between, and what their tips bite off, are counted: bone
   removed is occupancy times the share of the voxel that is hollowed, as in every other removal of the estimator.

Deterministic: the same level and approach give the same lines.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.decompression.room import Breadth
from canalwise.estimator.geometry.region_protocol import Covered
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.resection.bound import least_bone
from canalwise.estimator.resection.choice import bone_of
from canalwise.estimator.resection.line_values import entry_window
from canalwise.estimator.resection.refinement import (
    PIVOT_STEPS_MM,
    STEPS_MM,
    Candidates,
    LineSite,
    chosen_and_refined,
    joined,
    neighbours,
    some_candidates,
)
from canalwise.estimator.resection.resection_level import LEVELS_KEPT, Resection, ResectionLevel
from canalwise.estimator.resection.taken_tissue import taken_along
from canalwise.estimator.resection.tool_lines import tool_lines
from canalwise.estimator.resection.tunnels import LineRegion


@lru_cache(LEVELS_KEPT)
def resection_level_of(prepared: PreparedLevel) -> ResectionLevel:
    """A prepared level made ready for resections, once; with recesses, by the usual rules."""
    return ResectionLevel(prepared.anatomy, prepared.level, prepared.level_bone, prepared.sac)


def level_for(prepared: PreparedLevel, breadth: Breadth) -> ResectionLevel:
    """The level made ready for resections of that breadth."""
    usual = resection_level_of(prepared)
    return usual if breadth == usual.breadth else replace(usual, breadth=breadth)


def resection_of(at: ResectionLevel, approach: Approach) -> Resection:
    """The resection of one approach to a level made ready (`resection_level_of`)."""
    channel, rules = approach.channel, at.rules
    window, tips = entry_window(approach, at.lamina_mm(approach.side), rules), at.tips(channel)
    keep_out = at.keep_out(channel.tool_radius_mm)
    across = -1.0 if approach.side == "left" else 1.0
    on_lattice = tool_lines(window, tips.places_mm, at.cells, keep_out, (at.level.frame, channel, rules), across)
    site = LineSite(at, approach, window)
    found, chosen = chosen_and_refined(site, Candidates(on_lattice, site.tunnels(on_lattice), tips))
    lines, tunnels, tips = found.lines, found.tunnels, found.tips
    region = LineRegion(
        at.level.frame, window, lines.pivots_mm[lines.pivot[chosen]], lines.tips_mm[lines.tip[chosen]], channel, rules
    )
    taken = taken_along(at, region, tips, lines.tip[chosen])
    between = _weighted_mm3(at, taken.hollowed) - _weighted_mm3(at, region.in_tunnels(at.level_bone.takeable.bricks))
    weighted_mm3 = bone_of(chosen, tunnels) + between
    return Resection(
        at, approach, window, lines, tunnels, tips, chosen, weighted_mm3, region, taken.taken_frac, taken.removal
    )


def _weighted_mm3(at: ResectionLevel, covered: Covered) -> float:
    """Bone at its price."""
    level_bone = at.level_bone
    voxels = level_bone.takeable.voxels[covered.places]
    bone_mm3 = level_bone.bone_mm3.reshape(-1)[voxels].astype(float) * covered.share
    return float(bone_mm3 @ at.prices[level_bone.labels.reshape(-1)[voxels] % 100])


def least_weighted_mm3(resection: Resection) -> float:
    """What no choice of a resection's lines, and those beside the ones gone, can go below for the tissue it takes."""
    if not len(resection.chosen):
        return 0.0
    at, chosen = resection.at, resection.chosen
    site = LineSite(at, resection.approach, resection.window)
    own = Candidates(resection.lines, resection.tunnels, resection.tips)
    wanted = at.set_cells
    beside = neighbours(site, some_candidates(own, chosen), wanted.mm3, (STEPS_MM[0], PIVOT_STEPS_MM[0]))
    every = joined(own, beside)
    taken = np.unique(some_candidates(own, chosen).tips.takes)
    return least_bone(every.lines, every.tunnels, every.tips, wanted, taken)
