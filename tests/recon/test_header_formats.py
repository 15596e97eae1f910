"""NRRD and MetaImage: the voxels and places that SimpleITK, an outside reader, has; a refusal of all that is left open.

What the two formats mean: https://teem.sourceforge.net/nrrd/format.html, https://itk.org/Wiki/ITK/MetaIO/Documentation.
"""

from __future__ import annotations

import re

import numpy as np
import pytest
import SimpleITK

from canalwise.recon.errors import BadFile, BadGeometry, UnusableInput
from canalwise.recon.intake.reader import read_scan, read_volume
from tests.recon.scans import SECRET, body

LPS = np.diag([-1.0, -1.0, 1.0])
GUESS = "a side would be a guess"
KINDS = ["int8", "uint8", "int16", "uint16", "int32", "uint32", "int64", "uint64", "float32", "float64"]
TURNED = (0.96, 0.28, 0.0, -0.168, 0.576, -0.8, -0.224, 0.768, 0.6)


def _image(kind: str = "int16", direction=(-1, 0, 0, 0, -1, 0, 0, 0, 1)) -> SimpleITK.Image:
    values = np.random.default_rng(7).integers(0, 120, (9, 10, 11)) if kind != "int16" else body()
    image = SimpleITK.GetImageFromArray(values.astype(kind).T.copy())
    image.SetSpacing((0.9, 0.8, 0.7))
    image.SetDirection(direction)
    image.SetOrigin((31.0, -17.0, -205.0))
    return image


def _written(tmp_path, suffix: str, image: SimpleITK.Image | None = None, deflated: bool = False):
    path = tmp_path / f"{SECRET}{suffix}"
    SimpleITK.WriteImage(image or _image(), str(path), useCompression=deflated)
    return path


def _as_the_other_reads(path):
    """(voxels, affine in RAS mm) as SimpleITK has them."""
    image = SimpleITK.ReadImage(str(path))
    affine = np.eye(4)
    affine[:3, :3] = LPS @ np.array(image.GetDirection()).reshape(3, 3) * np.array(image.GetSpacing())
    affine[:3, 3] = LPS @ np.array(image.GetOrigin())
    return SimpleITK.GetArrayFromImage(image).T, affine


def _same_as_the_other(path):
    voxels, affine = _as_the_other_reads(path)
    volume = read_volume(path)
    assert np.array_equal(volume.voxels, voxels)
    assert np.allclose(volume.affine_ras_mm, affine, atol=1e-6)


@pytest.mark.parametrize("deflated", [False, True])
@pytest.mark.parametrize("suffix", [".nrrd", ".nhdr", ".mha", ".mhd"])
@pytest.mark.parametrize("kind", KINDS)
def test_every_number_type_reads_as_another_reader_has_it(tmp_path, suffix, kind, deflated):
    if kind in ("int64", "uint64") and suffix.startswith(".mh"):
        pytest.skip("SimpleITK writes these as a type whose size differs between machines")
    _same_as_the_other(_written(tmp_path, suffix, _image(kind), deflated))


@pytest.mark.parametrize("suffix", [".nrrd", ".mha"])
@pytest.mark.parametrize("direction", [TURNED, (0, 0, 1, 1, 0, 0, 0, 1, 0), (1, 0, 0, 0, -1, 0, 0, 0, 1)])
def test_turned_and_mirrored_volumes_lie_where_another_reader_has_them(tmp_path, suffix, direction):
    _same_as_the_other(_written(tmp_path, suffix, _image(direction=direction)))


@pytest.mark.parametrize("space", ["right-anterior-superior", "RAS", "left-anterior-superior", "LPS"])
def test_every_space_that_names_a_side_lies_where_another_reader_has_it(tmp_path, space):
    path = _edited(_written(tmp_path, ".nrrd"), "space: left-posterior-superior", f"space: {space}")
    _same_as_the_other(path)


def _edited(path, old: str, new: str):
    content = path.read_bytes()
    assert old.encode() in content
    path.write_bytes(content.replace(old.encode(), new.encode(), 1))
    return path


