"""The anatomy a scan yields: frozen values, checked once, then trusted by the estimator."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import numpy.typing as npt

from canalwise.recon.errors import BadGeometry, BadLabels, LevelNotInView
from canalwise.recon.grid import Float, Grid
from canalwise.recon.labels import Labels, Side

Source = Literal["measured", "given", "modelled", "automatic", "given (MR)", "measured (MR)"]
"""How a structure was obtained; from an MR registered to the CT: outlined by a label map, or found in its voxels."""

NamesFrom = Literal["sacrum", "ribs", "both", "given", "unknown"]

RIGHT_ANGLE_TOL = 1e-6
"""Largest deviation of a frame's rows from an orthonormal right-handed triad."""


@dataclass(frozen=True, eq=False)
class Frame:
    """The level frame: x to the patient's LEFT, y DORSAL, z CRANIAL.

    Parameters
    ----------
    origin_ras_mm : (3,) array, canal centroid in the disc's mid-plane
    axes_ras : (3, 3) array, rows are the unit x, y, z directions in RAS

    Raises
    ------
    BadGeometry : the rows are not a right-handed orthonormal triad
    """

    origin_ras_mm: Float
    axes_ras: Float

    def __post_init__(self) -> None:
        axes = np.asarray(self.axes_ras, dtype=float)
        square = axes.shape == (3, 3) and np.allclose(axes @ axes.T, np.eye(3), atol=RIGHT_ANGLE_TOL)
        if not square or np.linalg.det(axes) < 0:
            raise BadGeometry("'axes_ras'", "must be a right-handed orthonormal triad", got=axes.tolist())
        object.__setattr__(self, "axes_ras", axes)
        object.__setattr__(self, "origin_ras_mm", np.asarray(self.origin_ras_mm, dtype=float).reshape(3))

    def to_level_mm(self, world_mm: npt.ArrayLike) -> Float:
        """(..., 3) array of level coordinates (left, dorsal, cranial mm) of RAS points.

        >>> Frame([10, 20, 30], np.diag([-1.0, -1.0, 1.0])).to_level_mm([7, 16, 35]).tolist()
        [3.0, 4.0, 5.0]
        """
        return (np.asarray(world_mm, dtype=float) - self.origin_ras_mm) @ self.axes_ras.T

    def to_world_mm(self, level_mm: npt.ArrayLike) -> Float:
        """(..., 3) array of RAS mm of level points.

        >>> Frame([10, 20, 30], np.diag([-1.0, -1.0, 1.0])).to_world_mm([3, 4, 5]).tolist()
        [7.0, 16.0, 35.0]
        """
        return np.asarray(level_mm, dtype=float) @ self.axes_ras + self.origin_ras_mm

    def direction_ras(self, level_direction: npt.ArrayLike) -> Float:
        """(..., 3) array: a level direction turned into RAS.

        The patient's left lies toward -x of RAS.

        >>> Frame([10, 20, 30], np.diag([-1.0, -1.0, 1.0])).direction_ras([1, 0, 0]).tolist()
        [-1.0, 0.0, 0.0]
        """
        return np.asarray(level_direction, dtype=float) @ self.axes_ras

    def direction_level(self, ras_direction: npt.ArrayLike) -> Float:
        """(..., 3) array: a RAS direction turned into the level frame.

        >>> Frame([10, 20, 30], np.diag([-1.0, -1.0, 1.0])).direction_level([0, -1, 0]).tolist()
        [0.0, 1.0, 0.0]
        """
        return np.asarray(ras_direction, dtype=float) @ self.axes_ras.T

    @property
    def matrix_ras(self) -> Float:
        """(4, 4) array, level mm -> RAS mm.

        >>> (Frame([10, 20, 30], np.diag([-1.0, -1.0, 1.0])).matrix_ras @ [3, 4, 5, 1]).tolist()
        [7.0, 16.0, 35.0, 1.0]
        """
        matrix = np.eye(4)
        matrix[:3, :3] = self.axes_ras.T
        matrix[:3, 3] = self.origin_ras_mm
        return matrix


