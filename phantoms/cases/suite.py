"""The cases on which accuracy is measured: levels, sides, grids and degrees of stenosis.

Stenosis knobs are scaled versions of `demo_spec`'s; grids differ in spacing, tilt and
handedness of the patient in the scanner. All are modelling choices.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from canalwise.phantoms.imaging.grids import GridRequest
from canalwise.phantoms.spec import LevelKnobs, SpineSpec
from canalwise.recon.grid import Grid
from canalwise.recon.labels import Side


@dataclass(frozen=True)
class SuiteCase:
    """One phantom to measure on."""

    name: str
    spec: SpineSpec
    level: str
    side: Side
    grid_request: GridRequest

    def grid(self) -> Grid:
        """The case's grid."""
        return self.grid_request.grid(self.spec, self.level)


FINE = GridRequest()
THIN_SLICES = GridRequest((0.4, 0.4, 1.0))
PLAIN_CT = GridRequest((0.45, 0.45, 0.8))
COARSE = GridRequest((0.8, 0.8, 0.8))
OBLIQUE = GridRequest((0.5, 0.6, 0.7), (12.0, 7.0, -9.0))
TURNED = GridRequest((0.5, 0.5, 0.5), (0.0, 0.0, 15.0))
LUMBAR_LEVELS = ("L1-L2", "L2-L3", "L3-L4", "L4-L5", "L5-S1")


def stenosis(left: float, right: float, slip_mm: float = 0.0, calcified_mm: float = 0.0) -> LevelKnobs:
    """Knobs of a stenosed level; 1 is moderate, sides apart.

    >>> stenosis(1.0, 0.0).flavum_overgrowth_mm
    (1.6, 0.0)
    """
    mean = (left + right) / 2
    return LevelKnobs(
        canal_narrowing_mm=0.8 * mean,
        facet_overgrowth_mm=(1.6 * left, 1.6 * right),
        flavum_overgrowth_mm=(1.6 * left, 1.6 * right),
        disc_bulge_mm=2.0 * mean,
        slip_mm=slip_mm,
        disc_height_frac=1.0 - 0.12 * mean,
        calcified_mm=(calcified_mm, 0.0),
    )


def _spec(level: str, knobs: LevelKnobs, **others: float) -> SpineSpec:
    return replace(SpineSpec(levels={level: knobs}, trabecular_hu=110.0), **others)  # type: ignore[arg-type]


def phantom_suite() -> list[SuiteCase]:
    """At least twenty cases: every level from both sides, then one disease or grid each.

    >>> len(phantom_suite()) >= 20, len({case.name for case in phantom_suite()}) == len(phantom_suite())
    (True, True)
    """
    sides: tuple[Side, Side] = ("left", "right")
    cases = [
        SuiteCase(f"{level} moderate, from the {side}", _spec(level, stenosis(1.0, 0.8)), level, side, FINE)
        for level in LUMBAR_LEVELS
        for side in sides
    ]
    for level in ("L3-L4", "L4-L5"):
        cases += [
            SuiteCase(f"{level} normal", SpineSpec(), level, "left", FINE),
            SuiteCase(f"{level} severe", _spec(level, stenosis(1.4, 1.4)), level, "right", FINE),
            SuiteCase(f"{level} worse on the right", _spec(level, stenosis(0.4, 1.4)), level, "left", FINE),
            SuiteCase(f"{level} on 1 mm slices", _spec(level, stenosis(1.0, 0.8)), level, "left", THIN_SLICES),
            SuiteCase(f"{level} oblique", _spec(level, stenosis(1.0, 0.8)), level, "right", OBLIQUE),
        ]
    knobs = stenosis(0.9, 0.9)
    cases += [
        SuiteCase("L4-L5 slip", _spec("L4-L5", stenosis(1.0, 1.0, slip_mm=4.0)), "L4-L5", "left", FINE),
        SuiteCase(
            "L4-L5 calcified ligament", _spec("L4-L5", stenosis(1.0, 1.0, calcified_mm=1.2)), "L4-L5", "right", FINE
        ),
        SuiteCase(
            "L3-L4 scoliosis", _spec("L3-L4", knobs, scoliosis_deg=16.0, rotation_deg=7.0), "L3-L4", "left", TURNED
        ),
        SuiteCase("L2-L3 small patient", _spec("L2-L3", knobs, size_frac=0.88), "L2-L3", "right", PLAIN_CT),
        SuiteCase("L4-L5 large patient", _spec("L4-L5", knobs, size_frac=1.12), "L4-L5", "left", COARSE),
        SuiteCase("L4-L5 tropism", _spec("L4-L5", replace(knobs, joint_angle_deg=(34.0, 50.0))), "L4-L5", "left", FINE),
        SuiteCase("L3-L4 narrow joints", _spec("L3-L4", replace(knobs, gap_mm=1.0)), "L3-L4", "right", FINE),
        SuiteCase("L4-L5 flat back", _spec("L4-L5", knobs, lordosis_deg=28.0), "L4-L5", "right", PLAIN_CT),
    ]
    return cases
