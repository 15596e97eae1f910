"""Left against right, one side against both, and midline laminectomy as a reference."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from estimator.approach import IPSILATERAL, PlacedPhase, placed_phases
from estimator.channel import Channel
from estimator.decompression import Decompression, canal_extent_mm, decompression_of
from estimator.estimate import Cost, cost_of
from estimator.gate import gate_of
from estimator.limits import Limits
from estimator.plan import default_approach
from estimator.prepared import PreparedLevel, prepared_level
from estimator.reach import all_points_mm, touch_of
from estimator.region import ConeRegion, Region, SignedRegion
from recon.anatomy import Anatomy, Frame, Level
from recon.errors import AnatomyNotFound
from recon.grid import Float
from recon.labels import SIDES, Side

LAMINECTOMY_CAUDAL_MM, LAMINECTOMY_CRANIAL_MM = 5.0, 5.0
"""A midline laminectomy reaches this far past both lamina edges and all targets (common practice, no source)."""


@dataclass(frozen=True, eq=False)
class Row:
    """One way to decompress the level, costed for the same targets.

    `reached_frac`: share of all target points of both sides that is touched; NaN where the
    way is not through a channel. `cost` and `freed` as in an estimate.
    """

    name: str
    cost: Cost
    freed: Decompression
    reached_frac: float


@dataclass(frozen=True, eq=False)
class BoxRegion(SignedRegion):
    """A right-angled block in the level frame, (low, high) corners in mm."""

    frame: Frame
    low_mm: Float
    high_mm: Float

    def depth_mm(self, points_mm: Float) -> Float:
        """(N,) array of signed depths of (N, 3) RAS points."""
        local = self.frame.to_level_mm(points_mm)
        return np.asarray(np.maximum(self.low_mm - local, local - self.high_mm).max(axis=-1))


def compare(
    anatomy: Anatomy, level_name: str, channel: Channel | None = None, limits: Limits | None = None
) -> tuple[Row, ...]:
    """The rows 'left', 'right', 'both sides' and 'midline laminectomy', as far as the anatomy allows.

    One side is the default approach of that side, both phases. Both sides is the
    ipsilateral phase of each side's default approach: every side frees its own half.

    Raises
    ------
    AnatomyNotFound : neither side can be approached
    """
    prepared, channel = prepared_level(anatomy, level_name, limits), channel or Channel()
    level, keep_out = prepared.level, prepared.keep_out(channel.tool_radius_mm)
    phases = _phases_by_side(anatomy, level, channel)
    ways = {str(side): way for side, way in phases.items()}
    if len(phases) == len(SIDES):
        ways["both sides"] = tuple(p for side in SIDES for p in phases[side] if p.name == IPSILATERAL)
    regions: dict[str, Region] = {name: ConeRegion(way, keep_out) for name, way in ways.items()}
    regions["midline laminectomy"] = laminectomy(anatomy, level)
    return tuple(_row(prepared, name, region) for name, region in regions.items())


def laminectomy(anatomy: Anatomy, level: Level) -> BoxRegion:
    """The block a midline laminectomy takes: the canal's roof as wide as the pedicles stand, past edges and targets."""
    half_width, _, _ = canal_extent_mm(anatomy, level)
    heights = _lamina_edges_mm(level) + [
        float(z) for targets in level.targets.values() for z in level.frame.to_level_mm(all_points_mm(targets))[:, 2]
    ]
    if not heights:
        raise AnatomyNotFound(f"lamina edges of {level.name}", "must be in view to lay out a laminectomy")
    low = np.array([-half_width, 0.0, min(heights) - LAMINECTOMY_CAUDAL_MM])
    return BoxRegion(level.frame, low, np.array([half_width, 100.0, max(heights) + LAMINECTOMY_CRANIAL_MM]))


def _lamina_edges_mm(level: Level) -> list[float]:
    """Cranial level coordinate of every lamina edge of the window that is in view."""
    names = [f"{n}_{side}" for n in ("upper_lamina_caudal_edge", "lower_lamina_cranial_edge") for side in SIDES]
    marks = level.landmarks_ras_mm
    return [float(level.frame.to_level_mm(marks[name])[2]) for name in names if name in marks]


def _phases_by_side(anatomy: Anatomy, level: Level, channel: Channel) -> dict[Side, tuple[PlacedPhase, ...]]:
    found: dict[Side, tuple[PlacedPhase, ...]] = {}
    for side in SIDES:
        if gate_of(level, side) is not None:
            found[side] = placed_phases(default_approach(anatomy, level.name, side, channel), level.frame)
    if not found:
        raise AnatomyNotFound(
            f"interlaminar window {level.name}", "or the lamina edges must be in view on at least one side to compare"
        )
    return found


def _row(prepared: PreparedLevel, name: str, region: Region) -> Row:
    cost = cost_of(prepared, region)
    freed = decompression_of(prepared.pressing, region, cost.removal)
    return Row(name, cost, freed, _reached_frac(prepared.anatomy, prepared.level, region))


def _reached_frac(anatomy: Anatomy, level: Level, region: Region) -> float:
    if not isinstance(region, ConeRegion):
        return float("nan")
    points = np.concatenate([all_points_mm(t) for t in level.targets.values()])
    return float(np.mean(touch_of(anatomy, region.phases, region.keep_out, points).touched.any(axis=0)))
