"""Label maps made elsewhere: joined, checked, and refused when they would mislead."""

from pathlib import Path

import numpy as np
import pytest

from canalwise.recon.errors import BadFile, BadLabels, WrongUse
from canalwise.recon.grid import Grid
from canalwise.recon.intake.label_maps import read_given_labels, read_labels_alone
from canalwise.recon.intake.reader import read_scan
from canalwise.recon.labels import Part, label_of, vertebrae_in
from tests.recon.scans import UPRIGHT, write_nifti_file

EXAMPLE = Path(__file__).with_name("label_names_example.toml")
GRID = Grid((20, 24, 30), UPRIGHT)


def _names(folder, *tables: str) -> Path:
    path = folder / "names.toml"
    path.write_text('schema = "canalwise.label-names/1"\n' + "".join(f"[[file]]\n{table}\n" for table in tables))
    return path


def _two_vertebrae() -> np.ndarray:
    """L3 (1) above L4 (2), a gap between them."""
    values = np.zeros(GRID.shape, np.uint8)
    values[4:16, 4:20, 18:28] = 1
    values[4:16, 4:20, 2:12] = 2
    return values


def _parts() -> np.ndarray:
    """Left half (1), right half (2) of each vertebra, arch (3) at the back, and a disc (4) between them."""
    values = np.zeros(GRID.shape, np.uint8)
    values[4:10, 4:20], values[10:16, 4:20], values[4:16, 4:8] = 1, 2, 3
    values[(_two_vertebrae() == 0)] = 0
    values[4:16, 8:20, 12:18] = 4
    return values


VERTEBRAE, PARTS = '1 = "L3"\n2 = "L4"', '1 = "lamina left"\n2 = "lamina right"\n3 = "arch"\n4 = "disc"'


def _given(folder, maps, *tables):
    paths = [write_nifti_file(folder / f"{n}.nii.gz", values) for n, values in enumerate(maps)]
    return read_given_labels(paths, _names(folder, *tables), GRID)


def test_vertebrae_and_parts_join_voxel_by_voxel(tmp_path):
    given = _given(tmp_path, [_two_vertebrae(), _parts()], VERTEBRAE, PARTS)
    at = {(5, 10, 20): "L3", (5, 10, 5): "L4"}
    assert {i: given.labels[i] for i in at} == {i: label_of(name, Part.LAMINA_LEFT) for i, name in at.items()}
    assert given.labels[12, 10, 20] == label_of("L3", Part.LAMINA_RIGHT)
    assert given.labels[5, 5, 20] == label_of("L3", Part.UNDIVIDED)
    assert given.labels[0, 0, 0] == 0
    assert given.labels.dtype == np.uint16
    assert given.named == {"vertebrae", "parts", "discs"}
    assert given.warnings == ()


def test_a_disc_without_a_name_belongs_to_the_vertebra_above_it(tmp_path):
    given = _given(tmp_path, [_two_vertebrae(), _parts()], VERTEBRAE, PARTS)
    assert (given.labels[4:16, 8:20, 12:18] == label_of("L3", Part.DISC)).all()


def test_order_of_the_maps_does_not_matter_when_the_tables_follow(tmp_path):
    one = _given(tmp_path, [_two_vertebrae(), _parts()], VERTEBRAE, PARTS)
    other = _given(tmp_path, [_parts(), _two_vertebrae()], PARTS, VERTEBRAE)
    assert np.array_equal(one.labels, other.labels)


def test_one_map_may_say_all(tmp_path):
    values = _two_vertebrae()
    values[8:12, 9:14, 12:18], values[9:11, 10:13, 12:18], values[4:16, 15:20, 12:18] = 3, 4, 5
    given = _given(tmp_path, [values], VERTEBRAE + '\n3 = "canal"\n4 = "sac"\n5 = "L3-L4 disc"')
    assert given.named == {"vertebrae", "canal", "sac", "discs"}
    assert (given.labels[9:11, 10:13, 12:18] == 2).all()
    assert (given.labels[values == 1] == label_of("L3", Part.UNDIVIDED)).all()


