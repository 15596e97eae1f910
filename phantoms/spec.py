"""The specification of a phantom spine: one frozen value with every parameter."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from canalwise.recon.errors import WrongUse
from canalwise.recon.labels import Side, level_vertebrae

Sided = tuple[float, float]
"""A value for (left, right) of the patient."""

SLIP_MM = 18.0
"""Half of the deepest lumbar body, 36 mm: a slip of Meyerding's grade II, which ends at 50 %."""


def _within(record: object, ranges: tuple[tuple[str, float, float], ...]) -> None:
    """Refuse a record with a field outside its (name, low, high)."""
    for who, low, high in ranges:
        if not low <= getattr(record, who) <= high:
            raise WrongUse(f"{who!r}", f"must be in [{low}, {high}]", got=getattr(record, who))


@dataclass(frozen=True)
class LevelKnobs:
    """What differs from normal at one level; sided values are (left, right).

    Parameters
    ----------
    canal_narrowing_mm : by which the canal's side walls and roof move inward at the level
    facet_overgrowth_mm : by which the joint's processes grow into the canal and outward
    flavum_overgrowth_mm : added to the ligament's normal thickness
    calcified_mm : thickness of the calcified sheet in the ligament
    disc_bulge_mm : by which the disc's dorsal border moves into the canal
    slip_mm : by which the upper vertebra has slipped ventrally
    gap_mm : facet joint gap
    fused_frac : share of the joint's height, from its cranial end, across which bone bridges the gap
    sclerotic : are the joint's processes dense throughout?
    bony : do the joint's processes fill what the canal loses to them? Otherwise soft tissue does
    osteophyte_mm : how far spurs stand out of the rims of both end plates, ventrally and laterally
    joint_angle_deg : from the sagittal plane; None takes the level's normal
    disc_height_frac : of the normal disc height
    """

    canal_narrowing_mm: float = 0.0
    facet_overgrowth_mm: Sided = (0.0, 0.0)
    flavum_overgrowth_mm: Sided = (0.0, 0.0)
    calcified_mm: Sided = (0.0, 0.0)
    disc_bulge_mm: float = 0.0
    slip_mm: float = 0.0
    gap_mm: float = 1.5
    fused_frac: Sided = (0.0, 0.0)
    sclerotic: tuple[bool, bool] = (False, False)
    bony: bool = False
    osteophyte_mm: float = 0.0
    joint_angle_deg: tuple[float | None, float | None] = (None, None)
    disc_height_frac: float = 1.0

    def __post_init__(self) -> None:
        if not 0.2 <= self.gap_mm <= 4.0:
            raise WrongUse("'gap_mm'", "must be in [0.2, 4]", got=self.gap_mm)
        _within(
            self,
            (("slip_mm", -SLIP_MM, SLIP_MM), ("disc_height_frac", 0.25, 1.5), ("osteophyte_mm", 0.0, 8.0)),
        )
        if not 0 <= min(self.fused_frac) <= max(self.fused_frac) <= 1:
            raise WrongUse("'fused_frac'", "must be in [0, 1] on both sides", got=self.fused_frac)
        if not 0 <= self.canal_narrowing_mm <= 5 or not 0 <= self.disc_bulge_mm <= 8:
            raise WrongUse(
                "canal narrowing and disc bulge",
                "must be in [0, 5] and [0, 8] mm",
                got=(self.canal_narrowing_mm, self.disc_bulge_mm),
            )

    def mirrored(self) -> LevelKnobs:
        """The knobs of the mirror image."""
        return replace(
            self,
            facet_overgrowth_mm=self.facet_overgrowth_mm[::-1],
            flavum_overgrowth_mm=self.flavum_overgrowth_mm[::-1],
            calcified_mm=self.calcified_mm[::-1],
            fused_frac=self.fused_frac[::-1],
            sclerotic=self.sclerotic[::-1],
            joint_angle_deg=self.joint_angle_deg[::-1],
        )


RANGES = (
    ("size_frac", 0.7, 1.3),
    ("lordosis_deg", 0, 90),
    ("scoliosis_deg", -45, 45),
    ("rotation_deg", -30, 30),
    ("patchy_hu", 0, 150),
    ("cortex_frac", 0.2, 2),
)
"""Least and most of a spine's own numbers."""


@dataclass(frozen=True)
class Bystanders:
    """What else a scan shows and a search for the spine may stumble over; all of it is labelled soft tissue or outside.

    Parameters
    ----------
    vessel_hu : of contrast in aorta and vena cava, which lie on the bodies' front; None draws neither
    bowel : loops of gas and of oral contrast ventral and lateral of the spine
    ribs : do T12's ribs run on beyond their stubs, with a pair above them?
    pelvis : iliac wings beside L5 and S1
    table : the scanner's table behind the patient
    """

    vessel_hu: float | None = None
    bowel: bool = False
    ribs: bool = False
    pelvis: bool = False
    table: bool = False


