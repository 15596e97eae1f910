"""MetaImage in: every line of the header taken at its word or refused, LPS turned to RAS, then the voxels.

Header keys and element types: https://itk.org/Wiki/ITK/MetaIO/Documentation. A header may leave out its transform and
spacing, and libraries then fill in an identity and 1 mm; here that is refused.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from canalwise.recon.errors import BadFile, BadGeometry
from canalwise.recon.grid import Float, Index3
from canalwise.recon.image.volume import Volume, check_budget, rescaled, volume_shape
from canalwise.recon.intake.header_fields import GUESS, ascii_text, finite_numbers, one_of, whole_numbers
from canalwise.recon.intake.raw_voxels import RawVoxels, beside, read_raw

SUFFIXES = (".mha", ".mhd")
WHO = "the MetaImage header"

HEADER_BYTES = 1 << 16
LPS_TO_RAS = np.diag([-1.0, -1.0, 1.0])

UNIT_TOL = 1e-3
"""Largest deviation of a direction's length from 1."""

TYPES = {
    "MET_CHAR": "i1",
    "MET_UCHAR": "u1",
    "MET_SHORT": "i2",
    "MET_USHORT": "u2",
    "MET_INT": "i4",
    "MET_UINT": "u4",
    "MET_LONG_LONG": "i8",
    "MET_ULONG_LONG": "u8",
    "MET_FLOAT": "f4",
    "MET_DOUBLE": "f8",
}
"""Element types of one size everywhere; MET_LONG has four bytes on some machines and eight on others."""

MATRIX, PLACE = ("TransformMatrix", "Rotation", "Orientation"), ("Offset", "Position", "Origin")
ORDER = ("BinaryDataByteOrderMSB", "ElementByteOrderMSB")
DATA = "ElementDataFile"


def read_metaimage(path: Path, budget_mb: float) -> Volume:
    """The volume of an .mha file, or of an .mhd header with its file of voxels; affine in RAS mm, axes as stored.

    Raises
    ------
    BadFile : not MetaImage, damaged or cut short, several numbers per voxel, larger than the budget
    BadGeometry : no transform, offset or spacing, a spacing that is not above 0, or more than one volume
    """
    fields, begin = _header(path)
    dimension = whole_numbers(fields.get("NDims", ""), 1, WHO, "NDims")[0]
    if dimension != 3:
        raise BadGeometry(
            "the scan",
            "must be one volume of three axes",
            got=f"NDims {dimension}",
            do="Export a single volume: one phase, one echo, one channel.",
        )
    shape = volume_shape(whole_numbers(fields.get("DimSize", ""), 3, WHO, "DimSize"))
    check_budget(shape, budget_mb)
    _check_scalar(fields)
    affine = _affine_ras_mm(fields)
    stored = read_raw(_raw(path, fields, begin, shape))
    return Volume(rescaled(stored, 1.0, 0.0), affine, provenance={"format": "MetaImage"})


def _header(path: Path) -> tuple[dict[str, str], int]:
    """The fields by name, and the bytes before the voxels of an .mha file."""
    with path.open("rb") as file:
        content = file.read(HEADER_BYTES)
    fields: dict[str, str] = {}
    begin = 0
    while DATA not in fields:
        end = content.find(b"\n", begin)
        if end < 0:
            raise BadFile(
                "the MetaImage file",
                "must be a whole MetaImage image",
                got=f"a header without {DATA}",
                do="Export or copy the file again.",
            )
        line, begin = ascii_text(content[begin:end], WHO).strip(), end + 1
        name, equals, value = (part.strip() for part in line.partition("="))
        if line and (not equals or name in fields):
            raise BadFile(
                WHO, "must hold 'name = value' once for each name", got=line[:60], do="Export or copy the file again."
            )
        fields[name] = value
        fields.pop("", None)
    return fields, begin


