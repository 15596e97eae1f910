"""Standard deviations of execution errors by guidance and experience: every number a record with its source.

Published means are radial, of errors in two directions that are alike: each direction's standard deviation is the mean
over 1.253 (the mean of a Rayleigh distribution). No figure for docking an endoscope at an interlaminar window could be
read anywhere: the numbers are those of screws, drills and needles at the spine, or judgement, as each record says.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Literal, get_args

from canalwise.estimator.limits import Limit
from canalwise.recon.errors import WrongUse
from canalwise.recon.evidence import EvidenceClass

Guidance = Literal["navigated", "fluoroscopy", "free-hand"]
"""How the path to the bone is found; with fluoroscopy the docking is felt on bone."""

Experience = Literal["expert", "trainee"]

GUIDANCES: tuple[Guidance, ...] = get_args(Guidance)
EXPERIENCES: tuple[Experience, ...] = get_args(Experience)

USUAL: tuple[Guidance, Experience] = ("fluoroscopy", "expert")
"""What is assumed where nothing is said."""

DRILLED = "80 screws in L2 models, listing page of a drill-guide study, authors not shown"
BURRED = "remaining lamina after a burr, IQR 0.38 mm, SD about 0.28 (Neurosurg Focus 2022;52(1):E11)"
HELD = "held in the position's figure, which was measured against the plan"
MOVES = "plan against patient, each axis; assumption (vertebrae move by 1.6 to 2.0 mm, PMC6686387)"
FELT = "docking felt on bone, each of two directions at the bone; judgement"
BY_SIGHT = (
    "aim at what is seen, each of two directions at the tip, each line anew; assumption, held against the spread of "
    "facet kept, SD 4 to 6 points (Papavero 2021), by scripts/accuracy_resection_intervals.py"
)

_Row = tuple[float, str, EvidenceClass]


def _records(entry: _Row, tilt: _Row, depth: _Row, registration: _Row, sight: _Row) -> Mapping[str, Limit]:
    return MappingProxyType({
        "entry_sd_mm": Limit(entry[0], "mm", entry[1], entry[2]),
        "medial_tilt_sd_deg": Limit(tilt[0], "deg", tilt[1], tilt[2]),
        "cranial_tilt_sd_deg": Limit(tilt[0], "deg", tilt[1], tilt[2]),
        "depth_sd_mm": Limit(depth[0], "mm", depth[1], depth[2]),
        "registration_sd_mm": Limit(registration[0], "mm", registration[1], registration[2]),
        "sight_sd_mm": Limit(sight[0], "mm", sight[1], sight[2]),
    })  # fmt: skip


PRESETS: Mapping[tuple[Guidance, Experience], Mapping[str, Limit]] = MappingProxyType({
    ("navigated", "expert"): _records(
        (1.2, "radial means 1.3 (J Orthop Trauma 2005;19:317), 1.59 (drill guide) and 1.9 mm (CT-fluoroscopy) "
              "over 1.253, about their middle", "CALC"),
        (1.5, "radial means 0.4 (Eur J Radiol 2013;82:627), 1.3 (Korean J Radiol 2015;16:729) and 2.72 deg (drill "
              "guide) over 1.253, about their middle", "CALC"),
        (0.4, f"{BURRED}; with what a tool adds, judgement", "PRACTICE"),
        (0.0, HELD, "PRACTICE"),
        (0.8, BY_SIGHT, "PRACTICE"),
    ),
    ("navigated", "trainee"): _records(
        (1.4, f"radial mean 1.73 mm over 1.253, novices with a guide ({DRILLED})", "CALC"),
        (2.3, f"radial mean 2.87 deg over 1.253, novices with a guide ({DRILLED})", "CALC"),
        (1.0, "judgement: more than twice an expert's", "PRACTICE"),
        (0.0, HELD, "PRACTICE"),
        (1.5, f"{BY_SIGHT}; a novice's is taken to be 1.8 times an expert's, as free-hand positions are", "PRACTICE"),
    ),
    ("fluoroscopy", "expert"): _records(
        (1.5, FELT, "PRACTICE"),
        (3.5, f"radial mean 4.41 deg over 1.253, experts free hand ({DRILLED})", "CALC"),
        (0.4, f"{BURRED}; with what a tool adds, judgement", "PRACTICE"),
        (0.7, MOVES, "PRACTICE"),
        (0.8, BY_SIGHT, "PRACTICE"),
    ),
    ("fluoroscopy", "trainee"): _records(
        (2.1, f"{FELT}: between what novices add with a guide and free hand", "PRACTICE"),
        (5.7, f"radial mean 7.15 deg over 1.253, novices free hand ({DRILLED})", "CALC"),
        (1.0, "judgement: more than twice an expert's", "PRACTICE"),
        (0.7, MOVES, "PRACTICE"),
        (1.5, f"{BY_SIGHT}; a novice's is taken to be 1.8 times an expert's, as free-hand positions are", "PRACTICE"),
    ),
    ("free-hand", "expert"): _records(
        (2.3, f"radial mean 2.88 mm over 1.253, experts free hand ({DRILLED})", "CALC"),
        (3.5, f"radial mean 4.41 deg over 1.253, experts free hand ({DRILLED})", "CALC"),
        (0.5, f"{BURRED}; with what a tool adds, judgement", "PRACTICE"),
        (0.0, HELD, "PRACTICE"),
        (0.8, BY_SIGHT, "PRACTICE"),
    ),
    ("free-hand", "trainee"): _records(
        (4.2, f"radial mean 5.25 mm over 1.253, novices free hand ({DRILLED})", "CALC"),
        (5.7, f"radial mean 7.15 deg over 1.253, novices free hand ({DRILLED})", "CALC"),
        (1.0, "judgement: more than twice an expert's", "PRACTICE"),
        (0.0, HELD, "PRACTICE"),
        (1.5, f"{BY_SIGHT}; a novice's is taken to be 1.8 times an expert's, as free-hand positions are", "PRACTICE"),
    ),
})  # fmt: skip
"""Standard deviations of normal errors of mean 0, by guidance and experience."""


def preset_records(guidance: str, experience: str) -> Mapping[str, Limit]:
    """The records of a guidance and an experience by name.

    Raises
    ------
    WrongUse : a name that is not among GUIDANCES or EXPERIENCES

    >>> preset_records("navigated", "trainee")["entry_sd_mm"].value
    1.4
    """
    for words, name, known in (("guidance", guidance, GUIDANCES), ("experience", experience, EXPERIENCES)):
        if name not in known:
            raise WrongUse(f"'{words}'", f"must be one of {', '.join(known)}", got=name)
    return next(records for names, records in PRESETS.items() if names == (guidance, experience))
