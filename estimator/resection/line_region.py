"""The part of space that chosen lines hollow out, as the region that bone and joints are counted in.

The tool's tube from the scope's end to the tip, and the scope's where the burr has cleared its way (`tunnels`); and
what stands between tubes and is narrower than the tool, which a burr does not leave standing. No sight is asked: every
line was chosen clear of the keep-out by its own radius.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from canalwise.estimator.approach.instrument import Channel
from canalwise.estimator.decompression.rules import ResectionRules
from canalwise.estimator.removal.tunnel_region import DIRECTIONS, TunnelArrays, TunnelRegion
from canalwise.estimator.resection.line_values import EntryWindow
from canalwise.estimator.resection.tunnels import Tubes, tubes_of
from canalwise.recon.anatomy import Frame
from canalwise.recon.grid import Float

SHORTEST_MM = 1e-6
"""A scope that passes the docking depth by less has no tube."""


@dataclass(frozen=True, eq=False)
class LineRegion(TunnelRegion):
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
    def tubes(self) -> Tubes:
        """Of each line, level frame."""
        return tubes_of(self.pivots_mm, self.tips_mm, self.window, self.channel, self.rules)

    @cached_property
    def tunnels(self) -> TunnelArrays:
        """The tool's tubes and the scopes'."""
        tubes, world = self.tubes, self.frame.to_world_mm
        deep = np.linalg.norm(tubes.scope_to_mm - tubes.scope_from_mm, axis=1) > SHORTEST_MM
        scope = world(tubes.scope_from_mm[deep]), world(tubes.scope_to_mm[deep])
        return TunnelArrays.between(world(tubes.tool_from_mm), world(tubes.tool_to_mm), tubes.tool_radius_mm).joined(
            TunnelArrays.between(*scope, tubes.scope_radius_mm)
        )

    @property
    def gap_radius_mm(self) -> float:
        """Of the tool, as the record says."""
        return self.rules.value("gap_of_tool") * self.channel.tool_radius_mm

    @cached_property
    def gap_directions(self) -> Float:
        """Those of the level's own axes."""
        return self.frame.direction_ras(DIRECTIONS)


@dataclass(frozen=True, eq=False)
class SleeveRegion(TunnelRegion):
    """The sleeve's tube of every line, from the pivot to where the burr begins or the scope ends."""

    lines: LineRegion

    @cached_property
    def tunnels(self) -> TunnelArrays:
        """One for each line."""
        lines, radius = self.lines, self.lines.channel.sleeve_radius_mm
        way = lines.tubes.scope_from_mm - lines.pivots_mm
        length = np.linalg.norm(way, axis=1)
        # the sleeve's end is flat: the ball at its end is left out
        flat = np.maximum(length - radius, 0.0) / np.maximum(length, SHORTEST_MM)
        world = lines.frame.to_world_mm
        return TunnelArrays.between(world(lines.pivots_mm), world(lines.pivots_mm + flat[:, None] * way), radius)