def test_a_sac_inside_a_canal_stays_sac_in_either_order(tmp_path):
    canal, sac = np.zeros((2, *GRID.shape), np.uint8)
    canal[8:12, 9:14], sac[9:11, 10:13] = 1, 1
    for maps, tables in [((canal, sac), ('1 = "canal"', '1 = "sac"')), ((sac, canal), ('1 = "sac"', '1 = "canal"'))]:
        labels = _given(tmp_path, maps, *tables).labels
        assert (labels[sac == 1] == 2).all()
        assert (labels[(canal == 1) & (sac == 0)] == 1).all()


def test_our_own_numbers_need_no_names(tmp_path):
    values = np.where(_two_vertebrae() == 1, 2206, np.where(_two_vertebrae() == 2, 2308, 0)).astype(np.uint16)
    path = write_nifti_file(tmp_path / "a.nii.gz", values)
    assert np.array_equal(read_given_labels([path], None, GRID).labels, values)
    with pytest.raises(BadLabels, match=r"value: voxels \{7: 1"):
        read_given_labels([write_nifti_file(tmp_path / "b.nii.gz", np.where(values == 0, 7, values))], None, GRID)


def test_another_orientation_of_the_same_grid_is_the_same_grid(tmp_path):
    flipped = UPRIGHT @ np.array([[-1, 0, 0, 19], [0, 1, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1.0]])
    path = write_nifti_file(tmp_path / "a.nii", _two_vertebrae()[::-1].copy(), flipped)
    labels = read_given_labels([path], _names(tmp_path, VERTEBRAE), GRID).labels
    assert np.array_equal(labels > 0, _two_vertebrae() > 0)


def test_another_grid_is_refused_with_both(tmp_path):
    moved = UPRIGHT.copy()
    moved[2, 3] += 0.35
    path = write_nifti_file(tmp_path / "a.nii", _two_vertebrae(), moved)
    with pytest.raises(BadLabels, match=r"must lie on the scan's grid, .*-205\.0.*-204\.65.*nearest neighbour"):
        read_given_labels([path], _names(tmp_path, VERTEBRAE), GRID)


def test_maps_on_two_grids_are_refused(tmp_path):
    paths = [write_nifti_file(tmp_path / f"{n}.nii", _two_vertebrae()[:, :, : 30 - n]) for n in range(2)]
    with pytest.raises(BadLabels, match="label map 2 must lie on the grid of the first map"):
        read_labels_alone(paths, _names(tmp_path, VERTEBRAE, VERTEBRAE))


def test_whole_numbers_that_went_through_floats_are_rounded(tmp_path):
    given = _given(tmp_path, [_two_vertebrae() * np.float32(0.99999)], VERTEBRAE)
    assert np.array_equal(given.labels > 0, _two_vertebrae() > 0)


def test_interpolated_labels_are_refused_with_their_count(tmp_path):
    values = _two_vertebrae().astype(np.float32)
    values[5, 5, 2:7] = 1.5
    with pytest.raises(BadLabels, match="5 voxels between two labels"):
        _given(tmp_path, [values], VERTEBRAE)


def test_values_without_a_name_are_listed_with_their_counts(tmp_path):
    values = _two_vertebrae()
    values[0, 0, :4], values[0, 1, :2] = 9, 77
    with pytest.raises(BadLabels, match=r"label map 1 .*\{9: 4, 77: 2\}.*'ignore'"):
        _given(tmp_path, [values], VERTEBRAE)
    assert (_given(tmp_path, [values], VERTEBRAE + '\n9 = "ignore"\n77 = "soft"').labels[0, 0, :4] == 0).all()


