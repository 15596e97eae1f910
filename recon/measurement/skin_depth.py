"""Depth of the upper laminae under the skin."""

from __future__ import annotations

from canalwise.recon.anatomy import Measurement
from canalwise.recon.measurement.context import MeasurementContext
from canalwise.recon.measurement.kinds import measured


def skin_depth_measurements(scene: MeasurementContext) -> tuple[Measurement, ...]:
    """Depth of each side's upper lamina edge under the skin, straight dorsal; empty without air in view."""
    out: list[Measurement] = []
    for side, depth in scene.skin_depth_mm.items():
        out += measured("skin-to-lamina depth", depth, side=side, vertebra=scene.view.upper)
    return tuple(out)
