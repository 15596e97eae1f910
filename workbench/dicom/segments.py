"""Segments of a label map: numbers, names, colours, and the codes by which other programs know them.

Codes are SNOMED CT as DICOM lists them (PS3.16 CID 7151, 6115); where it lists none, our own label and name are the
code, under the designator 99CANALWISE (private schemes begin with 99, PS3.16 section 8).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from canalwise.recon.labels import Labels, Part, Tissue, label_names, vertebra_name
from canalwise.workbench.dicom.identity import OWN_SCHEME
from canalwise.workbench.style.palette import CANAL, DISC, LIGAMENT, PALE_BONE, REMOVED, SAC

Code = tuple[str, str, str]
"""Value, designator, meaning."""

ANATOMY: Code = ("123037004", "SCT", "Anatomical Structure")
PLANNED: Code = ("site", OWN_SCHEME, "Planned site of surgery")

VERTEBRA_CODES: Mapping[str, str] = {
    "T1": "64864005", "T2": "53733008", "T3": "1626008", "T4": "73071006", "T5": "56401006", "T6": "45296009",
    "T7": "62487009", "T8": "11068009", "T9": "82687006", "T10": "7610001", "T11": "12989004", "T12": "23215003",
    "L1": "66794005", "L2": "14293000", "L3": "36470004", "L4": "11994002", "L5": "49668003", "S1": "54735007",
}  # fmt: skip

PART_CODES: Mapping[str, tuple[str, str]] = {
    "PEDICLE": ("78972004", "Pedicle of vertebra"),
    "LAMINA": ("89340005", "Lamina of vertebra"),
    "SPINOUS": ("55678000", "Spinous process of vertebra"),
    "SUPERIOR": ("317665004", "Superior articular process of vertebra"),
    "INFERIOR": ("317766009", "Inferior articular process of vertebra"),
    "TRANSVERSE": ("73400003", "Transverse process of vertebra"),
}

TISSUE_CODES: Mapping[int, Code] = {
    Tissue.CANAL: ("61853006", "SCT", "Vertebral canal"),
    Tissue.SOFT: ("87784001", "SCT", "Soft tissue"),
}

COLOURS: Mapping[int, str] = {Tissue.CANAL: CANAL, Tissue.SAC: SAC, Tissue.FLAVUM: LIGAMENT, Tissue.ROOT: "#9ccbff",
                              Tissue.CALCIFIED: REMOVED, Tissue.SOFT: "#9aa5ae"}  # fmt: skip
DISC_COLOUR = DISC


@dataclass(frozen=True)
class NamedSegment:
    """One segment.

    Parameters
    ----------
    number : in the object
    name : as in a file of label names
    kind : its category
    code : what it is
    region : which vertebra, where it is part of one
    colour : '#rrggbb'
    """

    number: int
    name: str
    kind: Code
    code: Code
    region: Code | None
    colour: str


def segments_in(labels: Labels) -> tuple[NamedSegment, ...]:
    """A segment for each label there is, numbered by the label itself.

    >>> [(s.number, s.name, s.code[2]) for s in segments_in(np.array([0, 2, 2206], np.uint16))]
    [(2, 'sac', 'sac'), (2206, 'L3 lamina left', 'Lamina of vertebra')]
    """
    return tuple(_segment(int(label)) for label in np.unique(labels) if label != Tissue.OUTSIDE)


def whole_vertebra(number: int) -> NamedSegment:
    """The segment of a vertebra as a whole, numbered as bone of unknown part.

    >>> whole_vertebra(22).number, whole_vertebra(22).name, whole_vertebra(22).code[0]
    (2220, 'L3', '36470004')
    """
    name = vertebra_name(number)
    return NamedSegment(100 * number + Part.UNDIVIDED, name, ANATOMY, vertebra_code(name), None, PALE_BONE)


def vertebra_code(name: str) -> Code:
    """The code of a vertebra.

    >>> vertebra_code("S1")[2], vertebra_code("L4")[2]
    ('Sacrum', 'L4 vertebra')
    """
    value = VERTEBRA_CODES.get(name)
    meaning = "Sacrum" if name == "S1" else f"{name} vertebra"
    return (name, OWN_SCHEME, meaning) if value is None else (value, "SCT", meaning)


def _segment(label: int) -> NamedSegment:
    name = label_names()[label]
    if label < 100:
        code = TISSUE_CODES.get(label, (str(label), OWN_SCHEME, name))
        return NamedSegment(label, name, ANATOMY, code, None, COLOURS[label])
    vertebra, part = vertebra_name(label // 100), Part(label % 100)
    colour = DISC_COLOUR if part == Part.DISC else PALE_BONE
    value, meaning = PART_CODES.get(part.name.partition("_")[0], ("", ""))
    code = (value, "SCT", meaning) if value else (str(label), OWN_SCHEME, name)
    return NamedSegment(label, name, ANATOMY, code, vertebra_code(vertebra), colour)
