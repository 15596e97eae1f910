"""Depth of the upper laminae under the skin."""

from __future__ import annotations

from canalwise.recon.anatomy import Measurement
from canalwise.recon.measurement.context import MeasurementContext, banded


def skin_depth_measurements(scene: MeasurementContext) -> tuple[Measurement, ...]:
    """Depth of each side's upper lamina edge under the skin, straight dorsal; empty without air in view."""
    out: list[Measurement] = []
    for side, depth in scene.skin_depth_mm.items():
        out += banded("skin-to-lamina depth", depth, "mm", f"{side} lamina of {scene.view.upper}", "straight dorsal")
    return tuple(out)
