"""What CT and MR can show, and that nothing else in the code asks for a modality by name."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from canalwise.recon.bone.occupancy import bone_model, occupancy_within
from canalwise.recon.errors import UnusableInput, WrongUse
from canalwise.recon.grid import Grid
from canalwise.recon.image.implants import metal_of
from canalwise.recon.image.reconstruction_circle import unpadded
from canalwise.recon.image.skin import with_soft_tissue
from canalwise.recon.modality import CT, MODALITIES, MR
from canalwise.recon.scan import Scan

ROOT = Path(__file__).resolve().parents[2]

BY_NAME = re.compile(r'modality\s*(?:!=|==)\s*"(?:CT|MR)"')
READERS = ("recon/dicom", "phantoms/imaging/write.py")
"""What reads and writes files speaks of the attribute Modality itself (DICOM PS3.3 C.7.3.1.1.1)."""


def scan(modality: str, value: int = 3000) -> Scan:
    return Scan(np.full((6, 6, 6), value, dtype=np.int16), Grid((6, 6, 6), np.eye(4)), modality)  # type: ignore[arg-type]


def test_values_of_ct_are_hounsfield_units_and_those_of_mr_are_not():
    # DICOM PS3.3 C.8.2.1: Rescale Type of a CT is HU; an MR has none
    assert (CT.unit, CT.calibrated) == ("HU", True)
    assert (MR.unit, MR.calibrated) == ("", False)
    assert {name: one.name for name, one in MODALITIES.items()} == {"CT": "CT", "MR": "MR"}
    assert scan("MR").kind is MR


@pytest.mark.parametrize(("task", "error"), [("bone by density", UnusableInput), ("radiograph", WrongUse)])
def test_mr_refuses_what_ct_can_do(task, error):
    CT.check(task)
    with pytest.raises(error, match="CT"):
        MR.check(task)


def test_bone_is_not_sought_in_an_mr_by_its_values():
    with pytest.raises(UnusableInput, match=r"must be a CT to find bone by its density \(got 'MR'\)\. Build it as"):
        bone_model(scan("MR"))


def test_thresholds_are_not_applied_to_an_mr():
    mr, solid = scan("MR"), np.ones((6, 6, 6), dtype=bool)
    labels = np.zeros((6, 6, 6), dtype=np.uint16)
    assert metal_of(mr) is None
    assert metal_of(scan("CT")) is not None
    assert unpadded(mr) is mr
    assert with_soft_tissue(labels, mr) is labels
    assert occupancy_within(solid, mr).min() == 1.0


def test_an_mr_is_drawn_by_its_own_values():
    values = np.arange(101.0)
    assert MR.display_window(values) == (1.0, 99.0)
    assert CT.display_window(values) == (-150.0, 900.0)
    assert (CT.outside_value(values), MR.outside_value(values)) == (-1000.0, 0.0)


def test_no_other_module_asks_for_a_modality_by_name():
    places = [
        f"{path.relative_to(ROOT)}: {found[0]}"
        for package in ("recon", "estimator", "workbench", "phantoms")
        for path in sorted((ROOT / package).rglob("*.py"))
        if not str(path.relative_to(ROOT)).startswith(READERS)
        for found in BY_NAME.finditer(path.read_text())
    ]
    assert places == []
