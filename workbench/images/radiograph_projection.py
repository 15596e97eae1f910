"""Simulated radiographs of a level: line integrals of the scan along the rays of a C-arm lined up with its disc.

The patient lies prone. For the AP view the tube is under the table and the intensifier above: the beam runs from
ventral to dorsal. For the lateral view the intensifier is on the surgeon's side and the beam runs toward it. Both
beams lie in the disc's mid-plane, so both end plates are seen edge on. Pictures are shown as seen from the intensifier:
AP with the head up, the patient's left on the left; lateral with dorsal up, as the prone patient lies.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from canalwise.estimator.limits import Limit
from canalwise.recon.anatomy import Anatomy, Frame
from canalwise.recon.errors import WrongUse
from canalwise.recon.grid import Float
from canalwise.recon.labels import Side
from canalwise.recon.scan import Scan
from canalwise.workbench.images.line_integrals import Rays, ray_sums

C_ARM: Mapping[str, Limit] = MappingProxyType(
    {
        "source_to_detector_mm": Limit(1000.0, "mm", "common practice, no source", "PRACTICE"),
        "source_to_level_mm": Limit(700.0, "mm", "common practice, no source", "PRACTICE"),
        "field_mm": Limit(150.0, "mm", "width of what is seen at the level's depth (choice)", "PRACTICE"),
        "water_per_mm": Limit(0.0206, "1/mm", "attenuation of water at 60 keV, from memory", "MEM"),
    }
)
"""How the simulated C-arm is set up."""

PIXELS = 512
"""Rows and columns of a picture."""

AIM_DORSAL_MM = 25.0
"""The lateral beam's middle passes this far dorsal of the level's origin, so that both disc and skin are seen."""

AIR_HU = -1000.0
"""Attenuation is taken as proportional to HU - AIR_HU, none below it."""

WATER_PER_HU_MM = C_ARM["water_per_mm"].value / 1000.0
"""Attenuation per mm and HU above air: water is 1000 HU above it (definition of the unit)."""

SKIN_HU = -350.0
"""What is denser is tissue, not air (as `recon.image.skin`)."""

WHITE_BLACK_PERCENT = (1.0, 99.7)
"""Percentiles of the picture that are drawn white and black (by eye)."""

LIGHTEST, DARKEST = 236, 12
"""Greys at those percentiles: neither end of the scale, so that marks stand out on both."""

WHOLE_FRAC = 0.6
"""The contrast is set by rays that pass at least this share of the longest way through tissue."""

Grey = npt.NDArray[np.uint8]


@dataclass(frozen=True)
class RadiographView:
    """A point source, a flat detector square to the central ray, and how the picture lies; level frame.

    Parameters
    ----------
    name : 'AP' or 'lateral'
    toward_detector : unit direction of the central ray
    up : unit direction, square to it, that points up the picture
    aim_mm : a point of the central ray, at the depth that `source_to_level_mm` tells
    words : at the picture's left, right, upper and lower edge
    """

    name: str
    toward_detector: tuple[float, float, float]
    up: tuple[float, float, float]
    aim_mm: tuple[float, float, float]
    words: tuple[str, str, str, str]
    source_to_detector_mm: float = C_ARM["source_to_detector_mm"].value
    source_to_level_mm: float = C_ARM["source_to_level_mm"].value
    field_mm: float = C_ARM["field_mm"].value
    pixels: int = PIXELS

    def __post_init__(self) -> None:
        if not 0 < self.source_to_level_mm < self.source_to_detector_mm:
            raise WrongUse("'source_to_level_mm'", "must lie between source and detector", got=self.source_to_level_mm)
        if not (self.field_mm > 0 and self.pixels > 1):
            raise WrongUse("'field_mm' and 'pixels'", "must be a picture", got=(self.field_mm, self.pixels))

    @property
    def triad(self) -> Float:
        """(3, 3) array, rows: right of the picture, down the picture, toward the detector, as the intensifier sees it.

        >>> ap_view().triad.astype(int).tolist()
        [[-1, 0, 0], [0, 0, -1], [0, 1, 0]]
        """
        toward, up = np.array(self.toward_detector), np.array(self.up)
        # the eye is behind the detector and looks toward the source
        return np.stack([np.cross(-toward, up), -up, toward])

    @property
    def source_mm(self) -> Float:
        """(3,) array, level mm."""
        return np.array(self.aim_mm) - self.source_to_level_mm * np.array(self.toward_detector)

    @property
    def pixel_mm(self) -> float:
        """Between pixel centres, on the detector."""
        return self.field_mm * self.source_to_detector_mm / self.source_to_level_mm / self.pixels

    @property
    def level_to_pixel(self) -> Float:
        """(3, 4) array: level mm -> homogeneous (column, row); whole numbers are the centres of pixels.

        >>> column, row, depth = ap_view().level_to_pixel @ [0.0, 30.0, 0.0, 1.0]
        >>> float(column / depth), float(row / depth)
        (255.5, 255.5)
        """
        right, down, toward = self.triad
        focal, middle = self.source_to_detector_mm / self.pixel_mm, (self.pixels - 1) / 2
        turned = np.stack([focal * right + middle * toward, focal * down + middle * toward, toward])
        return np.column_stack([turned, -turned @ self.source_mm])

    def on_picture(self, level_mm: npt.ArrayLike) -> Float:
        """(..., 2) array: column and row of level points."""
        points = np.asarray(level_mm, dtype=float)
        matrix = self.level_to_pixel
        reported = points @ matrix[:, :3].T + matrix[:, 3]
        return np.asarray(reported[..., :2] / reported[..., 2:])

    def rays(self, frame: Frame) -> Rays:
        """The view's rays in RAS."""
        right, down, toward = self.triad
        middle, step = (self.pixels - 1) / 2, self.pixel_mm
        first = self.source_mm + self.source_to_detector_mm * toward - middle * step * (right + down)
        return Rays(
            frame.to_world_mm(self.source_mm),
            frame.to_world_mm(first),
            frame.direction_ras(step * right),
            frame.direction_ras(step * down),
            (self.pixels, self.pixels),
        )


