"""Sixty cases as hard as patients: old, stiff, slipped and crooked spines under every fault of a scanner.

Severity 1 is an easy patient, 2 what a week in clinic brings, 3 what a build may refuse but must not get wrong in
silence. All degrees are modelling choices; trabecular density spans docs/published-values.md#ct-values.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise

from canalwise.phantoms.cases.hard_case import HardCase
from canalwise.phantoms.cases.suite import stenosis
from canalwise.phantoms.imaging.grids import GridRequest
from canalwise.phantoms.imaging.scanner import Scanner
from canalwise.phantoms.imaging.warp import Warp
from canalwise.phantoms.spec import Bystanders, LevelKnobs, SpineSpec

MM = GridRequest((1.0, 1.0, 1.0))
FINE = GridRequest((0.5, 0.5, 0.5), half_width_mm=30.0)
THIN = GridRequest((0.6, 0.6, 1.0), half_width_mm=40.0)
TWO_MM = GridRequest((0.7, 0.7, 2.0))
THREE_MM = GridRequest((0.6, 0.6, 3.0))
COARSE = GridRequest((0.9, 0.9, 1.5))
OBLIQUE = GridRequest((0.8, 0.8, 1.6), (14.0, 8.0, -10.0))
WIDE = GridRequest((1.25, 1.25, 1.25), half_width_mm=92.0, ventral_mm=68.0, behind_mm=40.0)
WHOLE = GridRequest((1.5, 1.5, 1.5), half_width_mm=64.0)
MID, LOW = ("L3-L4", "L4-L5"), ("L4-L5", "L5-S1")
OLD = SpineSpec(trabecular_hu=95.0, patchy_hu=25.0, cortex_frac=0.8)


def old(hu: float, patchy_hu: float, cortex_frac: float, **others: object) -> SpineSpec:
    """A spine of thin bone, moderately stenosed at L3-L4 and L4-L5.

    >>> old(70.0, 30.0, 0.5).cortex_frac
    0.5
    """
    levels = {"L3-L4": worn_level(0.8, 0.6), "L4-L5": worn_level(1.0, 0.8)}
    spec = SpineSpec(levels=levels, trabecular_hu=hu, patchy_hu=patchy_hu, cortex_frac=cortex_frac)
    return replace(spec, **others)  # type: ignore[arg-type]


def worn_level(left: float, right: float) -> LevelKnobs:
    """A stenosed level as it looks in CT: processes that grow into the canal, a thick ligament, a bulging low disc.

    >>> worn_level(1.0, 0.5).facet_overgrowth_mm
    (1.6, 0.8)
    """
    return replace(stenosis(left, right), canal_narrowing_mm=0.0, bony=True)


def at(knobs: LevelKnobs, *levels: str, spec: SpineSpec = OLD, **others: object) -> SpineSpec:
    """An old spine with the same knobs at some levels.

    >>> at(LevelKnobs(gap_mm=0.5), "L4-L5").knobs("L4-L5").gap_mm
    0.5
    """
    return replace(spec, levels={level: knobs for level in levels}, **others)  # type: ignore[arg-type]


def hard_suite() -> list[HardCase]:
    """The sixty cases, by name; forty-five parametric spines and fifteen of surfaces.

    >>> cases = hard_suite()
    >>> len(cases), len({case.name for case in cases}), sum(case.is_mesh for case in cases)
    (60, 60, 15)
    """
    groups: tuple[Callable[[], list[HardCase]], ...] = (
        density_cases,
        joint_cases,
        spur_cases,
        slip_cases,
        curve_cases,
        sampling_cases,
        bystander_cases,
        numbering_cases,
        metal_cases,
        combined_cases,
        mesh_cases,
    )
    return [case for group in groups for case in group()]


def density_cases() -> list[HardCase]:
    """Bone from young and dense to 60 HU with a third of its cortex.

    >>> min(case.spec.trabecular_hu for case in density_cases())
    60
    """
    axes = ("density",)
    return [
        HardCase("density 90", 1, axes, old(90, 20, 0.8), MID, "L3-L4"),
        HardCase("density 75, thin cortex", 2, axes, old(75, 35, 0.6), MID, "L4-L5", "right"),
        HardCase("density 60, patchy, thin cortex", 3, axes, old(60, 50, 0.4), MID, "L3-L4"),
        HardCase("density 60 at 0.5 mm", 2, axes, old(60, 40, 0.5), ("L4-L5",), "L4-L5", "right", FINE),
        HardCase("dense young bone", 1, axes, old(260, 15, 1.2), MID, "L4-L5"),
    ]


def joint_cases() -> list[HardCase]:
    """Narrow, fused, dense and overgrown facet joints, and calcium in the ligament."""
    gap, fused, dense = ("gap",), ("gap", "fused"), ("gap", "sclerosis")
    worn, calcified = worn_level(1.0, 0.8), ("calcified",)
    grown = replace(worn, facet_overgrowth_mm=(3.2, 2.8), sclerotic=(True, True), gap_mm=0.5)
    return [
        HardCase("joint gap 0.8", 1, gap, at(replace(worn, gap_mm=0.8), *MID), MID, "L4-L5"),
        HardCase("joint gap 0.5", 2, gap, at(replace(worn, gap_mm=0.5), *MID), MID, "L3-L4", "right"),
        HardCase("joint gap 0.3", 3, gap, at(replace(worn, gap_mm=0.3), *MID), MID, "L4-L5"),
        HardCase(
            "joint gap 0.4 at 0.5 mm",
            2,
            gap,
            at(replace(worn, gap_mm=0.4), "L4-L5"),
            ("L4-L5",),
            "L4-L5",
            grid_request=FINE,
        ),
        HardCase(
            "left joint half fused",
            2,
            fused,
            at(replace(worn, gap_mm=0.6, fused_frac=(0.5, 0.0)), "L4-L5"),
            MID,
            "L4-L5",
        ),
        HardCase(
            "both joints fused",
            3,
            fused,
            at(replace(worn, gap_mm=0.4, fused_frac=(0.9, 0.7)), *MID),
            MID,
            "L4-L5",
            "right",
        ),
        HardCase("dense overgrown facets", 3, dense, at(grown, *MID), MID, "L4-L5"),
        HardCase("dense facets", 1, dense, at(replace(worn, sclerotic=(True, False), gap_mm=1.0), *MID), MID, "L3-L4"),
        HardCase(
            "calcified ligament 2.5",
            2,
            calcified,
            at(replace(worn, calcified_mm=(2.5, 2.0), flavum_overgrowth_mm=(1.5, 1.0)), "L4-L5"),
            MID,
            "L4-L5",
        ),
        HardCase(
            "calcified ligament 3.5",
            3,
            calcified,
            at(replace(worn, calcified_mm=(3.5, 3.5), flavum_overgrowth_mm=(2.2, 2.2)), *MID),
            MID,
            "L3-L4",
            "right",
        ),
    ]


def spur_cases() -> list[HardCase]:
    """Osteophytes and flat discs."""
    axes, worn = ("osteophytes", "disc"), worn_level(0.9, 0.9)
    return [
        HardCase("spurs 3", 1, axes[:1], at(replace(worn, osteophyte_mm=3.0), *MID), MID, "L4-L5"),
        HardCase(
            "spurs 5, low discs",
            2,
            axes,
            at(replace(worn, osteophyte_mm=5.0, disc_height_frac=0.5), *MID),
            MID,
            "L3-L4",
            "right",
        ),
        HardCase(
            "spurs 7, discs of 3 mm",
            3,
            axes,
            at(replace(worn, osteophyte_mm=7.0, disc_height_frac=0.28), *MID),
            MID,
            "L4-L5",
        ),
        HardCase("disc of 3 mm", 2, axes[1:], at(replace(worn, disc_height_frac=0.28), "L4-L5"), MID, "L4-L5", "right"),
    ]


def slip_cases() -> list[HardCase]:
    """Slips from grade I to the end of grade II, and a backward one.

    >>> max(case.spec.knobs(case.level).slip_mm for case in slip_cases())
    17.0
    """
    axes, worn = ("slip",), worn_level(0.9, 0.9)
    return [
        HardCase("slip 5", 1, axes, at(replace(worn, slip_mm=5.0), "L4-L5"), MID, "L4-L5"),
        HardCase(
            "slip 9", 2, axes, at(replace(worn, slip_mm=9.0, disc_height_frac=0.6), "L4-L5"), MID, "L4-L5", "right"
        ),
        HardCase("slip 17", 3, axes, at(replace(worn, slip_mm=17.0, disc_height_frac=0.4), "L4-L5"), LOW, "L4-L5"),
        HardCase(
            "backward slip 6", 2, axes, at(replace(worn, slip_mm=-6.0, disc_height_frac=0.6), "L3-L4"), MID, "L3-L4"
        ),
    ]


def curve_cases() -> list[HardCase]:
    """Scoliosis with rotation to 30 deg, and a hollow back."""
    axes, worn = ("scoliosis",), worn_level(0.9, 0.7)
    high = ("L2-L3", "L3-L4")
    lying = replace(OLD, pose_deg=(8.0, 10.0, -12.0), origin_ras_mm=(14.0, -30.0, 60.0))
    return [
        HardCase("scoliosis 12", 1, axes, at(worn, *high, scoliosis_deg=12.0, rotation_deg=6.0), high, "L3-L4"),
        HardCase("scoliosis 20", 2, axes, at(worn, *high, scoliosis_deg=-20.0, rotation_deg=-12.0), high, "L2-L3"),
        HardCase(
            "scoliosis 30", 3, axes, at(worn, *high, scoliosis_deg=30.0, rotation_deg=20.0), high, "L2-L3", "right"
        ),
        HardCase(
            "scoliosis 28, crooked in the scanner",
            3,
            axes,
            at(worn, *MID, spec=lying, scoliosis_deg=-28.0, rotation_deg=-16.0),
            MID,
            "L3-L4",
        ),
        HardCase("hollow back", 2, ("lordosis",), at(worn, *LOW, lordosis_deg=78.0), LOW, "L4-L5", "right"),
    ]


def sampling_cases() -> list[HardCase]:
    """Slices to 3 mm, oblique slices, noise to 60 HU."""
    axes = ("slices", "noise")
    return [
        HardCase("slices 1.5", 1, axes[:1], old(95, 25, 0.8), MID, "L4-L5", grid_request=COARSE),
        HardCase("slices 2", 2, axes[:1], old(95, 25, 0.8), MID, "L3-L4", "right", TWO_MM),
        HardCase("slices 3", 3, axes[:1], old(95, 25, 0.8), MID, "L4-L5", grid_request=THREE_MM),
        HardCase("noise 60", 3, axes[1:], old(85, 25, 0.7), MID, "L3-L4", scanner=Scanner(2, 60.0)),
    ]


def bystander_cases() -> list[HardCase]:
    """Vessels with contrast, bowel, ribs, pelvis, table, padding; the scan's own signs must name the vertebrae."""
    axes, narrow = ("bystanders",), replace(MM, ventral_mm=34.0)
    pelvis = Bystanders(vessel_hu=300.0, bowel=True, pelvis=True, table=True)
    high = ("T12-L1", "L1-L2")
    return [
        HardCase(
            "vessels at 380 HU",
            2,
            axes,
            old(90, 25, 0.7, bystanders=Bystanders(vessel_hu=380.0)),
            MID,
            "L4-L5",
            grid_request=narrow,
        ),
        HardCase(
            "pelvis, bowel and table",
            3,
            ("bystanders", "names"),
            old(95, 25, 0.8, bystanders=pelvis),
            LOW,
            "L4-L5",
            grid_request=WIDE,
            named=False,
        ),
        HardCase(
            "padding outside a circle",
            2,
            axes,
            old(95, 25, 0.8, bystanders=Bystanders(table=True)),
            MID,
            "L3-L4",
            grid_request=replace(MM, ventral_mm=40.0, behind_mm=24.0),
            scanner=Scanner(3, 20.0, circle_mm=76.0, padding_hu=-2000),
        ),
        HardCase(
            "ribs in view",
            2,
            ("bystanders", "names"),
            at(worn_level(0.5, 0.5), "L1-L2", bystanders=Bystanders(ribs=True)),
            high,
            "L1-L2",
            "right",
            replace(WIDE, half_width_mm=78.0, ventral_mm=12.0),
            named=False,
        ),
    ]


