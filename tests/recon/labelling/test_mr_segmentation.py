"""A made-up MR built without label maps, against the phantom's truth; and pictures that are no lumbar spine."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from canalwise.phantoms.anatomy.spine import spine_of
from canalwise.phantoms.imaging.grids import natural_grid
from canalwise.phantoms.imaging.mr_examination import Coil, MagneticPatient, SliceStack, magnetic_patient, stack_of
from canalwise.phantoms.spec import SpineSpec
from canalwise.recon.anatomy import Anatomy
from canalwise.recon.case.anatomy_builder import anatomy_of
from canalwise.recon.errors import AnatomyNotFound
from canalwise.recon.examination.working_volume import working_volume
from canalwise.recon.grid import isotropic_grid
from canalwise.recon.image.morphology import nearest_on
from canalwise.recon.intake.reader import read_scan
from canalwise.recon.labelling.mr_sac import interruptions, sac_of
from canalwise.recon.labels import Part, Tissue, bone_mask, canal_mask, label_of
from canalwise.recon.level.resampled_level import local_view
from canalwise.recon.level.sac_sections import narrowest_mm2
from canalwise.recon.level.unresolved import RECESS_WITHHELD
from canalwise.recon.measurement.kinds import NARROWEST_SAC
from canalwise.recon.modality import FROM_MR_ALONE
from canalwise.recon.scan import Scan

CANAL_DICE, BODY_DICE, SAC_AREA_TOL = 0.85, 0.85, 0.2
"""What slices 3 mm apart must give at least: a wrong structure has far less, a voxel's shift far more."""


@pytest.fixture(scope="module")
def patient() -> MagneticPatient:
    """One level, painted on 1 mm."""
    grid = natural_grid(SpineSpec(), 1.0, ("L3-L4",), half_width_mm=36.0)
    return magnetic_patient(spine_of(SpineSpec()), grid)


@pytest.fixture(scope="module")
def scan(patient: MagneticPatient) -> Scan:
    """A sagittal stack of it, on working voxels."""
    voxels, grid = stack_of(patient, SliceStack(0, 3.0, 3.0, 1.0), Coil(10.0, 250.0, 1))
    return working_volume(Scan(voxels, grid, "MR"))


@pytest.fixture(scope="module")
def anatomy(scan: Scan) -> Anatomy:
    return anatomy_of(scan, vertebrae=("L3", "L4"))


def dice(found: np.ndarray, truth: np.ndarray) -> float:
    return float(2 * (found & truth).sum() / max(found.sum() + truth.sum(), 1))


def test_canal_and_bodies_lie_where_they_are(anatomy: Anatomy, patient: MagneticPatient) -> None:
    found = nearest_on(patient.grid, anatomy.labels, anatomy.grid)
    bodies = [bone_mask(labels) & (labels % 100 == Part.BODY) for labels in (found, patient.labels)]
    assert dice(*bodies) >= BODY_DICE
    layers = bodies[0].any(axis=(0, 1))
    assert dice(canal_mask(found)[:, :, layers], canal_mask(patient.labels)[:, :, layers]) >= CANAL_DICE


def test_sac_is_measured_graded_and_near_the_truth(anatomy: Anatomy, patient: MagneticPatient) -> None:
    level = anatomy.level("L3-L4")
    area = next(m for m in level.measurements if m.name == NARROWEST_SAC)
    nothing = np.zeros(patient.labels.shape, np.float32)
    truth = narrowest_mm2(local_view(patient.labels, nothing, patient.grid, level.frame, ("L3", "L4")), -15.0, 15.0)
    assert area.value == pytest.approx(truth, rel=SAC_AREA_TOL)
    assert area.band
    assert "sac measured" in area.source


def test_fat_between_the_halves_of_the_ligament_is_not_ligament() -> None:
    from canalwise.recon.labelling.mr_contents import _fat_in, _fat_value

    ligament = np.zeros((30, 30, 20), dtype=bool)
    ligament[5:25, 5:15] = True
    values = np.where(ligament, 10.0, 200.0).astype(np.float32)
    values[12:18, 10:15] = 200.0  # the triangle of fat
    values[5:25, 5] = 200.0  # a rim one voxel thick shared with what is bright beside it
    epidural = np.zeros_like(ligament)
    epidural[5:25, 20:28] = True
    fat = _fat_in(ligament, values, _fat_value(ligament, epidural, values))
    assert fat[12:18, 10:15].all()
    assert not fat[5:12, 5:15].any()
    assert _fat_value(ligament, epidural, np.full_like(values, 10.0)) == np.inf


@pytest.mark.parametrize(("fluid", "interrupted"), [(200.0, True), (20.0, False)])
def test_a_sac_as_dark_as_ligament_is_pressed_shut_on_a_t2(fluid: float, interrupted: bool) -> None:
    """On a T1, where fluid is no brighter than marrow, darkness says nothing."""
    labels = np.zeros((20, 20, 30), dtype=np.uint16)
    labels[:, :6] = label_of("L3", Part.BODY)
    frac = np.zeros(labels.shape, dtype=np.float32)
    frac[5:15, 8:16] = 0.9
    values = np.where(frac > 0, fluid, 60.0).astype(np.float32)
    values[:, :2] = 5.0  # cortex
    values[5:15, 8:16, 12:18] = 10.0
    found = sac_of(frac, values, labels, np.zeros_like(frac, bool), 1.0)
    assert found[10, 10, 11]
    assert found[10, 10, 15] != interrupted
    assert interruptions(found, isotropic_grid((0, 0, 0), (19, 19, 29), 1.0)) == ([(12.0, 17.0)] if interrupted else [])


