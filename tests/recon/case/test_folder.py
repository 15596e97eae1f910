"""A case comes back as it went, byte for byte, or is refused by name."""

import hashlib
import json
from dataclasses import replace

import numpy as np
import pytest

from canalwise.recon.anatomy import Anatomy, Confidence, Correction, Frame, Level, Naming, Reason, StructureConfidence
from canalwise.recon.case.folder import FILES, FOLDERS, quantised, read_case, write_case
from canalwise.recon.errors import BadCase, WrongUse
from canalwise.recon.grid import Grid
from canalwise.recon.scan import Scan
from canalwise.recon.serialization import json_text, to_data
from tests.recon.scans import body

OBLIQUE = Grid(
    (20, 24, 30),
    np.array(
        [[0.9 * 0.96, -0.8 * 0.28, 0, -1 / 3], [0.9 * 0.28, 0.8 * 0.96, 0, 2 / 3], [0, 0, 0.7, 100.1], [0, 0, 0, 1]]
    ),
)


def _scan(dtype=np.int16) -> Scan:
    return Scan(body().astype(dtype), OBLIQUE, "CT", {"format": "NIfTI"}, ("thick",))


def _anatomy() -> Anatomy:
    rng = np.random.default_rng(4)
    labels = rng.choice(np.array([0, 1, 2, 2206, 2308, 2650], np.uint16), OBLIQUE.shape)
    level = Level("L3-L4", "L3", "L4", Frame(rng.random(3), np.eye(3)), {}, {}, {}, {"disc_centre": rng.random(3)})
    return Anatomy(OBLIQUE, labels, rng.random(OBLIQUE.shape, np.float32), (level,), {"sac": "modelled"}, ("check",))


def _digests(folder):
    return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in sorted(folder.rglob("*")) if p.is_file()}


@pytest.mark.parametrize("dtype", [np.int16, np.float32])
def test_a_case_comes_back_as_it_went(tmp_path, dtype):
    written = write_case(tmp_path / "case", _scan(dtype), _anatomy())
    read = read_case(tmp_path / "case")
    assert read.scan.voxels.dtype == dtype
    assert np.array_equal(read.scan.voxels, _scan(dtype).voxels)
    assert np.array_equal(read.scan.grid.affine_ras_mm, OBLIQUE.affine_ras_mm)  # exactly, though NIfTI rounds it
    assert (read.scan.modality, read.scan.provenance, read.scan.warnings) == ("CT", {"format": "NIfTI"}, ("thick",))
    assert np.array_equal(read.anatomy.labels, _anatomy().labels)
    assert read.anatomy.labels.dtype == np.uint16
    assert np.array_equal(read.anatomy.occupancy, written.anatomy.occupancy)
    assert (read.anatomy.sources, read.anatomy.warnings) == ({"sac": "modelled"}, ("check",))
    assert json_text(to_data(read.anatomy.levels[0])) == json_text(to_data(_anatomy().levels[0]))
    assert [f for f in FOLDERS if not (tmp_path / "case" / f).is_dir()] == []


def test_occupancy_is_within_half_a_step_and_quantising_twice_changes_nothing():
    occupancy = np.linspace(0, 1, 1000, dtype=np.float32)
    assert np.abs(quantised(occupancy) - occupancy).max() <= 0.5 / 255 + 1e-6
    assert np.array_equal(quantised(quantised(occupancy)), quantised(occupancy))


def test_the_same_case_is_the_same_bytes_and_survives_a_second_trip(tmp_path):
    for name in ("a", "b"):
        write_case(tmp_path / name, _scan(), _anatomy())
    read = read_case(tmp_path / "a")
    write_case(tmp_path / "c", read.scan, read.anatomy)
    assert _digests(tmp_path / "a") == _digests(tmp_path / "b") == _digests(tmp_path / "c")


def test_case_json_says_what_a_person_needs(tmp_path):
    write_case(tmp_path / "case", _scan(), _anatomy())
    about = json.loads((tmp_path / "case" / "case.json").read_text())
    assert about["schema"] == "canalwise.case/1"
    assert about["warnings"] == ["thick", "check"]
    assert about["levels"] == ["L3-L4"]
    assert "Not a medical device" in about["caution"]
    names = json.loads((tmp_path / "case" / "labels.json").read_text())["names"]
    assert names == {
        "0": "outside",
        "1": "canal",
        "2": "sac",
        "2206": "L3 lamina left",
        "2308": "L4 spinous process",
        "2650": "S1 disc",
    }