def _without_line(path, beginning: str):
    content = path.read_bytes()
    path.write_bytes(re.sub(rb"(?m)^" + beginning.encode() + rb"[^\n]*\n", b"", content, count=1))
    assert path.read_bytes() != content
    return path


def _refused(path, reported: str, kind: type[UnusableInput] = BadGeometry):
    with pytest.raises(kind, match=reported) as refusal:
        read_scan(path)
    assert SECRET not in str(refusal.value)


@pytest.mark.parametrize("space", ["scanner-xyz", "3D-right-handed", "3D-left-handed", "scanner-xyz-time", "up"])
def test_nrrd_space_that_names_no_side(tmp_path, space):
    _refused(_edited(_written(tmp_path, ".nrrd"), "space: left-posterior-superior", f"space: {space}"), GUESS)


def test_nrrd_space_in_a_comment_only(tmp_path):
    path = _edited(_written(tmp_path, ".nrrd"), "space: left", "# space: left")
    _refused(_edited(path, "\ntype", "\nspace dimension: 3\ntype"), GUESS)


@pytest.mark.parametrize("line", ["space directions", "space origin"])
def test_nrrd_space_without_directions_or_origin(tmp_path, line):
    _refused(_without_line(_written(tmp_path, ".nrrd"), line), GUESS)


def test_nrrd_spacings_beside_directions_are_a_contradiction(tmp_path):
    path = _edited(_written(tmp_path, ".nrrd"), "\nkinds", "\nspacings: 2 2 2\nkinds")
    _refused(path, "fields that are known", BadFile)


def test_nrrd_lengths_in_another_unit(tmp_path):
    path = _edited(_written(tmp_path, ".nrrd"), "\nkinds", '\nspace units: "um" "um" "um"\nkinds')
    _refused(path, "lengths in mm")


@pytest.mark.parametrize(
    "line",
    [
        "space directions: " + "(" * 10000,
        "space directions: " + "1" * 10000,
        "space directions: (1,0,0) (0,1,0)",
        "space directions: (1,0,0) (0,nan,0) (0,0,1)",
        "space directions: (1,0,0) (0,1e999,0) (0,0,1)",
        "space directions: none none none",
        "space directions: (0,0,0) (0,1,0) (0,0,1)",
        "space directions: (1,0,0) (1,0,0) (0,0,1)",
    ],
)
def test_nrrd_directions_too_long_too_few_or_impossible(tmp_path, line):
    path = _written(tmp_path, ".nrrd")
    content = path.read_bytes()
    path.write_bytes(re.sub(rb"space directions:[^\n]*", line.encode(), content))
    _refused(path, "directions|finite numbers|vectors|three|edges")


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("sizes: 20 24 30", "sizes: 20 24 -30"),
        ("sizes: 20 24 30", "sizes: 20 24 99999999999999999999"),
        ("sizes: 20 24 30", "sizes: 20 24"),
        ("dimension: 3", "dimension: 30000"),
        ("type: short", "type: block"),
        ("encoding: raw", "encoding: bzip2"),
        ("endian: little", "endian: middle"),
        ("NRRD000", "NRRD007"),
        ("sizes: 20 24 30", "sizes: 20 24 3"),
        ("endian: little", "line skip: 5\nendian: little"),
        ("endian: little", "byte skip: 99999999\nendian: little"),
        ("sizes: 20 24 30", "sizes: 20 24 9" + "9" * 5000),
    ],
)
def test_nrrd_header_that_cannot_be(tmp_path, old, new):
    _refused(_edited(_written(tmp_path, ".nrrd"), old, new), "must", UnusableInput)


@pytest.mark.parametrize("line", ["TransformMatrix", "Offset"])
def test_metaimage_without_its_transform(tmp_path, line):
    _refused(_without_line(_written(tmp_path, ".mha"), line), GUESS)


def test_metaimage_without_its_spacing(tmp_path):
    _refused(_without_line(_written(tmp_path, ".mha"), "ElementSpacing"), "every length would be a guess")