def _check_scalar(fields: dict[str, str]) -> None:
    if fields.get("ObjectType", "Image") != "Image":
        raise BadFile("the MetaImage file", "must hold an image", got=fields["ObjectType"][:40])
    if fields.get("ElementNumberOfChannels", "1") != "1":
        raise BadFile(
            "the MetaImage file",
            "must hold one number per voxel",
            got=fields["ElementNumberOfChannels"][:40],
            do="Export a single channel.",
        )
    slope, shift = (fields.get(f"ElementToIntensityFunction{name}") for name in ("Slope", "Offset"))
    if slope not in (None, "1") or shift not in (None, "0"):
        raise BadFile(
            WHO,
            "must not rescale its numbers, for readers differ in that",
            got=(slope, shift),
            do="Export the values themselves.",
        )


def _affine_ras_mm(fields: dict[str, str]) -> Float:
    matrix, place, spacing = (one_of(fields, names, WHO) for names in (MATRIX, PLACE, ("ElementSpacing",)))
    if matrix is None or place is None:
        raise BadGeometry(
            WHO,
            "must say where left and right are",
            got=f"no {'TransformMatrix' if matrix is None else 'Offset'}",
            do=f"Export it again with its transform; {GUESS}",
        )
    if spacing is None:
        raise BadGeometry(
            WHO,
            "must give the voxels' edges as 'ElementSpacing'",
            got="none",
            do="Export it again; without it every length would be a guess.",
        )
    edges = np.array(finite_numbers(spacing.split(), 3, WHO, "ElementSpacing"))
    if edges.min() <= 0:
        raise BadGeometry(
            WHO,
            "must give edges above 0 as 'ElementSpacing'",
            got=edges.tolist(),
            do=f"Flip the transform instead; {GUESS}",
        )
    # Each row of three is the direction of one index axis.
    axes = np.array(finite_numbers(matrix.split(), 9, WHO, "TransformMatrix")).reshape(3, 3)
    if np.abs(np.linalg.norm(axes, axis=1) - 1.0).max() > UNIT_TOL:
        raise BadGeometry(
            WHO,
            "must give unit directions as 'TransformMatrix'",
            got=axes.tolist(),
            do="Export it again, lengths in ElementSpacing alone.",
        )
    centre = fields.get("CenterOfRotation", "0 0 0")
    if any(finite_numbers(centre.split(), 3, WHO, "CenterOfRotation")):
        raise BadGeometry(
            WHO,
            "must turn about the first voxel",
            got=f"CenterOfRotation {centre[:40]}",
            do="Export it again; readers differ in what it means.",
        )
    affine = np.eye(4)
    affine[:3, :3] = LPS_TO_RAS @ axes.T * edges
    affine[:3, 3] = LPS_TO_RAS @ finite_numbers(place.split(), 3, WHO, "Offset")
    return affine


def _raw(path: Path, fields: dict[str, str], begin: int, shape: Index3) -> RawVoxels:
    if not _is_true(fields, "BinaryData", True):
        raise BadFile(WHO, "must have BinaryData = True", got=fields["BinaryData"][:40], do="Export it in binary.")
    order = one_of(fields, ORDER, WHO) if fields.get(ORDER[0]) != fields.get(ORDER[1]) else fields.get(ORDER[0])
    big = _is_true({ORDER[0]: order or "False"}, ORDER[0], False)
    code = TYPES.get(fields.get("ElementType", ""))
    if code is None:
        raise BadFile(
            "the MetaImage file",
            "must hold plain numbers of a stated size",
            got=fields.get("ElementType", "no ElementType")[:40],
            do="Export it as MET_SHORT.",
        )
    skip = whole_numbers(fields.get("HeaderSize", "0"), 1, WHO, "HeaderSize")[0]
    named = fields[DATA]
    local = named.upper() == "LOCAL"
    if skip < -1 or (local and skip):
        raise BadFile(WHO, "must skip no bytes of its own file", got=skip, do="Export it again.")
    file, start = (path, begin) if local else (beside(path, named, WHO), 0)
    dtype = np.dtype((">" if big else "<") + code)
    deflated = _is_true(fields, "CompressedData", False)
    return RawVoxels("the MetaImage file", file, -1 if skip < 0 else start + skip, dtype, shape, deflated)


def _is_true(fields: dict[str, str], name: str, usual: bool) -> bool:
    reported = fields.get(name, str(usual)).lower()
    if reported not in ("true", "false"):
        raise BadFile(WHO, f"must have {name} True or False", got=reported[:40], do="Export it again.")
    return reported == "true"