def numbering_cases() -> list[HardCase]:
    """Six or four lumbar vertebrae, and scans that show no sign to count by."""
    axes, worn = ("names",), worn_level(0.8, 0.8)
    ribs = Bystanders(ribs=True)
    six, four = replace(OLD, six_lumbar=True), replace(OLD, four_lumbar=True)
    return [
        HardCase(
            "six lumbar, sacrum in view",
            3,
            axes,
            at(worn, "L5-L6", spec=six),
            ("L5-L6", "L6-S1"),
            "L5-L6",
            grid_request=replace(MM, half_width_mm=54.0),
            named=False,
        ),
        HardCase(
            "six lumbar, whole",
            3,
            axes,
            at(worn, "L4-L5", spec=six, bystanders=ribs),
            six.level_names,
            "L4-L5",
            grid_request=WHOLE,
            named=False,
        ),
        HardCase(
            "four lumbar, whole",
            3,
            axes,
            at(worn, "L3-L4", spec=four, bystanders=ribs),
            four.level_names,
            "L3-L4",
            "right",
            WHOLE,
            named=False,
        ),
        HardCase(
            "no sign to count by", 2, axes, at(worn, "L2-L3"), ("L2-L3", "L3-L4"), "L2-L3", named=False, nameless=True
        ),
        HardCase("cut above and below", 2, ("view",), old(95, 25, 0.8), MID, "L4-L5", trim_mm=(17.0, 21.0)),
    ]


