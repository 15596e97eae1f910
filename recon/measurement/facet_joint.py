"""Joints and windows as measurements."""

from __future__ import annotations

from canalwise.recon.anatomy import Measurement
from canalwise.recon.labels import SIDES
from canalwise.recon.measurement.context import MeasurementContext
from canalwise.recon.measurement.kinds import measured

UNRESOLVED = "faces touch at this voxel size: the gap is not resolved"
"""What is said beside a gap that neither labels nor image show."""


def joint_measurements(scene: MeasurementContext) -> tuple[Measurement, ...]:
    """Angle, area and gap of each joint, and tropism when both are there."""
    out: list[Measurement] = []
    for side, joint in scene.joints.items():
        out += measured("facet angle", joint.angle_deg, side=side)
        out += measured("facet joint area", float(joint.area_mm2.sum()), side=side)
        out += measured("facet joint gap", joint.gap_mm, source="" if joint.gap_resolved else UNRESOLVED, side=side)
    if len(scene.joints) == len(SIDES):
        left, right = (scene.joints[side].angle_deg for side in SIDES)
        out += measured("facet tropism", abs(left - right))
    return tuple(out)


def window_measurements(scene: MeasurementContext) -> tuple[Measurement, ...]:
    """Width, height and area of each side's window, and the area of both together."""
    out: list[Measurement] = []
    for side, window in scene.windows.items():
        out += measured("window width", window.width_mm, side=side)
        out += measured("window height", window.height_mm, side=side)
        out += measured("window area", window.area_mm2, side=side)
    if scene.windows:
        out += measured("window area, both sides", sum(window.area_mm2 for window in scene.windows.values()))
    return tuple(out)
