"""Grades by fluid and rootlets on drawn examples of their definitions; withheld where rootlets cannot be seen."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import ndimage

from canalwise.recon.anatomy import Frame
from canalwise.recon.grid import Grid
from canalwise.recon.labels import Tissue
from canalwise.recon.level.sac_contents import brightness_of_scan, contents_of
from canalwise.recon.measurement.kinds import KINDS, measured
from canalwise.recon.morphological_grades import FAT, FLUID, SPREAD, WITHHELD, grades_sentence, morphological_grades
from canalwise.recon.scan import ACQUIRED, Scan

GRID = Grid((60, 70, 40), np.array([[0.7, 0, 0, -21.0], [0, 0.7, 0, -25.0], [0, 0, 0.7, -14.0], [0, 0, 0, 1]]))
FRAME = Frame(np.zeros(3), np.diag([-1.0, -1.0, 1.0]))
PLACE = (FRAME, np.zeros(3), np.eye(3)[:2])

DARK, MUSCLE, MARROW, ROOT, BRIGHT_FAT, WATER = 5.0, 60.0, 180.0, 200.0, 210.0, 520.0
"""Signals of `phantoms.imaging.mr_signal` at usual times, rounded."""


def drawn(filling: str, fat: bool, pixel_mm: float = 0.7) -> tuple[Scan, np.ndarray]:
    """A sac 16 by 11 mm: fluid alone at the ends of the level, in its middle as a definition says."""
    x, y, z = np.moveaxis(GRID.voxel_centres_mm(), -1, 0)
    sac = (x / 8) ** 2 + (y / 5.5) ** 2 < 1
    labels = np.where(sac, Tissue.SAC, Tissue.SOFT).astype(np.uint16)
    labels[(np.abs(x) < 6) & (y < -5.0) & (y > -11) & ~sac] = Tissue.CANAL  # dorsal is -y in RAS
    labels[y > 9] = 2201
    labels[np.abs(x) > 14] = 2206
    values = np.where(labels == 2201, MARROW, np.where(labels == 2206, DARK, MUSCLE)).astype(float)
    values[labels == Tissue.CANAL] = BRIGHT_FAT if fat else DARK
    values[sac] = WATER
    pitch = np.hypot((x + 20) % 2.1 - 1.05, (y + 20) % 2.1 - 1.05)
    middle = sac & (np.abs(z) < 8)
    if filling == "dorsal rootlets":
        values[middle & (pitch < 0.7) & (y < 0)] = ROOT
    elif filling == "rootlets throughout":
        values[middle] = ROOT
        values[middle & (pitch > 1.05)] = WATER
    elif filling == "one bundle":
        values[middle] = ROOT
    noise = np.random.default_rng(3).normal(0, 8.0, values.shape)
    blurred = ndimage.gaussian_filter(values, 0.4 * pixel_mm / 0.7)
    provenance = {ACQUIRED: f"{pixel_mm} x {pixel_mm} x 4.0"}
    return Scan(np.abs(blurred + noise).astype(np.float32), GRID, "MR", provenance), labels


def test_quantities_are_those_measured():
    assert {FLUID, SPREAD, FAT} <= {kind.quantity for kind in KINDS.values()}


def grades(filling: str, fat: bool) -> dict[str, float]:
    scan, labels = drawn(filling, fat)
    brightness = brightness_of_scan(scan, labels)
    assert brightness is not None
    found = contents_of(scan, labels, PLACE, brightness)
    assert found is not None
    return dict(morphological_grades([m for key, v in found.percent.items() for m in measured(key, v)]))


@pytest.mark.parametrize(
    ("filling", "fat", "letter", "numbers"),
    [
        ("fluid", True, "A", "0"),
        ("dorsal rootlets", True, "A", "01"),
        ("rootlets throughout", True, "B", "2"),
        ("one bundle", True, "C", "3"),
        ("one bundle", False, "D", "3"),
    ],
)
def test_drawn_examples_get_the_grade_of_their_definition(filling, fat, letter, numbers):
    found = grades(filling, fat)
    assert max("ABCD", key=found.__getitem__) == letter
    assert max("0123", key=found.__getitem__) in numbers
    assert sum(found[g] for g in "ABCD") == pytest.approx(1.0, abs=0.02)
    assert sum(found[g] for g in "0123") == pytest.approx(1.0, abs=0.02)


def test_pixels_too_long_for_rootlets_or_no_t2_give_no_grade():
    scan, labels = drawn("rootlets throughout", True, pixel_mm=1.4)
    brightness = brightness_of_scan(scan, labels)
    assert brightness is not None
    assert contents_of(scan, labels, PLACE, brightness) is None
    assert grades_sentence(morphological_grades([])) == WITHHELD
    t1 = replace(scan, voxels=np.where(labels == Tissue.SAC, 60.0, scan.voxels).astype(np.float32))
    assert brightness_of_scan(t1, labels) is None
    assert brightness_of_scan(replace(scan, modality="CT"), labels) is None
