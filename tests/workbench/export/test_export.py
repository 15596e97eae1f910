"""What is exported, read by other programs and by our own door."""

from __future__ import annotations

import json
import shutil
import subprocess
import xml.etree.ElementTree as ElementTree
import zipfile
from dataclasses import replace

import numpy as np
import pydicom
import pytest
import trimesh
from vtkmodules.vtkFiltersGeometry import vtkCompositeDataGeometryFilter
from vtkmodules.vtkIOGeometry import vtkGLTFReader

from canalwise.estimator.planning.default_approach import default_approach
from canalwise.recon.dicom.contour_object import contour_layers, read_contours
from canalwise.recon.disclaimer import CAUTION
from canalwise.recon.errors import WrongUse
from canalwise.recon.intake.label_maps import read_given_labels
from canalwise.recon.intake.reader import read_scan
from canalwise.recon.labels import canal_mask, vertebra_mask
from canalwise.workbench.export.exported import write_export
from canalwise.workbench.export.formats import ExportJob

WRITTEN_MM = 2e-3
"""Extents are listed to a thousandth of a mm."""


def _extents(listed, ending):
    return {f["structure"]: np.array(f["extent_mm"]) for f in listed["files"] if f["file"].endswith(ending)}


@pytest.mark.parametrize("ending", ["stl", "ply", "obj"])
def test_another_reader_finds_closed_surfaces_of_the_same_extent_and_volume(exported, ending):
    folder, listed = exported
    facts = [f for f in listed["files"] if f["file"].endswith(ending)]
    assert {f["structure"] for f in facts} >= {"L3", "L4", "canal", "dural_sac", "L3-L4-left-bone-after"}
    for fact in facts:
        mesh = trimesh.load(folder / fact["file"])
        mesh.merge_vertices()
        assert mesh.is_watertight, fact["file"]
        assert np.abs(mesh.bounds - fact["extent_mm"]).max() <= WRITTEN_MM
        assert mesh.volume == pytest.approx(fact["volume_mm3"], rel=1e-3)


def test_bone_before_is_bone_after_and_what_goes(exported):
    volume = {f["structure"]: f["volume_mm3"] for f in exported[1]["files"] if f["file"].endswith("stl")}
    gone = volume["L3-L4-left-bone-before"] - volume["L3-L4-left-bone-after"]
    assert 0 < gone == pytest.approx(volume["L3-L4-left-resection"], rel=0.1)


def test_the_scene_is_in_metres_with_y_up(exported):
    folder, listed = exported
    reader, joined = vtkGLTFReader(), vtkCompositeDataGeometryFilter()
    reader.SetFileName(str(folder / "case.glb"))
    reader.Update()
    joined.SetInputDataObject(reader.GetOutput())
    joined.Update()
    found = [0.0] * 6
    joined.GetOutput().GetBounds(found)
    ends = np.array(list(_extents(listed, "stl").values()))
    (right, anterior, superior), (left, posterior, inferior) = ends[:, 1].max(axis=0), ends[:, 0].min(axis=0)
    expected = [-right, -left, inferior, superior, posterior, anterior]
    assert 1000 * np.array(found) == pytest.approx(expected, abs=0.01)
    content = (folder / "case.glb").read_bytes()
    tree = json.loads(content[20 : 20 + int.from_bytes(content[12:16], "little")])
    extras = tree["asset"]["extras"]
    assert extras["caution"] == CAUTION
    turned = np.array(extras["ras_mm_from_file"]) @ [0.001, 0.002, 0.003, 1.0]
    assert turned == pytest.approx([-1, 3, 2, 1])


def test_the_package_holds_every_surface_in_mm(exported):
    folder, listed = exported
    with zipfile.ZipFile(folder / "case.3mf") as package:
        assert package.testzip() is None
        model = ElementTree.fromstring(package.read("3D/model.model"))
    assert model.get("unit") == "millimeter"
    space = {"m": model.tag[1:].partition("}")[0]}
    assert CAUTION in "".join(model.itertext())
    for made in model.iterfind(".//m:object", space):
        points = np.array([[float(v.get(a)) for a in "xyz"] for v in made.iterfind(".//m:vertex", space)])
        faces = np.array([[int(t.get(f"v{n}")) for n in "123"] for t in made.iterfind(".//m:triangle", space)])
        extent = _extents(listed, "stl")[made.get("name")]
        assert np.abs([points.min(axis=0), points.max(axis=0)] - extent).max() <= WRITTEN_MM
        assert trimesh.Trimesh(points, faces, process=False).is_watertight