def metal_cases() -> list[HardCase]:
    """Pedicle screws, with and without streaks."""
    axes, screws = ("metal",), ("L4", "L5")
    return [
        HardCase("screws", 2, axes, old(95, 25, 0.8, metal=screws), MID, "L3-L4"),
        HardCase(
            "screws with streaks",
            3,
            axes,
            old(95, 25, 0.8, metal=screws),
            MID,
            "L4-L5",
            scanner=Scanner(4, 25.0, streaks=True),
        ),
    ]


def combined_cases() -> list[HardCase]:
    """Several diseases of one patient."""
    axes = ("density", "gap", "slip", "disc", "osteophytes", "noise")
    worn = replace(worn_level(1.1, 0.9), gap_mm=0.6, osteophyte_mm=4.0, disc_height_frac=0.45, sclerotic=(True, True))
    bone = SpineSpec(trabecular_hu=72.0, patchy_hu=40.0, cortex_frac=0.6, scoliosis_deg=14.0, rotation_deg=8.0)
    return [
        HardCase("worn at 80 years", 2, axes, at(worn, *MID, spec=bone), MID, "L4-L5", scanner=Scanner(5, 35.0)),
        HardCase(
            "worn at 80 years, slipped, at 0.6 mm",
            3,
            axes,
            at(replace(worn, slip_mm=7.0), "L4-L5", spec=bone),
            ("L4-L5",),
            "L4-L5",
            "right",
            THIN,
            Scanner(6, 45.0),
        ),
    ]


