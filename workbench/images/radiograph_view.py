"""The geometry of a simulated C-arm: point source, flat detector, AP and lateral view of a level.

Both beams lie in the disc's mid-plane, so both end plates are seen edge on; AP runs from ventral to dorsal, lateral
toward the surgeon's side.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from canalwise.estimator.limits import Limit
from canalwise.recon.anatomy import Frame
from canalwise.recon.errors import WrongUse
from canalwise.recon.grid import Float
from canalwise.recon.labels import Side


@dataclass(frozen=True, eq=False)
class Rays:
    """One point source and one flat detector, RAS mm.

    Parameters
    ----------
    source_ras_mm : (3,) array
    first_ras_mm : (3,) array, the centre of the upper left pixel
    across_ras_mm, down_ras_mm : (3,) arrays, from one pixel to the next of its row, and of its column
    shape : rows and columns
    """

    source_ras_mm: Float
    first_ras_mm: Float
    across_ras_mm: Float
    down_ras_mm: Float
    shape: tuple[int, int]


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
    """From ventral to dorsal in the disc's mid-plane, head up.

    >>> ap_view().name, ap_view().words[0]
    ('AP', "patient's LEFT")
    """
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


def views_of(side: Side) -> tuple[RadiographView, RadiographView]:
    """AP and lateral for an approach from one side.

    >>> [view.name for view in views_of("left")]
    ['AP', 'lateral']
    """
    return ap_view(), lateral_view(side)