@pytest.mark.parametrize("spacing", ["-0.9 0.8 0.7", "0 0.8 0.7", "0.9 0.8", "0.9 0.8 nan", "0.9 0.8 inf"])
def test_metaimage_with_a_spacing_that_cannot_be(tmp_path, spacing):
    path = _written(tmp_path, ".mha")
    path.write_bytes(re.sub(rb"ElementSpacing = [^\n]*", b"ElementSpacing = " + spacing.encode(), path.read_bytes()))
    _refused(path, "ElementSpacing")


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("NDims = 3", "NDims = 4"),
        ("DimSize = 20 24 30", "DimSize = 20 24"),
        ("MET_SHORT", "MET_LONG"),
        ("MET_SHORT", "MET_STRING"),
        ("BinaryData = True", "BinaryData = False"),
        ("Type = Image", "Type = Tube"),
        ("CenterOfRotation = 0 0 0", "CenterOfRotation = 1 0 0"),
        ("Offset = ", "Origin = 1 2 3\nOffset = "),
        ("NDims = 3", "NDims = 3\nElementToIntensityFunctionSlope = 2"),
        ("edData = False", "edData = True"),
        ("Matrix = -1", "Matrix = -2"),
        ("Matrix = -1", "Matrix = 1e300"),
        ("DimSize = 20 24 30", "DimSize = 20 24 3"),
        ("DimSize = 20 24 30", "DimSize = 20 24 0"),
        ("ObjectType = Image\n", "\0\0"),
    ],
)
def test_metaimage_header_that_cannot_be(tmp_path, old, new):
    _refused(_edited(_written(tmp_path, ".mha"), old, new), "must", UnusableInput)


@pytest.mark.parametrize("named", ["../secret.raw", "/etc/passwd", "a%02d.raw", "LIST", "..", "sub/a.raw", "no.raw"])
@pytest.mark.parametrize("suffix", [".mhd", ".nhdr"])
def test_header_that_names_a_file_elsewhere(tmp_path, suffix, named):
    (tmp_path / "secret.raw").write_bytes(bytes(2 * body().size))
    (tmp_path / "here").mkdir()
    path = _written(tmp_path / "here", suffix)
    raw = f"{SECRET}.{'raw'}"
    _refused(_edited(path, raw, named), "in its own folder|file of voxels beside it", BadFile)


def test_header_that_leads_elsewhere_by_a_link(tmp_path):
    (tmp_path / "secret.raw").write_bytes(body().tobytes(order="F"))
    (tmp_path / "here").mkdir()
    path = _written(tmp_path / "here", ".mhd")
    (tmp_path / "here" / f"{SECRET}.raw").unlink()
    (tmp_path / "here" / f"{SECRET}.raw").symlink_to(tmp_path / "secret.raw")
    _refused(path, "in its own folder", BadFile)


@pytest.mark.parametrize("deflated", [False, True])
@pytest.mark.parametrize("suffix", [".nrrd", ".mha", ".nhdr", ".mhd"])
def test_voxels_cut_short(tmp_path, suffix, deflated):
    path = _written(tmp_path, suffix, deflated=deflated)
    data = next((p for p in tmp_path.iterdir() if p != path), path)
    data.write_bytes(data.read_bytes()[:-400])
    _refused(path, "whole .*image", BadFile)


@pytest.mark.parametrize("suffix", [".nrrd", ".mha"])
def test_more_voxels_than_the_header_says(tmp_path, suffix):
    path = _written(tmp_path, suffix)
    path.write_bytes(path.read_bytes() + bytes(2 * 20 * 24))
    _refused(path, "all the voxels it promises", BadFile)


def test_deflated_voxels_are_unpacked_no_further_than_promised(tmp_path):
    import zlib

    header = _written(tmp_path, ".mhd", deflated=True)
    data = next(p for p in tmp_path.iterdir() if p != header)
    data.write_bytes(zlib.compress(body().tobytes(order="F") + bytes(500_000_000), 1))
    assert np.array_equal(read_volume(header).voxels, body())