@pytest.mark.parametrize(("fluid", "settled_mm"), [(200.0, 4), (200.0, 8), (20.0, 4)])
def test_what_is_dark_between_fluid_and_fat_is_sac_on_a_t2(fluid: float, settled_mm: int) -> None:
    """Roots settle on the back of the sac; fat lies on the dura, so in front of it there is no ligament."""
    labels = np.full((20, 30, 20), Tissue.CANAL, dtype=np.uint16)
    labels[:, 24:] = label_of("L3", Part.BODY)
    frac = np.zeros(labels.shape, dtype=np.float32)
    frac[5:15, 14:22] = 0.9
    fat = np.zeros(labels.shape, dtype=bool)
    fat[7:13, : 14 - settled_mm] = True
    values = np.where(fat, 100.0, np.where(frac > 0, fluid, 30.0)).astype(np.float32)
    values[:, 28:] = 5.0  # cortex
    found = sac_of(frac, values, labels, fat, 1.0)
    before_fat = found[7:13, 14 - settled_mm : 14]
    assert before_fat.all() if (fluid, settled_mm) == (200.0, 4) else not before_fat.any()
    assert not found[:7, :14].any()
    assert not (found & fat).any()


def test_a_canal_without_fluid_is_severe_whatever_the_network_bridges(data_dir: Path) -> None:
    """A real T2 whose canal is made as dark as ligament over a centimetre; the network sees a sac through it."""
    whole = working_volume(read_scan(data_dir / "mr_t2_crop_canal_label" / "t2.nii.gz", modality="MR"))
    plain = anatomy_of(whole, vertebrae=("L2", "L3", "L4"))
    height = plain.level("L2-L3").frame.to_level_mm(whole.grid.voxel_centres_mm())[..., 2]
    dark = float(np.percentile(whole.voxels[plain.labels == Tissue.FLAVUM], 30))
    shut = np.where(canal_mask(plain.labels) & (np.abs(height) < 6.0), dark, whole.voxels).astype(np.float32)
    found = anatomy_of(replace(whole, voxels=shut), vertebrae=("L2", "L3", "L4"))
    areas = {m.value for m in found.level("L2-L3").measurements if "dural sac area" in m.name}
    assert max(areas) < 20.0
    assert any("No fluid is seen in the dural sac" in sentence for sentence in found.warnings)
    assert not any("No fluid is seen" in sentence for sentence in plain.warnings)


def test_it_says_what_it_rests_on(anatomy: Anatomy) -> None:
    assert anatomy.warnings[0] == FROM_MR_ALONE
    assert (anatomy.sources["sac"], anatomy.sources["flavum"]) == ("measured", "measured")
    assert anatomy.longest_voxel_mm == pytest.approx(3.0)
    assert (anatomy.labels == Tissue.FLAVUM).any()
    # slices of 3 mm blur the ligament: its thickness is stated, not graded
    thick = [m for m in anatomy.level("L3-L4").measurements if m.name == "ligamentum flavum thickness"]
    assert thick
    assert all(m.band == "" and "too thick to grade" in m.source for m in thick)
    # the slices do not resolve a joint gap of 1 to 2 mm: no number of a joint is stated
    structures = {m.structure for m in anatomy.level("L3-L4").measurements}
    assert not any("facet joint" in name for name in structures)
    # bone over a recess is as dark as the ligament
    assert not any("lateral recess" in name for name in structures)
    assert any(RECESS_WITHHELD in sentence for sentence in anatomy.level("L3-L4").warnings)


def test_names_are_asked_where_no_sacrum_is_in_view(scan: Scan) -> None:
    from canalwise.recon.labelling.mr_segmentation import segment_mr

    found = segment_mr(scan)
    assert not found.naming.confirmed
    assert "--levels" in found.naming.question


@pytest.mark.parametrize("axis", [1, pytest.param(2, marks=pytest.mark.thorough)])
def test_a_spine_turned_over_is_refused(scan: Scan, axis: int) -> None:
    turned = replace(scan, voxels=np.ascontiguousarray(np.flip(scan.voxels, axis)))
    with pytest.raises(AnatomyNotFound, match="the MR must show"):
        anatomy_of(turned)


def test_what_is_no_spine_is_refused_and_nothing_is_left(tmp_path: Path) -> None:
    from canalwise.workbench.commands.main import main
    from tests.recon.scans import write_nifti_file

    rng = np.random.default_rng(4)
    x, y, _ = np.meshgrid(*(np.linspace(-1, 1, n) for n in (40, 64, 64)), indexing="ij")
    knee = np.where(x**2 + y**2 < 0.3, 300, np.where(x**2 + y**2 < 0.8, 120, 5)) + rng.normal(0, 8, x.shape)
    file = write_nifti_file(tmp_path / "knee.nii.gz", np.abs(knee).astype(np.int16), np.diag([2.0, 1.5, 1.5, 1.0]))
    assert main(["build", str(file), "--modality", "MR", "--out", str(tmp_path / "case")]) == 3
    assert not (tmp_path / "case").exists()
