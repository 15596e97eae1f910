"""Uncertainty of a level's borders, and what it changes whatever the approach."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from canalwise.estimator.geometry.border_shift import eroded_occupancy
from canalwise.estimator.interval import SD_OF_95
from canalwise.estimator.level.level_bone import LevelBone
from canalwise.estimator.level.pars_and_base_samples import ParsAndBaseSamples, pars_and_base_samples
from canalwise.recon.anatomy import Anatomy, Level, Source
from canalwise.recon.labels import Mask
from canalwise.recon.measurement.confidence import border_sd_mm
from canalwise.recon.severity_bands import Threshold

BONE, CANAL, SAC, LIGAMENT = "bone border", "canal border", "sac border", "ligament"
SPLIT, SPACING, MIDLINE, EXTENT = "part split", "target spacing", "midline", "joint extent"
"""Causes of a number's uncertainty, as they are reported."""

MODELLED_SD_MM = Threshold(
    "thickness of a modelled ligament, and so the sac's border",
    1.0,
    "mm",
    "Yoshiiwa et al., Asian Spine J 2016;10:528 (4.16, SD 1.12 mm in worn discs)",
    "READ",
)
"""Between patients; a modelled ligament takes the mean, a modelled sac what it leaves."""

OPEN_CANAL_SD_MM = Threshold(
    "one place of the wall of a canal found from bone, at the disc",
    0.8,
    "mm",
    "hard phantoms from CT alone (scripts/accuracy_hard.py)",
    "CALC",
)
"""Beside the disc no bone bounds the canal: there its wall is a smooth surface and a convention."""

MIDLINE_SD_MM = Threshold(
    "where the midline lies",
    0.3,
    "mm",
    "random phantoms, arches mirrored on themselves (scripts/accuracy_intervals.py)",
    "CALC",
)
"""The plane about which worn arches mirror themselves best is drawn toward the side that has grown more."""

HERE_VOXELS = 0.4
"""Deviation of one place of the canal's wall, where the farthest target lies, in voxels (scripts/why_intervals.py)."""

CLEAR_EDGE = 8.0
"""Edge over noise that is taken where a level's confidence was not judged."""


EXTENT_VOXELS = 0.5
"""Deviation of where a joint's rim is taken to lie, in voxels (scripts/why_intervals.py)."""

SPLIT_MM = 0.8
"""... and more with parts found automatically, whose cuts from each other are a rule or a network's guess and no border
in the image (scripts/accuracy_hard.py)."""

SPLIT_VOXELS = 0.1
"""... and with parts given, whose cuts are drawn in voxels, as a whole, in voxels (scripts/accuracy_intervals.py)."""


@dataclass(frozen=True)
class FacetUncertainty:
    """Standard deviations, mm: of the faces' borders, of the joint's rims, and of the cuts between parts."""

    border_mm: float
    extent_mm: float
    split_mm: float


@dataclass(frozen=True)
class BorderUncertainty:
    """Standard deviations, mm, of the positions of borders at a level.

    `canal_here_mm` is that of one place of the canal's wall, the others are those of whole borders.
    """

    bone_mm: float
    canal_mm: float
    canal_here_mm: float
    sac_mm: float
    ligament_mm: float
    joint: FacetUncertainty


def border_uncertainty_of(anatomy: Anatomy, level: Level) -> BorderUncertainty:
    """The level's border deviations, from its confidence where it was judged."""
    voxel_mm, sources = anatomy.longest_voxel_mm, anatomy.sources
    sure = level.confidence
    clear = border_sd_mm(voxel_mm, CLEAR_EDGE, sources.get("parts", "automatic"))
    bone = [s.border_sd_mm for s in sure.structures if s.name != "canal"] if sure else [clear]
    wall = sure.border_sd_mm("canal") if sure else clear
    soft = {
        name: MODELLED_SD_MM.value if sources.get(name, "modelled") == "modelled" else wall
        for name in ("sac", "flavum")
    }
    joint = facet_uncertainty(sources.get("parts", "automatic"), voxel_mm, float(np.mean(bone)))
    open_mm = OPEN_CANAL_SD_MM.value if sources.get("canal") == "automatic" else 0.0
    here = float(np.linalg.norm([wall, HERE_VOXELS * voxel_mm, open_mm]))
    return BorderUncertainty(float(np.mean(bone)), wall, here, soft["sac"], soft["flavum"], joint)


def facet_uncertainty(source: Source, voxel_mm: float, border_mm: float) -> FacetUncertainty:
    """Uncertainty of a joint whose parts come from a source.

    >>> facet_uncertainty("given", 1.0, 0.1)
    FacetUncertainty(border_mm=0.1, extent_mm=0.5, split_mm=0.1)
    """
    extent = EXTENT_VOXELS * voxel_mm
    if source == "automatic":
        return FacetUncertainty(border_mm, float(np.hypot(extent, SPLIT_MM)), SPLIT_MM)
    return FacetUncertainty(border_mm, extent, SPLIT_VOXELS * voxel_mm)


@dataclass(frozen=True, eq=False)
class ThinnerBone:
    """A level's bone with every border drawn in by SD_OF_95 of its deviations, and its weak places measured anew."""

    level_bone: LevelBone
    weak: ParsAndBaseSamples


def thinner_bone(level: Level, level_bone: LevelBone, bone_sd_mm: float) -> ThinnerBone:
    """A level's bone, drawn in; coverage by any region stays what it was, for no empty voxel is filled."""
    voxel = np.float32(level_bone.grid.voxel_mm3)
    thin = replace(
        level_bone,
        bone_mm3=eroded_occupancy(level_bone.bone_mm3 / voxel, level_bone.grid, SD_OF_95 * bone_sd_mm) * voxel,
    )
    return ThinnerBone(thin, pars_and_base_samples(level, thin))


def area_causes(
    masks: tuple[Mask, Mask, Mask], step_mm: float, border_uncertainty: BorderUncertainty
) -> dict[str, float]:
    """Cause -> standard deviation, mm2, of the area of a section: each border's length times its own deviation.

    Parameters
    ----------
    masks : (n, m) arrays over samples step_mm apart: what is free, ligament and calcification that press on it, and
        bone cut by the tool, where the wall lies where the tool put it, whatever the border was
    """
    free, pressing, cut = masks
    ligament = shared_border_mm(free, pressing, step_mm)
    wall = shared_border_mm(free, ~free, step_mm) - ligament - shared_border_mm(free, cut, step_mm)
    return {CANAL: max(wall, 0.0) * border_uncertainty.canal_mm, LIGAMENT: ligament * border_uncertainty.ligament_mm}


def shared_border_mm(one: Mask, other: Mask, step_mm: float) -> float:
    """Length of the border that two masks of a section share.

    Counted in cell faces along both axes and divided by 4/pi, the mean excess of stairs over a line of any direction.

    >>> left = np.tile(np.arange(4) < 2, (10, 1))
    >>> round(shared_border_mm(left, ~left, 0.5) / (10 * 0.5), 4)  # pi / 4 of a straight border
    0.7854
    """
    faces = sum(
        int((a & d).sum() + (b & c).sum())
        for a, b, c, d in (
            (one[1:], one[:-1], other[1:], other[:-1]),
            (one[:, 1:], one[:, :-1], other[:, 1:], other[:, :-1]),
        )
    )
    return float(faces * step_mm * np.pi / 4)
