"""The part of space that chosen lines hollow out, as the region that bone and joints are counted in.

The tool's tube from the scope's end to the tip, and the scope's where the burr has cleared its way (`tunnels`); and
what stands between tubes and is narrower than the tool, which a burr does not leave standing. No
sight is asked: every line was chosen clear of the keep-out by its own radius.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from canalwise.estimator.approach.instrument import Channel
from canalwise.estimator.decompression.rules import ResectionRules
from canalwise.estimator.geometry.bricks import Bricks, bricks_of_points
from canalwise.estimator.geometry.cone_arrays import ConeArrays, cone_rows, united_solids
from canalwise.estimator.geometry.region_protocol import Covered
from canalwise.estimator.level.keep_out import KeepOut
from canalwise.estimator.removal.narrow_gaps import DIRECTIONS, with_narrow_gaps
from canalwise.estimator.removal.region import SightedRegion
from canalwise.estimator.resection.line_values import EntryWindow
from canalwise.estimator.resection.tunnels import tubes_of
from canalwise.recon.anatomy import Frame
from canalwise.recon.grid import Float, Grid
from canalwise.recon.labels import Mask

SHORTEST_MM = 1e-6
"""A scope that passes the docking depth by less has no tube."""


def open_space(near_mm: Float) -> KeepOut:
    """A keep-out about a place that keeps nothing out."""
    affine = np.eye(4)
    affine[:3, 3] = near_mm
    return KeepOut(Grid((2, 2, 2), affine), np.full((2, 2, 2), 1e6, dtype=np.float32), 0.0)


@dataclass(frozen=True, eq=False)
class LineRegion(SightedRegion):
    """The tubes of lines.

    Parameters
    ----------
    frame : of the level
    window : where they come from
    pivots_mm, tips_mm : (n, 3) arrays, level frame, of each line
    channel, rules : the instrument
    """

    frame: Frame
    window: EntryWindow
    pivots_mm: Float
    tips_mm: Float
    channel: Channel
    rules: ResectionRules

    @cached_property
    def keep_out(self) -> KeepOut:  # type: ignore[override]
        """Nothing."""
        return open_space(self.frame.origin_ras_mm)

    @cached_property
    def solids(self) -> ConeArrays:
        """One path per pivot that has lines."""
        pivots, which = np.unique(self.pivots_mm, axis=0, return_inverse=True)
        tubes = tubes_of(self.pivots_mm, self.tips_mm, self.window, self.channel, self.rules)
        tool = self._rows(tubes.tool_from_mm, tubes.tool_to_mm, tubes.tool_radius_mm)
        scope = self._rows(tubes.scope_from_mm, tubes.scope_to_mm, tubes.scope_radius_mm)
        deep = np.linalg.norm(tubes.scope_to_mm - tubes.scope_from_mm, axis=1) > SHORTEST_MM
        found = []
        for n, pivot in enumerate(self.frame.to_world_mm(pivots)):
            mine = which.ravel() == n
            found.append((pivot, np.concatenate([tool[mine], scope[mine & deep]])))
        return united_solids(found)

    @property
    def gap_radius_mm(self) -> float:
        """Of the largest ball that does not fit where bone between lines goes with them."""
        return self.rules.value("gap_of_tool") * self.channel.tool_radius_mm

    def covered(self, bricks: Bricks) -> Covered:
        """Share of each place that lies in a tube, or between tubes too close to each other to leave it."""
        return self.with_gaps(self.in_tubes(bricks), bricks)

    def in_tubes(self, bricks: Bricks) -> Covered:
        """Share of each place that lies in a tube."""
        return super().covered(bricks)

    def with_gaps(self, tubes: Covered, bricks: Bricks) -> Covered:
        """That, and what lies between tubes."""
        directions = np.ascontiguousarray(self.frame.direction_ras(DIRECTIONS))
        return with_narrow_gaps(tubes, bricks, self.solids, self.gap_radius_mm, directions)

    def holds(self, points_mm: Float) -> Mask:
        """(N,) array: does each (N, 3) RAS point lie in a tube, or in a narrow gap between tubes?"""
        bricks = bricks_of_points(points_mm)
        out = np.zeros(len(points_mm), dtype=bool)
        out[bricks.order[self.covered(bricks).places]] = True
        return out

    def _rows(self, start_mm: Float, end_mm: Float, radius_mm: float) -> Float:
        way = end_mm - start_mm
        length = np.linalg.norm(way, axis=1)
        axis = self.frame.direction_ras(way / np.maximum(length, SHORTEST_MM)[:, None])
        return cone_rows(self.frame.to_world_mm(start_mm), axis, length, 0.0, radius_mm)


@dataclass(frozen=True, eq=False)
class SleeveRegion(SightedRegion):
    """The sleeve's tube of every line, from the pivot to where the burr begins or the scope ends."""

    lines: LineRegion

    @property
    def keep_out(self) -> KeepOut:  # type: ignore[override]
        """Nothing."""
        return self.lines.keep_out

    @cached_property
    def solids(self) -> ConeArrays:
        """One path per pivot that has lines."""
        lines, found = self.lines, []
        for pivot in np.unique(lines.pivots_mm, axis=0):
            tips = lines.tips_mm[(lines.pivots_mm == pivot).all(axis=1)]
            tubes = tubes_of(np.broadcast_to(pivot, tips.shape), tips, lines.window, lines.channel, lines.rules)
            way = tubes.scope_from_mm - pivot
            length = np.linalg.norm(way, axis=1)
            axis = lines.frame.direction_ras(way / np.maximum(length, SHORTEST_MM)[:, None])
            apex = lines.frame.to_world_mm(pivot)
            # the sleeve's end is flat: the ball at its end is left out
            flat = np.maximum(length - lines.channel.sleeve_radius_mm, 0.0)
            found.append((apex, cone_rows(apex, axis, flat, 0.0, lines.channel.sleeve_radius_mm)))
        return united_solids(found)