@pytest.mark.parametrize(
    ("file", "names"),
    [
        ("labels.nii.gz", "label-names.toml"),
        ("dicom/anatomy-seg.dcm", "anatomy-seg-names.toml"),
        ("dicom/anatomy-seg.dcm", None),
        ("dicom/anatomy-label-map.dcm", None),
    ],
)
def test_labels_come_back_exactly(exported, toy_case, file, names):
    folder, _ = exported
    given = read_given_labels([folder / file], names and folder / names, toy_case.scan.grid)
    assert np.array_equal(given.labels, toy_case.anatomy.labels)


def test_contours_come_back_exactly(exported, toy_case):
    labels = toy_case.anatomy.labels
    contours = read_contours(exported[0] / "dicom" / "contours.dcm", 500)
    layers = contour_layers(contours, toy_case.scan.grid)
    for number, mask in ((2220, vertebra_mask(labels, 22)), (1, canal_mask(labels)), (2, labels == 2)):
        assert np.array_equal(np.any([layer == number for layer in layers], axis=0), mask)


def test_the_images_are_the_scan(exported, toy_case):
    scan = read_scan(exported[0] / "dicom" / "images")
    assert scan.grid.same_as(toy_case.scan.grid)
    assert np.array_equal(scan.voxels, toy_case.scan.voxels)


def test_objects_refer_to_images_that_are_there_and_name_nobody(exported):
    files = {path: pydicom.dcmread(path) for path in sorted((exported[0] / "dicom").rglob("*.dcm"))}
    images = {d.SOPInstanceUID for d in files.values() if d.Modality == "CT"}
    assert len({d.SOPInstanceUID for d in files.values()}) == len(files)
    assert len({(d.StudyInstanceUID, d.PatientID) for d in files.values()}) == 1
    for dataset in files.values():
        assert dataset.PatientIdentityRemoved == "YES"
        assert dataset.SOPInstanceUID.startswith("2.25.")
        for item in dataset.iterall():
            if item.keyword == "ReferencedSOPInstanceUID" and item.value != dataset.StudyInstanceUID:
                assert item.value in images


def test_pictures_and_pages_can_be_taken_out(exported):
    folder = exported[0] / "dicom"
    picture = pydicom.dcmread(folder / "L3-L4-left-radiograph-ap.dcm")
    assert picture.pixel_array.shape == (picture.Rows, picture.Columns, 3)
    assert CAUTION in picture.ImageComments
    page = pydicom.dcmread(folder / "L3-L4-left-sheet.dcm")
    pdf = page.EncapsulatedDocument[: page.EncapsulatedDocumentLength]
    assert pdf.startswith(b"%PDF")
    assert pdf.rstrip().endswith(b"%%EOF")


def test_the_same_case_gives_the_same_bytes(exported, toy_case, tmp_path):
    # A second process, as it were: nothing of the first job is kept.
    again = ExportJob(replace(toy_case), default_approach(toy_case.anatomy, "L3-L4", "left"))
    formats = ("3mf", "glb", "nifti", "seg", "seg-label-map", "rtstruct")
    listed = write_export(tmp_path / "a", again, formats, say=lambda _: None)
    first = {f["file"]: f["sha256"] for f in exported[1]["files"]}
    assert {f["file"]: f["sha256"] for f in listed["files"]}.items() <= first.items()


def test_structures_are_chosen_and_wrong_ones_named(toy_case, tmp_path):
    job = ExportJob(toy_case, structures=frozenset({"L4"}))
    listed = write_export(tmp_path / "a", job, ("stl", "nifti"), say=lambda _: None)
    assert [f["file"] for f in listed["files"]] == ["stl/L4.stl", "labels.nii.gz", "label-names.toml"]
    with pytest.raises(WrongUse, match=r"L3, L4, canal, dural_sac.*got 'room'"):
        ExportJob(toy_case, structures=frozenset({"room"}))
    with pytest.raises(WrongUse, match="shows a plan"):
        write_export(tmp_path / "b", ExportJob(toy_case), ("sheet",), say=lambda _: None)
    with pytest.raises(WrongUse, match="rtstruct"):
        write_export(tmp_path / "b", ExportJob(toy_case), ("dwg",), say=lambda _: None)
    assert [path.name for path in tmp_path.iterdir()] == ["a"]


@pytest.mark.skipif(not shutil.which("dciodvfy"), reason="needs the validator dciodvfy")
def test_a_validator_finds_no_error(exported):
    folder = exported[0] / "dicom"
    # A validator that knows no label map segmentations says so, as an error.
    files = [path for path in sorted(folder.glob("*.dcm")) if "label-map" not in path.name]
    for path in [*files, folder / "images" / "0001.dcm"]:
        done = subprocess.run(["dciodvfy", path], capture_output=True, text=True, check=False)
        assert [line for line in done.stderr.splitlines() if line.startswith("Error")] == [], path.name
