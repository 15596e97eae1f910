"""Joints and windows as measurements."""

from __future__ import annotations

from canalwise.recon.anatomy import Measurement
from canalwise.recon.labels import SIDES
from canalwise.recon.measurement.context import MeasurementContext, banded

AT_MID_HEIGHT, WHOLE, DORSAL_VIEW = "axial plane at joint mid-height", "whole joint", "dorsal view"

UNRESOLVED = "faces touch at this voxel size: the gap is not resolved"
"""What is said beside a gap that neither labels nor image show."""


def joint_measurements(scene: MeasurementContext) -> tuple[Measurement, ...]:
    """Angle, area and gap of each joint, and tropism when both are there."""
    out: list[Measurement] = []
    for side, joint in scene.joints.items():
        structure = f"{side} facet joint"
        out += banded("facet angle from sagittal plane", joint.angle_deg, "deg", structure, AT_MID_HEIGHT)
        out += banded("facet joint area", float(joint.area_mm2.sum()), "mm2", structure, WHOLE)
        out += banded(
            "facet joint gap", joint.gap_mm, "mm", structure, WHOLE, source="" if joint.gap_resolved else UNRESOLVED
        )
    if len(scene.joints) == len(SIDES):
        left, right = (scene.joints[side].angle_deg for side in SIDES)
        out += banded(
            "facet tropism", abs(left - right), "deg", "both facet joints", AT_MID_HEIGHT, scale="facet tropism"
        )
    return tuple(out)


def window_measurements(scene: MeasurementContext) -> tuple[Measurement, ...]:
    """Width, height and area of each side's window, and the area of both together."""
    out: list[Measurement] = []
    for side, window in scene.windows.items():
        structure = f"{side} interlaminar window"
        out += banded("window width", window.width_mm, "mm", structure, DORSAL_VIEW)
        out += banded("window height", window.height_mm, "mm", structure, DORSAL_VIEW)
        out += banded("window area", window.area_mm2, "mm2", structure, DORSAL_VIEW)
    if scene.windows:
        both = sum(window.area_mm2 for window in scene.windows.values())
        out += banded("window area", both, "mm2", "interlaminar window", DORSAL_VIEW)
    return tuple(out)
