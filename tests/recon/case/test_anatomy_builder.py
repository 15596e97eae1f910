"""The whole path from a scan with given labels to the anatomy."""

from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from canalwise.recon.anatomy import Anatomy
from canalwise.recon.case.anatomy_builder import anatomy_of
from canalwise.recon.errors import LevelNotInView
from canalwise.recon.grid import Grid
from canalwise.recon.intake.label_maps import GivenLabels, read_given_labels
from canalwise.recon.intake.reader import read_scan
from canalwise.recon.labels import Part, Tissue, bone_mask, label_of
from canalwise.recon.scan import Scan
from tests.recon.shapes import case

NAMES = Path(__file__).parents[1] / "intake" / "label_names_example.toml"


def scan_of_shapes() -> tuple[Scan, GivenLabels]:
    _, labels, share, grid = case("plain")
    hu = np.rint(40 + 660 * share).astype(np.int16)
    return Scan(hu, grid, "CT"), GivenLabels(labels, frozenset({"vertebrae", "parts", "canal", "discs", "soft"}))


def test_given_labels_enter_where_they_belong() -> None:
    scan, given = scan_of_shapes()
    steps: list[str] = []
    anatomy = anatomy_of(scan, given=given, progress=steps.append)
    assert [level.name for level in anatomy.levels] == ["L3-L4"]
    given_names, modelled_names = ("vertebrae", "parts", "canal", "levels"), ("sac", "flavum")
    assert dict(anatomy.sources) == dict.fromkeys(given_names, "given") | dict.fromkeys(modelled_names, "modelled")
    kept = bone_mask(given.labels)
    assert (anatomy.labels[kept] == given.labels[kept]).all()
    assert (anatomy.labels == Tissue.SAC).any()
    assert len(steps) >= 4
    sac = next(m for m in anatomy.levels[0].measurements if m.name == "dural sac area")
    assert sac.source.startswith("sac modelled")


def test_a_large_scan_is_cut_down_to_the_spine_with_its_labels() -> None:
    scan, given = scan_of_shapes()
    wide = [(60, 60), (60, 60), (0, 0)]
    labels = np.pad(given.labels, wide)
    hu: npt.NDArray[np.int16] = np.pad(scan.voxels.astype(np.int16), wide, constant_values=-1000)
    affine = scan.grid.affine_ras_mm.copy()
    affine[:3, 3] = scan.grid.world_mm([-60, -60, 0])
    large = Scan(hu, Grid(hu.shape, affine), "CT")
    anatomy = anatomy_of(large, given=GivenLabels(labels, given.named))
    alone = anatomy_of(scan, given=given)
    assert anatomy.labels.size < 0.8 * labels.size
    assert bone_mask(anatomy.labels).sum() == bone_mask(labels).sum()
    assert large.on(anatomy.grid).grid.same_as(anatomy.grid)
    np.testing.assert_allclose(anatomy.levels[0].frame.matrix_ras, alone.levels[0].frame.matrix_ras, atol=0.1)


def test_one_vertebra_is_no_level() -> None:
    scan, given = scan_of_shapes()
    alone = np.where(given.labels // 100 == label_of("L4", Part.BODY) // 100, 9, given.labels).astype(np.uint16)
    with pytest.raises(LevelNotInView, match="two neighbouring vertebrae"):
        anatomy_of(scan, given=GivenLabels(alone, given.named))


@pytest.fixture(scope="module")
def crop(data_dir: Path) -> tuple[Scan, Anatomy]:
    """A real scan at 1.5 mm and its anatomy from labels made elsewhere."""
    folder = data_dir / "ct_lumbar_crop_1p5mm"
    scan = read_scan(folder / "ct.nii.gz")
    given = read_given_labels([folder / "vertebrae.nii.gz", folder / "parts.nii.gz"], NAMES, scan.grid)
    return scan, anatomy_of(scan, given=given)


def test_real_crop_with_given_parts(crop: tuple[Scan, Anatomy]) -> None:
    _, anatomy = crop
    assert [level.name for level in anatomy.levels] == ["L2-L3", "L3-L4"]
    for level in anatomy.levels:
        assert set(level.joints) == set(level.windows) == {"left", "right"}
        # x is the patient's left: RAS x falls along it
        assert level.frame.axes_ras[0, 0] < -0.95
        for measurement in level.measurements:
            low, high = RANGES.get(measurement.name, (-np.inf, np.inf))
            assert low <= measurement.value <= high, measurement


def test_real_crop_joints_from_the_ct_alone_agree_with_those_of_given_labels(crop: tuple[Scan, Anatomy]) -> None:
    scan, known = crop
    found = anatomy_of(scan, vertebrae=("L2", "L3", "L4"))
    for one, other in zip(known.levels, found.levels, strict=True):
        assert set(other.joints) == {"left", "right"}, other.name
        for side, joint in other.joints.items():
            # the processes touch at 1.5 mm in both label maps: the image has the joint's line and gap
            assert joint.angle_deg == pytest.approx(one.joints[side].angle_deg, abs=5.0)
            assert joint.gap_mm == pytest.approx(one.joints[side].gap_mm, abs=0.3)
            assert 0.5 < joint.gap_mm < 2.5
        areas = [
            [m.value for m in level.measurements if m.name == "canal area" and m.structure != "canal of L2"]
            for level in (one, other)
        ]
        assert areas[1] == pytest.approx(areas[0], rel=0.08)


RANGES = {
    # docs/published-values.md#canal: Egyptian CT series 2013 (n=300), interpedicular 17.0-43.4 mm
    "interpedicular distance": (17.0, 43.4),
    # docs/published-values.md#facets: facet angles 35.9 +/- 7.4 at L3-L4 (J Bone Joint Surg Br 94-B Supp X), 3 SD
    "facet angle from sagittal plane": (13.7, 58.1),
    # docs/published-values.md#lamina-and-window: lamina thickness must be 2-10 mm (Spine 1999;24:107-113)
    "lamina thickness": (2.0, 10.0),
}
"""Published ranges that a real spine must keep."""