def mesh_cases() -> list[HardCase]:
    """Mean vertebrae of patients, warped into others."""
    two, three = ("L3", "L4"), ("L2", "L3", "L4")

    def of(
        name: str,
        severity: int,
        axes: tuple[str, ...],
        surfaces: tuple[str, ...] = three,
        warp: Warp | None = None,
        spec: SpineSpec = OLD,
        **others: object,
    ) -> HardCase:
        levels = tuple(f"{a}-{b}" for a, b in pairwise(surfaces))
        case = HardCase(f"surfaces: {name}", severity, axes, spec, levels, levels[-1], surfaces=surfaces)
        return replace(case, warp=warp or Warp(), **others)  # type: ignore[arg-type]

    ripple = Warp(ripple_mm=2.0, phase_rad=1.0)
    vessel = Bystanders(vessel_hu=350.0)
    weak = SpineSpec(trabecular_hu=65.0, patchy_hu=40.0, cortex_frac=0.6)
    return [
        of("mean", 1, ("shape",)),
        of("two vertebrae at 0.6 mm", 1, ("shape",), two, ripple, grid_request=THIN),
        of("small", 1, ("shape",), warp=Warp((0.85, 0.88, 0.86), ripple_mm=1.5), side="right"),
        of("large", 1, ("shape",), warp=Warp((1.16, 1.12, 1.14), ripple_mm=1.5, phase_rad=2.0)),
        of("flat back", 2, ("lordosis",), ("L3", "L4", "L5"), Warp(sagittal_deg=-22.0, ripple_mm=1.0)),
        of("hollow back", 2, ("lordosis",), warp=Warp(sagittal_deg=24.0, ripple_mm=1.0), side="right"),
        of("sheared", 2, ("shape",), warp=Warp(shear_frac=(0.18, -0.15), ripple_mm=2.5, phase_rad=3.0)),
        of("scoliosis 20", 2, ("scoliosis",), warp=Warp(coronal_deg=20.0, axial_deg=10.0, ripple_mm=1.5)),
        of(
            "scoliosis 30",
            3,
            ("scoliosis",),
            warp=Warp(coronal_deg=-30.0, axial_deg=-18.0, ripple_mm=2.0),
            side="right",
        ),
        of("density 65", 3, ("density",), warp=ripple, spec=weak),
        of("noise 50", 3, ("noise",), warp=ripple, scanner=Scanner(7, 50.0), side="right"),
        of("slices 2", 2, ("slices",), warp=ripple, grid_request=TWO_MM),
        of(
            "oblique slices, vessels",
            3,
            ("slices", "bystanders"),
            warp=ripple,
            grid_request=replace(OBLIQUE, ventral_mm=24.0),
            spec=replace(OLD, bystanders=vessel),
        ),
        of("no sign to count by", 2, ("names",), warp=ripple, named=False, nameless=True),
        of(
            "worn, crooked, noisy",
            3,
            ("density", "scoliosis", "noise"),
            ("L3", "L4", "L5"),
            Warp((0.95, 0.95, 0.9), coronal_deg=16.0, axial_deg=8.0, ripple_mm=2.0),
            weak,
            scanner=Scanner(8, 40.0),
        ),
    ]