def ap_view() -> RadiographView:
    """From ventral to dorsal in the disc's mid-plane, head up."""
    words = ("patient's LEFT", "patient's RIGHT", "cranial", "caudal")
    return RadiographView("AP", (0.0, 1.0, 0.0), (0.0, 0.0, 1.0), (0.0, 0.0, 0.0), words)


def lateral_view(side: Side) -> RadiographView:
    """Along the disc's mid-plane toward the surgeon's side, dorsal up.

    >>> lateral_view("left").words[0], lateral_view("right").words[0]
    ('cranial', 'caudal')
    """
    ends = ("cranial", "caudal") if side == "left" else ("caudal", "cranial")
    toward = (1.0, 0.0, 0.0) if side == "left" else (-1.0, 0.0, 0.0)
    return RadiographView("lateral", toward, (0.0, 1.0, 0.0), (0.0, AIM_DORSAL_MM, 0.0), (*ends, "dorsal", "ventral"))


@dataclass(frozen=True, eq=False)
class Radiograph:
    """A picture, its geometry, and what it was computed from, in words.

    Parameters
    ----------
    grey : (rows, columns) array, dense bone dark
    """

    view: RadiographView
    grey: Grey
    made_from: str


FROM_CT = "ray sums of the CT, evened out"
FROM_MR = "NOT a radiograph: an MR cannot give one. The bone found in it, summed along the rays"


@dataclass(frozen=True, eq=False)
class Attenuation:
    """What the beam loses along each ray, (rows, columns) arrays.

    Parameters
    ----------
    total : the line integral of attenuation, without unit; its exponential is the share of the beam that is lost
    tissue_mm : the way through the patient that the scan shows
    """

    total: Float
    tissue_mm: Float


def weakening(scan: Scan, frame: Frame, view: RadiographView) -> Attenuation:
    """The line integrals of a CT; raises WrongUse for an MR."""
    if scan.modality != "CT":
        raise WrongUse("a radiograph", "can be computed from CT only", got=scan.modality)
    found = ray_sums(scan.voxels, scan.grid, view.rays(frame), zero=AIR_HU, above=SKIN_HU)
    return Attenuation(WATER_PER_HU_MM * found.integral, found.above_mm)


def shown(dark: Float, tissue_mm: Float) -> Grey:
    """What weakens the beam as a dark picture; what lies beyond the scan is black, as under a collimator."""
    whole = tissue_mm >= WHOLE_FRAC * tissue_mm.max()
    white, black = np.percentile(dark[whole], WHITE_BLACK_PERCENT)
    share = np.clip((dark - white) / max(black - white, 1e-9), 0, 1)
    grey = LIGHTEST + (DARKEST - LIGHTEST) * share
    return np.asarray(np.round(np.where(tissue_mm > 0, grey, 0)), dtype=np.uint8)


def radiograph_of(scan: Scan, anatomy: Anatomy, level_name: str, view: RadiographView) -> Radiograph:
    """The view of a level, computed from the scan; of an MR the bone alone, and said so."""
    frame = anatomy.level(level_name).frame
    if scan.modality == "CT":
        reported = weakening(scan, frame, view)
        # what water of the same thickness would take goes off: what is left is bone, fat and gas
        excess = reported.total - C_ARM["water_per_mm"].value * reported.tissue_mm
        return Radiograph(view, shown(excess, reported.tissue_mm), FROM_CT)
    bone = ray_sums(anatomy.occupancy, anatomy.grid, view.rays(frame), above=-1.0)
    return Radiograph(view, shown(bone.integral, bone.above_mm), FROM_MR)


def views_of(side: Side) -> tuple[RadiographView, RadiographView]:
    """AP and lateral for an approach from one side."""
    return ap_view(), lateral_view(side)