@dataclass(frozen=True)
class SpineSpec:
    """A lumbar spine T12 to S1, normal except where a parameter differs from its default.

    Parameters
    ----------
    levels : level name -> knobs; levels left out are normal
    size_frac : scales every size (1 = the adult means of `phantoms.solid.published_sizes`)
    lordosis_deg : angle between the upper end plates of L1 and S1
    scoliosis_deg : Cobb angle of one C-curve, convex to the left when positive
    rotation_deg : axial rotation of the middle vertebra against both ends, positive turns the front to the left
    six_lumbar, four_lumbar : is there an L6 between L5 and S1, or no L5?
    trabecular_hu, cortical_hu : of bone; about 90 HU trabecular at 80 years (docs/published-values.md#ct-values)
    patchy_hu : standard deviation of trabecular bone about its mean, from place to place
    cortex_frac : of the normal thickness of the cortical shell
    bystanders : what else lies in view
    metal : vertebrae that carry a pedicle screw on both sides
    pose_deg : turns of the whole patient about left, dorsal and cranial axis
    origin_ras_mm : where the dorsal wall of L3 at mid-height lies

    >>> SpineSpec().level_names[-1], SpineSpec(six_lumbar=True).level_names[-1]
    ('L5-S1', 'L6-S1')
    """

    levels: Mapping[str, LevelKnobs] = field(default_factory=dict)
    size_frac: float = 1.0
    lordosis_deg: float = 53.5
    scoliosis_deg: float = 0.0
    rotation_deg: float = 0.0
    six_lumbar: bool = False
    four_lumbar: bool = False
    trabecular_hu: float = 150.0
    cortical_hu: float = 900.0
    patchy_hu: float = 0.0
    cortex_frac: float = 1.0
    bystanders: Bystanders = Bystanders()
    metal: tuple[str, ...] = ()
    pose_deg: tuple[float, float, float] = (0.0, 0.0, 0.0)
    origin_ras_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def __post_init__(self) -> None:
        for name in self.levels:
            level_vertebrae(name)
            if name not in self.level_names:
                raise WrongUse("'levels'", f"must be among {', '.join(self.level_names)}", got=name)
        _within(self, RANGES)
        if self.six_lumbar and self.four_lumbar:
            raise WrongUse("'six_lumbar' and 'four_lumbar'", "must not both be true")
        if not np.isfinite([*self.pose_deg, *self.origin_ras_mm]).all():
            raise WrongUse("pose", "must be finite", got=(self.pose_deg, self.origin_ras_mm))

    @property
    def vertebrae(self) -> tuple[str, ...]:
        """Names, cranial to caudal."""
        return ("T12", *(f"L{n + 1}" for n in range(self.lumbar_count)), "S1")

    @property
    def lumbar_count(self) -> int:
        """How many lumbar vertebrae there are: 4, 5 or 6."""
        return 5 + self.six_lumbar - self.four_lumbar

    @property
    def level_names(self) -> tuple[str, ...]:
        """Names of the motion segments, cranial to caudal."""
        return tuple(f"{a}-{b}" for a, b in zip(self.vertebrae, self.vertebrae[1:], strict=False))

    def knobs(self, level: str) -> LevelKnobs:
        """The knobs of a level, normal ones when none were given."""
        return self.levels.get(level, LevelKnobs())

    def mirrored(self) -> SpineSpec:
        """The spec of the mirror image of the patient (in the plane x = 0 of RAS)."""
        tilt_left, tilt_dorsal, tilt_cranial = self.pose_deg
        x, y, z = self.origin_ras_mm
        return replace(
            self,
            levels={name: knobs.mirrored() for name, knobs in self.levels.items()},
            scoliosis_deg=-self.scoliosis_deg,
            rotation_deg=-self.rotation_deg,
            pose_deg=(tilt_left, -tilt_dorsal, -tilt_cranial),
            origin_ras_mm=(-x, y, z),
        )


def side_index(side: Side) -> int:
    """Index of a side in a sided pair: left 0, right 1.

    >>> side_index("left"), side_index("right")
    (0, 1)
    """
    return 0 if side == "left" else 1


def demo_spec() -> SpineSpec:
    """An older patient: moderate stenosis at L3-L4 and L4-L5, worse on the left, and a small slip at L4-L5."""
    return SpineSpec(
        levels={
            "L3-L4": LevelKnobs(
                canal_narrowing_mm=0.8,
                facet_overgrowth_mm=(1.6, 1.2),
                flavum_overgrowth_mm=(1.6, 1.2),
                disc_bulge_mm=2.0,
                disc_height_frac=0.9,
            ),
            "L4-L5": LevelKnobs(
                canal_narrowing_mm=0.8,
                facet_overgrowth_mm=(1.8, 1.4),
                flavum_overgrowth_mm=(1.6, 1.3),
                disc_bulge_mm=2.5,
                slip_mm=3.0,
                disc_height_frac=0.85,
                calcified_mm=(0.0, 1.2),
            ),
        },
        trabecular_hu=95.0,
    )