@pytest.mark.parametrize("name", FILES)
def test_a_missing_file_is_named(tmp_path, name):
    write_case(tmp_path / "case", _scan(), _anatomy())
    (tmp_path / "case" / name).unlink()
    with pytest.raises(BadCase, match=f"lacks {name}"):
        read_case(tmp_path / "case")


@pytest.mark.parametrize("name", FILES)
def test_a_file_cut_short_is_named(tmp_path, name):
    write_case(tmp_path / "case", _scan(), _anatomy())
    path = tmp_path / "case" / name
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    with pytest.raises(BadCase, match=name):
        read_case(tmp_path / "case")


def test_another_version_is_refused(tmp_path):
    write_case(tmp_path / "case", _scan(), _anatomy())
    path = tmp_path / "case" / "anatomy.json"
    path.write_text(path.read_text().replace("canalwise.anatomy/1", "canalwise.anatomy/9"))
    with pytest.raises(BadCase, match=r"anatomy\.json must carry the schema 'canalwise\.anatomy/1'"):
        read_case(tmp_path / "case")


def test_labels_of_another_meaning_are_refused(tmp_path):
    write_case(tmp_path / "case", _scan(), _anatomy())
    path = tmp_path / "case" / "labels.json"
    path.write_text(path.read_text().replace("L3 lamina left", "L3 lamina right"))
    with pytest.raises(BadCase, match=r"labels\.json must give"):
        read_case(tmp_path / "case")


def test_voxels_swapped_from_another_case_are_refused(tmp_path):
    write_case(tmp_path / "a", _scan(), _anatomy())
    moved = Grid(OBLIQUE.shape, OBLIQUE.affine_ras_mm + np.array([[0, 0, 0, 1.0], *np.zeros((3, 4))]))
    write_case(tmp_path / "b", Scan(body(), moved, "CT"), _anatomy())
    (tmp_path / "a" / "scan.nii.gz").write_bytes((tmp_path / "b" / "scan.nii.gz").read_bytes())
    with pytest.raises(BadCase, match=r"scan\.nii\.gz must lie on the grid"):
        read_case(tmp_path / "a")


def test_replacing_needs_force_keeps_plans_and_drops_results(tmp_path):
    folder = tmp_path / "case"
    write_case(folder, _scan(), _anatomy())
    (folder / "plans" / "mine.toml").write_text("level = 'L3-L4'")
    (folder / "results" / "old.json").write_text('{"schema": "canalwise.search/1"}')
    with pytest.raises(WrongUse, match="--force"):
        write_case(folder, _scan(), _anatomy())
    write_case(folder, _scan(), _anatomy(), force=True)
    assert (folder / "plans" / "mine.toml").exists()
    assert not (folder / "results" / "old.json").exists()


def test_confidence_naming_and_corrections_come_back(tmp_path):
    reason = Reason("joint gap left", 0.25, "the gap is not seen")
    structure = StructureConfidence("L3 lamina left", 0.25, 0.18, (reason,))
    level = replace(_anatomy().levels[0], confidence=Confidence(0.25, True, (reason,), (structure,)))
    seed = Correction("seed", "canal", point_ras_mm=(1.0, -2.5, 1 / 3))
    corrections = (Correction("replaced", "L4", "ab" * 32), seed)
    anatomy = replace(
        _anatomy(), levels=(level,), naming=Naming("ribs", 0.4, "counted from the ribs", True), corrections=corrections
    )
    write_case(tmp_path / "case", _scan(), anatomy)
    read = read_case(tmp_path / "case").anatomy
    assert read.levels[0].confidence == level.confidence
    assert (read.naming, read.corrections) == (anatomy.naming, corrections)
    about = json.loads((tmp_path / "case" / "case.json").read_text())
    assert about["confidence"] == {"L3-L4": {"value_frac": 0.25, "check_by_eye": True}}
    assert about["corrections"][0]["what"] == "L4"


def test_a_case_of_before_confidence_is_read(tmp_path):
    write_case(tmp_path / "case", _scan(), _anatomy())
    path = tmp_path / "case" / "anatomy.json"
    text = json.loads(path.read_text())
    for name in ("naming", "corrections"):
        del text[name]
    del text["levels"][0]["confidence"]
    path.write_text(json.dumps(text))
    read = read_case(tmp_path / "case").anatomy
    assert (read.naming, read.corrections, read.levels[0].confidence) == (None, (), None)
