"""Sizes of a normal adult lumbar spine, each with its source and evidence class.

Evidence classes are those of docs/published-values.md#how-each-was-obtained: READ (seen in an abstract or table),
MEM-a/b/c (from memory, a sure .. c weak), CHOICE (a modelling choice of ours, tuned so that the READ ranges are met;
no source).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class Sourced:
    """One size per vertebra or level, with where it comes from.

    >>> CANAL_WIDTH.values["L3"], CANAL_WIDTH.evidence
    (24.3, 'MEM-b')
    """

    name: str
    unit: str
    values: Mapping[str, float]
    source: str
    evidence: str

    def __getitem__(self, key: str) -> float:
        return self.values[key]


VERTEBRA_KEYS = ("T12", "L1", "L2", "L3", "L4", "L5", "S1")
LEVEL_KEYS = ("T12-L1", "L1-L2", "L2-L3", "L3-L4", "L4-L5", "L5-S1")
PANJABI = "Panjabi et al., Spine 1992;17:299-306 (L1-L5; docs/published-values.md#vertebrae); T12 and S1 our choice"
OWN = "modelling choice, no source"


def _vertebrae(name: str, unit: str, values: tuple[float, ...], source: str, evidence: str) -> Sourced:
    return Sourced(name, unit, dict(zip(VERTEBRA_KEYS, values, strict=True)), source, evidence)


def _levels(name: str, unit: str, values: tuple[float, ...], source: str, evidence: str) -> Sourced:
    return Sourced(name, unit, dict(zip(LEVEL_KEYS, values, strict=True)), source, evidence)


BODY_WIDTH_UPPER = _vertebrae(
    "upper end-plate width", "mm", (39.0, 41.2, 42.6, 44.1, 46.6, 47.3, 49.0), PANJABI, "MEM-b"
)
BODY_WIDTH_LOWER = _vertebrae(
    "lower end-plate width", "mm", (41.0, 43.3, 45.5, 48.0, 49.5, 49.4, 40.0), PANJABI, "MEM-b"
)
BODY_DEPTH_UPPER = _vertebrae(
    "upper end-plate depth", "mm", (31.5, 34.1, 34.6, 35.2, 35.5, 34.7, 33.0), PANJABI, "MEM-b"
)
BODY_DEPTH_LOWER = _vertebrae(
    "lower end-plate depth", "mm", (33.0, 35.3, 34.9, 34.8, 33.9, 33.2, 24.0), PANJABI, "MEM-b"
)
BODY_HEIGHT_DORSAL = _vertebrae(
    "dorsal body height", "mm", (23.0, 23.8, 24.3, 23.8, 24.1, 22.9, 24.0), PANJABI, "MEM-b"
)
BODY_WEDGE = _vertebrae(
    "body wedge (positive taller ventrally)", "deg", (-3.0, -2.0, 0.0, 2.0, 4.0, 8.0, 6.0), OWN, "CHOICE"
)
CANAL_WIDTH = _vertebrae("canal width at pedicle", "mm", (22.5, 23.7, 23.8, 24.3, 25.4, 27.1, 30.0), PANJABI, "MEM-b")
CANAL_DEPTH = _vertebrae("canal depth at pedicle", "mm", (18.0, 19.0, 18.2, 17.5, 18.6, 19.7, 17.0), PANJABI, "MEM-b")
PEDICLE_WIDTH = _vertebrae("pedicle width", "mm", (7.5, 8.0, 8.5, 10.0, 13.5, 18.0, 20.0), PANJABI, "MEM-c")
PEDICLE_HEIGHT = _vertebrae("pedicle height", "mm", (15.5, 15.5, 15.0, 14.5, 15.0, 17.0, 20.0), PANJABI, "MEM-c")
TRANSVERSE_SPAN = _vertebrae(
    "transverse process span", "mm", (50.0, 71.0, 76.0, 86.0, 79.0, 88.0, 104.0), PANJABI, "MEM-c"
)
LAMINA_THICKNESS = _vertebrae("lamina thickness", "mm", (5.5, 6.0, 6.0, 6.2, 6.2, 5.8, 5.0), OWN, "CHOICE")
LAMINA_UPPER_EDGE = _vertebrae(
    "lamina's upper edge below the upper end plate",
    "mm",
    (10.5, 10.5, 10.5, 10.5, 10.5, 10.5, 14.0),
    "Ebraheim et al., Surg Neurol 1997;48:232-236: 10-11 mm L1-L5, 14 mm S1; T12 our choice",
    "READ",
)
LAMINA_LOWER_EDGE = _vertebrae(
    "lamina's lower edge below the lower end plate",
    "mm",
    (1.5, 2.0, 1.5, 0.8, 0.0, 2.5, 20.0),
    "Ebraheim et al. 1997: 3 mm below to 9 mm above; the value within is our choice",
    "CHOICE",
)
SPINOUS_LENGTH = _vertebrae(
    "spinous process length behind the canal roof",
    "mm",
    (28.0, 31.0, 33.0, 34.0, 31.0, 24.0, 10.0),
    "L3 longest, L5 shortest (Tokgoz et al. 2014, READ); the numbers are our choice",
    "CHOICE",
)
SPINOUS_HEIGHT = _vertebrae(
    "spinous process height",
    "mm",
    (22.0, 23.0, 23.5, 23.0, 20.5, 16.0, 18.0),
    "L5 smallest (Tokgoz et al. 2014, READ); the numbers are our choice",
    "CHOICE",
)

DISC_HEIGHT = _levels("disc height at mid-depth", "mm", (6.5, 8.0, 9.5, 10.5, 11.0, 10.0), OWN, "CHOICE")
DISC_WEDGE = _levels("disc wedge (positive taller ventrally)", "deg", (1.0, 4.0, 6.0, 7.5, 11.0, 13.0), OWN, "CHOICE")
JOINT_ANGLE = _levels(
    "facet joint angle from the sagittal plane",
    "deg",
    (25.0, 25.0, 30.0, 35.9, 43.2, 49.4),
    "J Bone Joint Surg Br 94-B Supp X (2010): 35.9, 43.2, 49.4 at L3-4, L4-5, L5-S1 (READ); above them our choice",
    "READ",
)
JOINT_LATERAL = _levels("joint centre from the midline", "mm", (13.2, 13.6, 14.6, 16.4, 18.2, 19.2), OWN, "CHOICE")
JOINT_DORSAL = _levels(
    "joint centre behind the disc's dorsal border", "mm", (16.5, 17.0, 17.0, 17.0, 16.8, 16.0), OWN, "CHOICE"
)
JOINT_WIDTH = _levels(
    "joint width in the axial plane",
    "mm",
    (12.0, 13.0, 14.0, 15.0, 16.0, 16.5),
    "Panjabi et al., Spine 1993;18:1298-1310: facet width 9.6-16.3 over C3-L5 (READ); per level our choice",
    "CHOICE",
)
JOINT_HEIGHT = _levels(
    "joint height",
    "mm",
    (11.5, 13.0, 13.6, 13.6, 13.0, 12.4),
    "Panjabi et al. 1993: facet height 10.2-18.4 over C3-L5 (READ); per level our choice",
    "CHOICE",
)
TREFOIL = _levels("inward reach of normal facets into the canal", "mm", (0.6, 0.8, 1.0, 1.4, 1.8, 2.2), OWN, "CHOICE")
FLAVUM_THICKNESS = _levels(
    "ligamentum flavum thickness",
    "mm",
    (3.0, 3.0, 3.19, 3.38, 3.71, 3.64),
    "Khasawneh et al., Folia Morphol 2023;82:72-78: 3.19, 3.38, 3.71, 3.64 at L2-3..L5-S1 (READ); above our choice",
    "READ",
)


RENAMED: Mapping[int, Mapping[str, str]] = {
    4: {"L4": "L5", "L3": "L4", "L2": "L3", "L1-L3": "L2-L3"},
    5: {},
    6: {"L6": "L5", "L5": "L4", "L4-L4": "L3-L4"},
}
"""Number of lumbar vertebrae -> whose sizes one takes; the last is sized like an L5, a level of unlike neighbours
(both sized L4, or L1 and L3) takes the row named."""


def size_key(name: str, lumbar_count: int) -> str:
    """The table row for a vertebra or level of a spine.

    >>> size_key("L5-L6", 6), size_key("L4-S1", 4), size_key("L4-S1", 5)
    ('L4-L5', 'L5-S1', 'L4-S1')
    """
    renamed = RENAMED[lumbar_count]
    key = "-".join(renamed.get(part, part) for part in name.split("-"))
    return renamed.get(key, key) if "-" in key else key