def test_mirrored_sides_are_refused(tmp_path):
    swapped = PARTS.replace("left", "x").replace("right", "left").replace("x", "right")
    with pytest.raises(BadLabels, match=r"left what lies on the patient's left .*2 of 2"):
        _given(tmp_path, [_two_vertebrae(), _parts()], VERTEBRAE, swapped)


def test_vertebrae_upside_down_are_refused(tmp_path):
    with pytest.raises(BadLabels, match=r"cranial to caudal .*L3.*L4"):
        _given(tmp_path, [_two_vertebrae()], '1 = "L4"\n2 = "L3"')


def test_tables_in_the_wrong_order_are_caught_as_a_contradiction(tmp_path):
    with pytest.raises(BadLabels, match="named two ways"):
        _given(tmp_path, [_two_vertebrae(), _two_vertebrae()], VERTEBRAE, '1 = "L2"\n2 = "L3"')


def test_a_few_contradictions_are_reported_and_the_later_map_followed(tmp_path):
    other = _two_vertebrae()
    other[4, 4, 18:20] = 2
    given = _given(tmp_path, [_two_vertebrae(), other], VERTEBRAE, VERTEBRAE)
    assert given.warnings == ("2 voxels were named two ways; the later map was followed.",)
    assert given.labels[4, 4, 18] == label_of("L4", Part.UNDIVIDED)


def test_parts_beyond_every_vertebra_are_left_out_and_reported(tmp_path):
    parts = _parts()
    parts[0, 0, :3] = 1
    given = _given(tmp_path, [_two_vertebrae(), parts], VERTEBRAE, PARTS)
    assert given.warnings == ("3 voxels name a part but no vertebra and were left out.",)
    assert (given.labels[0, 0, :3] == 0).all()


def test_as_many_tables_as_maps(tmp_path):
    with pytest.raises(WrongUse, match="2 maps"):
        _given(tmp_path, [_two_vertebrae()], VERTEBRAE, PARTS)
    with pytest.raises(WrongUse, match="at least one"):
        read_labels_alone([], None)


def test_missing_map_is_refused(tmp_path):
    with pytest.raises(BadFile, match="exists"):
        read_labels_alone([tmp_path / "none.nii"], None)


def test_real_crop_joins_without_a_stray_voxel(data_dir):
    folder = data_dir / "ct_lumbar_crop_1p5mm"
    scan = read_scan(folder / "ct.nii.gz")
    given = read_given_labels([folder / "vertebrae.nii.gz", folder / "parts.nii.gz"], EXAMPLE, scan.grid)
    assert vertebrae_in(given.labels) == ("L2", "L3", "L4")
    assert (given.named, given.warnings) == ({"vertebrae", "parts"}, ())
    # Counted in the two files with nibabel alone: values (22, 45), (22, 41) and (22, 49 or 50).
    counts = [
        int((given.labels == label_of("L3", part)).sum())
        for part in (Part.SUPERIOR_ARTICULAR_LEFT, Part.UNDIVIDED, Part.BODY)
    ]
    assert counts == [679, 1894, 11632]


def test_real_maps_with_one_form_each_share_a_grid(data_dir, tmp_path):
    folder = data_dir / "labels_lumbar_subregions_sagittal"
    lumbar = {19: "T12", 20: "L1", 21: "L2", 22: "L3", 23: "L4", 24: "L5"}
    vertebrae = "\n".join(f'{n} = "{lumbar.get(n, "ignore")}"' for n in range(8, 25))
    names = _names(tmp_path, vertebrae, EXAMPLE.read_text().split("[[file]]")[2])
    given, grid = read_labels_alone([folder / "vertebrae.nii.gz", folder / "parts.nii.gz"], names)
    assert grid.shape == given.labels.shape == (27, 512, 1343)
    assert vertebrae_in(given.labels) == ("T12", "L1", "L2", "L3", "L4", "L5")
    assert given.warnings == ("158 voxels name a part but no vertebra and were left out.",)