@dataclass(frozen=True, eq=False)
class Joint:
    """One facet joint as pairs of facing points.

    Parameters
    ----------
    side : of the patient
    inferior_face_ras_mm : (N, 3) array on the inferior articular process of the upper vertebra
    superior_face_ras_mm : (N, 3) array, the facing points on the lower vertebra's superior process
    area_mm2 : (N,) array, joint area that each pair stands for (mean of both faces)
    angle_deg : of the joint line in the axial plane, from the sagittal plane, 0..90
    gap_mm : median distance between the faces
    gap_resolved : False where the faces touch in the labels and no image tells them apart: `gap_mm` is then a floor
    """

    side: Side
    inferior_face_ras_mm: Float
    superior_face_ras_mm: Float
    area_mm2: Float
    angle_deg: float
    gap_mm: float
    gap_resolved: bool = True

    def __post_init__(self) -> None:
        count = len(self.area_mm2)
        if self.inferior_face_ras_mm.shape != (count, 3) or self.superior_face_ras_mm.shape != (count, 3):
            raise BadGeometry(
                "joint",
                f"both faces must have {count} points as the area has",
                got=(self.inferior_face_ras_mm.shape, self.superior_face_ras_mm.shape),
            )


@dataclass(frozen=True, eq=False)
class Window:
    """One side of the interlaminar window: what a dorsal view really sees open into the canal.

    `centre_ras_mm` lies on the canal's dorsal border; `normal_ras` points dorsally, out of
    the patient; width is medio-lateral and height cranio-caudal, across the opening's plane.
    """

    side: Side
    centre_ras_mm: Float
    normal_ras: Float
    width_mm: float
    height_mm: float
    area_mm2: float


@dataclass(frozen=True)
class Measurement:
    """One measured quantity of a level, with the structure and slice type it belongs to."""

    name: str
    value: float
    unit: str
    structure: str
    at: str
    band: str = ""
    source: str = ""


@dataclass(frozen=True, eq=False)
class Targets:
    """Points a decompression must reach on one side, RAS mm.

    Parameters
    ----------
    side : of the patient
    points_ras_mm : name -> (N, 3) array; names are 'canal wall', 'lateral recess',
        'foramen entrance' and 'disc border'
    """

    side: Side
    points_ras_mm: Mapping[str, Float]


@dataclass(frozen=True)
class Reason:
    """One piece of evidence for or against what was found.

    Parameters
    ----------
    about : what was looked at, such as 'bone border' or 'joint gap left'
    value_frac : how sure it makes, 0..1
    because : a sentence for people, with the numbers seen
    """

    about: str
    value_frac: float
    because: str

    def __post_init__(self) -> None:
        if not 0.0 <= self.value_frac <= 1.0:
            raise BadLabels(f"confidence of {self.about}", "must be in [0, 1]", got=self.value_frac)


@dataclass(frozen=True)
class StructureConfidence:
    """How sure one structure is: its least reason, and the standard deviation of its border's position, mm."""

    name: str
    value_frac: float
    border_sd_mm: float
    reasons: tuple[Reason, ...]


@dataclass(frozen=True)
class Confidence:
    """How sure a level is: its least reason, whether to look at it by eye, and its structures one by one.

    `seen` maps what was seen in the image to its number, as the reasons' sentences say it; the probabilities of
    `recon.questions` are worked out from these.
    """

    value_frac: float
    check_by_eye: bool
    reasons: tuple[Reason, ...]
    structures: tuple[StructureConfidence, ...]
    seen: Mapping[str, float] = field(default_factory=dict)

    def border_sd_mm(self, name: str) -> float:
        """Border standard deviation of a structure; of the least sure one when it is not listed.

        >>> sure = StructureConfidence("canal", 0.9, 0.2, ())
        >>> Confidence(0.9, False, (), (sure,)).border_sd_mm("L4 lamina left")
        0.2
        """
        listed = {each.name: each.border_sd_mm for each in self.structures}
        return listed.get(name, max(listed.values(), default=0.0))


@dataclass(frozen=True)
class NamesCandidate:
    """One candidate naming of the vertebrae in view, cranial to caudal, and its probability."""

    names: tuple[str, ...]
    probability: float


