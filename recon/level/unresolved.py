"""Facet joints that the scan did not resolve: they carry no numbers.

Where parts were found automatically and the image shows no gap between a joint's faces, or its voxels are far longer
than the gap is wide, what was taken for the joint is a cut through bone that nobody saw. Its angle, area and gap are
withheld and no share of it is reckoned with: it is as if it were not in view, and that is said. Of a CT with slices
over `CANAL_ONLY_MM` that holds for the arches as a whole: names, canal and sac are all that is measured.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from canalwise.recon.anatomy import Anatomy, Confidence, Level, Source
from canalwise.recon.errors import AnatomyNotFound
from canalwise.recon.labels import SIDES, Side
from canalwise.recon.severity_bands import Threshold

RESOLVED = Threshold(
    "joint resolved",
    0.02,
    "confidence",
    "choice: the ramps of canalwise.recon.measurement.confidence end at 0",
    "PRACTICE",
)
"""A joint whose gap is less sure than this was not resolved."""

CANAL_ONLY_MM = Threshold(
    "slices of a CT up to which arches are read", 3.0, "mm", "choice: a lamina is 4 to 8 mm thick", "PRACTICE"
)
"""Where one edge of the voxels is longer, only the canal is read."""

CANAL_ONLY = (
    "CANAL ONLY: slices over 3 mm apart show the canal, the names of levels, a modelled sac with wide intervals, "
    "and no more. No facet joint, lamina or pars is resolved: they carry no numbers, and nothing can be planned."
)
"""What stands beside every number of a CT with thick slices."""

CANAL_NAMES = frozenset(
    {
        "canal area",
        "canal mid-sagittal diameter",
        "canal mid-sagittal diameter, population",
        "interpedicular distance",
        "dural sac area",
        "dural sac area, narrowest",
        "dural sac mid-sagittal diameter",
        "skin-to-lamina depth",
    }
)
"""Quantities that thick slices show."""

RECESS_NAMES = frozenset({"lateral recess height", "lateral recess angle"})
"""Quantities whose roof is bone of the superior articular process. Of 42 recesses 1 to 3 mm high of made-up MR every
one was read as 6 to 8 mm, as wide ones are (examinations of `scripts/accuracy_mr.py`, before they were withheld)."""

RECESS_WITHHELD = (
    "The height of the lateral recesses is not measured on an MR alone: bone that overhangs them is as dark as the "
    "ligament. Look at them in the axial images, or add a CT."
)

GAP, VOXELS, BOTH_JOINTS = "joint gap", "voxels and gap", "both facet joints"
"""Subject of the joints' reasons, and the structure of a measurement of both joints."""


def unresolved_sides(level: Level, sure: Confidence, sources: Mapping[str, Source]) -> tuple[Side, ...]:
    """Sides whose joint was not resolved; none where the parts were given."""
    if sources.get("parts", "automatic") != "automatic":
        return ()
    value = {
        side: min((r.value_frac for r in sure.reasons if r.about == f"{GAP} {side}"), default=1.0) for side in SIDES
    }
    voxels = min((r.value_frac for r in sure.reasons if r.about == VOXELS), default=1.0)
    narrower = min((joint.gap_mm for joint in level.joints.values()), default=0.0)
    # the voxels were held against the narrower gap: they say nothing of a wider one
    lost = [
        side
        for side, joint in level.joints.items()
        if value[side] <= RESOLVED.value or (voxels <= RESOLVED.value and joint.gap_mm <= narrower)
    ]
    return tuple(side for side in SIDES if side in lost)


def without_unresolved(level: Level, sure: Confidence, sources: Mapping[str, Source]) -> Level:
    """The level without joints that were not resolved and without their numbers; a sentence says so."""
    lost = unresolved_sides(level, sure, sources)
    if not lost:
        return level
    about = {BOTH_JOINTS, *(f"{side} facet joint" for side in lost)}
    return replace(
        level,
        joints={side: joint for side, joint in level.joints.items() if side not in lost},
        measurements=tuple(m for m in level.measurements if m.structure not in about),
        warnings=(*level.warnings, unresolved_text(level.name, lost)),
    )


def unresolved_text(level: str, sides: tuple[Side, ...]) -> str:
    """What a person must know about joints that were not resolved.

    >>> unresolved_text("L3-L4", ("left",))[:64]
    'L3-L4: the scan does not resolve the facet joint on the left: it'
    """
    which = " and ".join(sides)
    one = len(sides) == 1
    return (
        f"{level}: the scan does not resolve the facet joint{'' if one else 's'} on the {which}: "
        f"{'it has' if one else 'they have'} no angle, area or gap, and what a plan leaves of "
        f"{'it' if one else 'them'} is not known."
    )


def is_canal_only(longest_mm: float, sources: Mapping[str, Source], calibrated: bool) -> bool:
    """Is a scan a CT too thick for arches that nobody has labelled?

    >>> is_canal_only(5.0, {"parts": "automatic"}, True), is_canal_only(3.0, {"parts": "automatic"}, True)
    (True, False)
    """
    return calibrated and longest_mm > CANAL_ONLY_MM.value + 1e-3 and sources.get("parts", "automatic") == "automatic"


def without_recess(level: Level) -> Level:
    """The level without the numbers of its lateral recesses; a sentence says so."""
    kept = tuple(m for m in level.measurements if m.name not in RECESS_NAMES)
    return replace(level, measurements=kept, warnings=(*level.warnings, f"{level.name}: {RECESS_WITHHELD}"))


def check_arches_resolved(anatomy: Anatomy) -> None:
    """Refuse to plan on an anatomy that shows the canal only; raises AnatomyNotFound."""
    if CANAL_ONLY in anatomy.warnings:
        raise AnatomyNotFound(
            "the arches",
            f"are not resolved (canal only): a plan needs slices of at most {CANAL_ONLY_MM.value:g} mm",
            got=f"{anatomy.longest_voxel_mm:.2f} mm",
            do="'canalwise measure' gives the canal and the names of levels. Reconstruct thinner slices, or give the "
            "bones' parts as a label map with --labels.",
        )


def canal_only(level: Level) -> Level:
    """The level without joints and without numbers of its arches."""
    return replace(
        level,
        joints={},
        measurements=tuple(m for m in level.measurements if m.name in CANAL_NAMES),
        warnings=tuple(text for text in level.warnings if "facet joint" not in text and "check by eye" not in text),
    )
