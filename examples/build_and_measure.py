"""A scan to an anatomy, and its measurements with their bands: here on the built-in phantom's CT and labels."""

from __future__ import annotations

import canalwise as cw
from canalwise.phantoms.spec import demo_spec
from canalwise.workbench.demonstration import phantom_case

LEVEL = "L3-L4"


def main(spacing_mm: float = 0.8) -> cw.Anatomy:
    """Prints the level's measurements and returns the anatomy."""
    # A scan of your own: scan = cw.read_scan("ct.nii.gz"); labels = None
    scan, labels = phantom_case(demo_spec(), LEVEL, spacing_mm)
    anatomy = cw.build(scan, labels=labels)
    level = anatomy.level(LEVEL)
    for one in level.measurements:
        print(f"{one.name:34} {one.value:8.1f} {one.unit:4} {one.structure}, {one.at}: {one.band or 'no band'}")
    for side, joint in level.joints.items():
        print(f"{side} facet joint: {joint.angle_deg:.0f} deg from the sagittal plane, {joint.area_mm2.sum():.0f} mm2")
    print(cw.CAUTION)
    # To keep it: cw.write_case("case", scan, anatomy); cw.read_case("case") reads it back.
    return anatomy


if __name__ == "__main__":
    main()