@dataclass(frozen=True)
class Naming:
    """What the names of the vertebrae rest on.

    Parameters
    ----------
    evidence : 'sacrum', 'ribs', 'both', 'given' or 'unknown'
    value_frac : probability that all names are right
    because : a sentence for people
    transitional : does anything hint at a lumbosacral or thoracolumbar transitional vertebra?
    confirmed : False where the names are too improbable to be used unasked
    level_probability : name of a level -> probability that both its vertebrae are named rightly
    candidates : the most probable namings of the vertebrae in view
    places_ras_mm : (x, y, z) of each vertebra in view, cranial to caudal, as the names of a candidate go
    question : what a person must answer; empty when names are confirmed
    condition : what the names presume where only one end of the lumbar spine is in view; empty where nothing
    """

    evidence: NamesFrom
    value_frac: float
    because: str
    transitional: bool = False
    confirmed: bool = True
    level_probability: Mapping[str, float] = field(default_factory=dict)
    candidates: tuple[NamesCandidate, ...] = ()
    places_ras_mm: tuple[tuple[float, float, float], ...] = ()
    question: str = ""
    condition: str = ""

    def probability_of(self, level: str) -> float:
        """Probability that a level is named rightly; that of all names where the level was not judged alone.

        >>> Naming("ribs", 0.9, "", level_probability={"L1-L2": 0.97}).probability_of("L1-L2")
        0.97
        """
        return self.level_probability.get(level, self.value_frac)


@dataclass(frozen=True)
class Correction:
    """One thing a person changed.

    Parameters
    ----------
    kind : 'replaced' by a label map, or 'seed', a point that lies in the structure
    what : the structure
    sha256 : of the map's file; empty for a seed
    file_name : of the map, only where keeping it was requested, for it may name the patient
    point_ras_mm : the seed
    """

    kind: Literal["replaced", "seed"]
    what: str
    sha256: str = ""
    file_name: str = ""
    point_ras_mm: tuple[float, float, float] | None = None


@dataclass(frozen=True, eq=False)
class Level:
    """One motion segment: where it lies, its joints, windows, landmarks and measurements.

    `landmarks_ras_mm` maps the names of `recon.level.landmarks.NAMES` to (3,) arrays.
    Joints and windows may be missing on a side when the scan does not show them.
    """

    name: str
    upper: str
    lower: str
    frame: Frame
    joints: Mapping[Side, Joint]
    windows: Mapping[Side, Window]
    targets: Mapping[Side, Targets]
    landmarks_ras_mm: Mapping[str, Float]
    measurements: tuple[Measurement, ...] = ()
    warnings: tuple[str, ...] = ()
    confidence: Confidence | None = None

    def __repr__(self) -> str:
        sides, sure = " and ".join(self.joints) or "no side", self.confidence
        judged = "not judged" if sure is None else f"{sure.value_frac:.2f}"
        return f"<Level {self.name}, {len(self.measurements)} measurements, joints on {sides}, confidence {judged}>"


@dataclass(frozen=True, eq=False)
class Anatomy:
    """Everything downstream is computed from this.

    Parameters
    ----------
    grid : of both arrays
    labels : (nx, ny, nz) uint16 array, values of `recon.labels`
    occupancy : (nx, ny, nz) float32 array, share of each voxel that is bone, 0..1
    levels : cranial to caudal
    sources : 'parts', 'canal', 'sac', 'flavum', 'levels' -> how each was obtained
    warnings : sentences for people
    naming : what the vertebrae's names rest on; None in an anatomy made by hand
    corrections : what a person changed, in order
    acquired_mm : longest voxel edge that the image was taken with, where it was resampled; 0 where it was not
    """

    grid: Grid
    labels: Labels
    occupancy: npt.NDArray[np.float32]
    levels: tuple[Level, ...]
    sources: Mapping[str, Source] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()
    naming: Naming | None = None
    corrections: tuple[Correction, ...] = ()
    acquired_mm: float = 0.0

    @property
    def longest_voxel_mm(self) -> float:
        """The longest edge of what was seen as one voxel: of the image as taken, or of the grid."""
        return max(float(self.grid.spacing_mm.max()), self.acquired_mm)

    def __repr__(self) -> str:
        return f"<Anatomy {', '.join(level.name for level in self.levels) or 'without levels'}, {self.grid!r}>"

    def __post_init__(self) -> None:
        for who, array in (("labels", self.labels), ("occupancy", self.occupancy)):
            if array.shape != self.grid.shape:
                raise BadLabels(who, f"must have the grid's shape {self.grid.shape}", got=array.shape)

    def level(self, name: str) -> Level:
        """The level of that name; raises LevelNotInView with the names that are there."""
        for level in self.levels:
            if level.name == name:
                return level
        there = ", ".join(level.name for level in self.levels) or "none"
        raise LevelNotInView(
            "level",
            f"must be one of those in view ({there})",
            got=name,
            do="Choose one of these, or name the vertebrae with --levels when building.",
        )
