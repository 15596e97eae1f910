"""What each imaging modality can show, and what it refuses: the one place that knows CT from MR.

A CT's values are calibrated in Hounsfield units, so bone, calcium, metal and air are found by thresholds. MR has no
calibrated values: what needs a threshold is left out, or refused with a message; its structures are what a network
takes them for, or come with a label map. Another modality is added by one record here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from canalwise.recon.errors import CanalwiseError, UnusableInput, WrongUse

ModalityName = Literal["CT", "MR"]
"""Names of the modalities, as DICOM writes them (PS3.3 C.7.3.1.1.1)."""

Task = Literal["bone by density", "radiograph"]
"""What a modality may refuse."""

Shows = Literal["bone", "soft tissue"]
"""What a modality shows without a label map."""

MR_ALONE_HEAD = "From MR alone:"
"""How FROM_MR_ALONE begins: a case built by another version words the rest otherwise."""

FROM_MR_ALONE = (
    f"{MR_ALONE_HEAD} angles and reach first, bone second: cortical bone, calcium and air are all dark on MR, so "
    "amounts of bone are rough, and an ossified ligament cannot be distinguished from a thick one without a CT."
)
"""What stands beside every number of a case that was made from an MR without labels."""

WINDOW_PERCENT = (1.0, 99.0)
"""Percentiles drawn black and white where values have no unit (choice)."""


@dataclass(frozen=True)
class Refusal:
    """The error raised for a task that a modality cannot do."""

    error: type[CanalwiseError]
    who: str
    rule: str
    do: str = ""


@dataclass(frozen=True)
class Modality:
    """An imaging modality.

    Parameters
    ----------
    name : as DICOM writes it
    unit : of its values; empty where they are arbitrary
    calibrated : may values be compared with absolute thresholds (bone, soft tissue, air, calcium, metal)?
    shows : what can be found in it without a label map
    window : values drawn black and white; None for percentiles of the scan's own values
    outside : value drawn beyond the scan; None for the scan's least value
    refusals : task -> why it cannot be done
    """

    name: ModalityName
    unit: str
    calibrated: bool
    shows: frozenset[Shows]
    window: tuple[float, float] | None = None
    outside: float | None = None
    refusals: Mapping[Task, Refusal] = field(default_factory=lambda: MappingProxyType({}))

    def check(self, task: Task) -> None:
        """Raises the modality's refusal of a task; returns where it can be done.

        >>> CT.check("radiograph")
        >>> MR.check("radiograph")
        Traceback (most recent call last):
        canalwise.recon.errors.WrongUse: a radiograph can be computed from CT only (got 'MR').
        """
        refusal = self.refusals.get(task)
        if refusal is not None:
            raise refusal.error(refusal.who, refusal.rule, got=self.name, do=refusal.do)

    def display_window(self, voxels: npt.NDArray[Any]) -> tuple[float, float]:
        """Values drawn black and white.

        >>> CT.display_window(np.zeros(3)), MR.display_window(np.arange(101.0))
        ((-150.0, 900.0), (1.0, 99.0))
        """
        if self.window is not None:
            return self.window
        low, high = np.percentile(voxels, WINDOW_PERCENT)
        return float(low), float(high)

    def outside_value(self, voxels: npt.NDArray[Any]) -> float:
        """Value drawn beyond the scan.

        >>> CT.outside_value(np.zeros(3)), MR.outside_value(np.array([3, 5]))
        (-1000.0, 3.0)
        """
        return float(voxels.min()) if self.outside is None else self.outside


BONE_WINDOW_HU = (-150.0, 900.0)
"""Black and white of a CT in the pictures (common practice for bone, no source)."""

AIR_HU = -1000.0
"""Air, by the definition of the unit."""

CT = Modality("CT", "HU", True, frozenset({"bone"}), window=BONE_WINDOW_HU, outside=AIR_HU)

MR = Modality(
    "MR",
    "",
    False,
    frozenset({"soft tissue"}),
    refusals=MappingProxyType(
        {
            "bone by density": Refusal(
                UnusableInput,
                "scan",
                "must be a CT to find bone by its density",
                "Build it as what it is, with --modality MR, or give label maps with --labels.",
            ),
            "radiograph": Refusal(WrongUse, "a radiograph", "can be computed from CT only"),
        }
    ),
)

MODALITIES: Mapping[str, Modality] = MappingProxyType({one.name: one for one in (CT, MR)})
"""Name -> modality."""
