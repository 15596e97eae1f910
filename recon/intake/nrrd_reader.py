"""NRRD in: every line of the header taken at its word or refused, LPS and LAS turned to RAS, then the voxels.

Header fields, spaces and data files: https://teem.sourceforge.net/nrrd/format.html. Read here and not by an imaging
library, since those fill in a placement that the header leaves open.
"""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np

from canalwise.recon.errors import BadFile, BadGeometry
from canalwise.recon.grid import Float, Index3
from canalwise.recon.image.volume import Volume, check_budget, rescaled, volume_shape
from canalwise.recon.intake.header_fields import GUESS, ascii_text, finite_numbers, one_of, whole_numbers
from canalwise.recon.intake.raw_voxels import RawVoxels, beside, read_raw

SUFFIXES = (".nrrd", ".nhdr")
WHO = "the NRRD header"

MAGIC = re.compile(r"NRRD000[1-5]")
HEADER_BYTES = 1 << 20
"""The longest header that is looked at; segmentations keep long descriptions in theirs."""

TO_RAS = {
    "right-anterior-superior": (1.0, 1.0, 1.0),
    "ras": (1.0, 1.0, 1.0),
    "left-anterior-superior": (-1.0, 1.0, 1.0),
    "las": (-1.0, 1.0, 1.0),
    "left-posterior-superior": (-1.0, -1.0, 1.0),
    "lps": (-1.0, -1.0, 1.0),
}
"""Spaces that say where the patient's left is -> signs of their axes in RAS. Others (scanner-xyz, 3D-right-handed) do
not say it."""

TYPES = {
    "i1": ("signed char", "int8", "int8_t"),
    "u1": ("uchar", "unsigned char", "uint8", "uint8_t"),
    "i2": ("short", "short int", "signed short", "signed short int", "int16", "int16_t"),
    "u2": ("ushort", "unsigned short", "unsigned short int", "uint16", "uint16_t"),
    "i4": ("int", "signed int", "int32", "int32_t"),
    "u4": ("uint", "unsigned int", "uint32", "uint32_t"),
    "i8": ("longlong", "long long", "long long int", "signed long long", "signed long long int", "int64", "int64_t"),
    "u8": ("ulonglong", "unsigned long long", "unsigned long long int", "uint64", "uint64_t"),
    "f4": ("float",),
    "f8": ("double",),
}

ENDIANS = {"little": "<", "big": ">"}
PLAIN, DEFLATED = ("raw",), ("gzip", "gz")

KNOWN = frozenset(
    {
        "dimension",
        "type",
        "encoding",
        "endian",
        "content",
        "min",
        "max",
        "old min",
        "oldmin",
        "old max",
        "oldmax",
        "data file",
        "datafile",
        "line skip",
        "lineskip",
        "byte skip",
        "byteskip",
        "number",
        "sample units",
        "sampleunits",
        "sizes",
        "thicknesses",
        "axis mins",
        "axismins",
        "axis maxs",
        "axismaxs",
        "centerings",
        "centers",
        "labels",
        "units",
        "kinds",
        "space",
        "space dimension",
        "space units",
        "space origin",
        "space directions",
        "measurement frame",
    }
)
"""Fields that may stand in the header of a placed volume; spacings would contradict its directions."""

VECTOR = re.compile(r"\(([^()]*)\)|none")


def read_nrrd(path: Path, budget_mb: float) -> Volume:
    """The volume of an NRRD file, or of a header with its file of voxels beside it; affine in RAS mm, axes as stored.

    Raises
    ------
    BadFile : not NRRD, damaged or cut short, several numbers per voxel, larger than the budget
    BadGeometry : no patient space, directions or origin, lengths not in mm, or more than one volume
    """
    fields, begin = _header(path)
    sizes = whole_numbers(fields.get("sizes", ""), None, WHO, "sizes")
    if fields.get("dimension", "").strip() != str(len(sizes)):
        raise BadFile(WHO, "must give one size for each dimension", got=(fields.get("dimension"), sizes[:9]))
    _check_scalar(fields)
    shape = volume_shape(sizes)
    check_budget(shape, budget_mb)
    affine = _affine_ras_mm(fields, len(sizes))
    return Volume(rescaled(read_raw(_raw(path, fields, begin, shape)), 1.0, 0.0), affine, provenance={"format": "NRRD"})


def _header(path: Path) -> tuple[dict[str, str], int]:
    """The fields by name, and the bytes before the voxels of an attached file."""
    with path.open("rb") as file:
        content = file.read(HEADER_BYTES)
    end = re.search(rb"\r?\n\r?\n", content)
    attached = path.suffix.lower() == ".nrrd"
    if end is None and (attached or len(content) == HEADER_BYTES):
        raise BadFile(
            "the NRRD file",
            "must be a whole NRRD image",
            got="a header without an end",
            do="Export or copy the file again.",
        )
    lines = ascii_text(content[: end.start() if end else len(content)], WHO).splitlines()
    if not lines or not MAGIC.fullmatch(lines[0].strip()):
        raise BadFile(
            "the NRRD file", "must be a whole NRRD image", got="another beginning", do="Export or copy the file again."
        )
    return _fields(lines[1:]), end.end() if end else 0


def _fields(lines: list[str]) -> dict[str, str]:
    fields: dict[str, str] = {}
    for line in lines:
        name, colon, value = line.partition(":")
        # A comment, or a key with a value of somebody's own.
        if line.startswith("#") or value.startswith("="):
            continue
        name = name.strip().lower()
        if not colon or name not in KNOWN:
            raise BadFile(WHO, "must hold fields that are known", got=line[:60], do="Export the file again.")
        if name in fields:
            raise BadGeometry(WHO, "must give each field once", got=f"two of {name!r}", do="Export the file again.")
        fields[name] = value.strip()
    return fields


def _check_scalar(fields: dict[str, str]) -> None:
    spatial = {"domain", "space", "???", "none"}
    strange = [kind for kind in fields.get("kinds", "").lower().split()[:3] if kind not in spatial]
    if strange:
        raise BadFile(
            "the NRRD file",
            "must hold one number per voxel",
            got=", ".join(strange)[:60],
            do="Export a single channel.",
        )


def _affine_ras_mm(fields: dict[str, str], dimension: int) -> Float:
    space = fields.get("space", "").lower()
    if space not in TO_RAS:
        reported = f"space {space[:40]!r}" if space else "no 'space' field"
        raise BadGeometry(
            WHO,
            "must say where left and right are",
            got=reported,
            do=f"Export it again with the patient space, such as left-posterior-superior; {GUESS}",
        )
    for name in ("space directions", "space origin"):
        if name not in fields:
            raise BadGeometry(WHO, f"must hold {name!r}", got="a space without it", do=f"Export it again; {GUESS}")
    units = re.findall(r'"([^"]*)"', fields.get("space units", ""))
    if any(unit.strip() not in ("mm", "") for unit in units):
        raise BadGeometry(WHO, "must give lengths in mm", got=", ".join(units)[:60], do="Export it again in mm.")
    signs = np.array(TO_RAS[space])
    affine = np.eye(4)
    affine[:3, :3] = signs[:, None] * np.array(_vectors(fields["space directions"], dimension)).T
    affine[:3, 3] = signs * _vectors(fields["space origin"], 1)[0]
    return affine


def _vectors(text: str, count: int) -> list[tuple[float, ...]]:
    """The vectors of the first axes; axes of one sample beyond the third have none."""
    found = [match[1] for match in VECTOR.finditer(text)]
    rest = VECTOR.sub("", text).strip()
    if rest or len(found) != count or None in found[:3] or any(vector is not None for vector in found[3:]):
        raise BadGeometry(
            WHO,
            f"must give {count} directions and one origin as vectors",
            got=text[:60],
            do=f"Export it again; {GUESS}",
        )
    return [finite_numbers(vector.split(","), 3, WHO, "a vector") for vector in found[:3] if vector is not None]


def _raw(path: Path, fields: dict[str, str], begin: int, shape: Index3) -> RawVoxels:
    encoding = fields.get("encoding", "").lower()
    if encoding not in PLAIN + DEFLATED:
        raise BadFile(WHO, "must have the encoding raw or gzip", got=encoding[:40], do="Export it with one of these.")
    named = one_of(fields, ("data file", "datafile"), WHO)
    skips = [one_of(fields, names, WHO) for names in (("byte skip", "byteskip"), ("line skip", "lineskip"))]
    byte_skip, line_skip = (whole_numbers(skip or "0", 1, WHO, "skip")[0] for skip in skips)
    if line_skip or byte_skip < -1 or (byte_skip and encoding in DEFLATED):
        raise BadFile(
            WHO,
            "must not skip lines, nor bytes of what is compressed",
            got=(line_skip, byte_skip),
            do="Export it as one file.",
        )
    file, start = (path, begin) if named is None else (beside(path, named, WHO), 0)
    return RawVoxels(
        "the NRRD file", file, -1 if byte_skip < 0 else start + byte_skip, _dtype(fields), shape, encoding in DEFLATED
    )


def _dtype(fields: dict[str, str]) -> np.dtype[np.generic]:
    reported = " ".join(fields.get("type", "").lower().split())
    code = next((code for code, names in TYPES.items() if reported in names), None)
    if code is None:
        raise BadFile("the NRRD file", "must hold plain numbers", got=reported[:40], do="Export it with whole numbers.")
    order = ENDIANS.get(fields.get("endian", "").lower(), "|" if code.endswith("1") else "")
    if not order:
        raise BadFile(WHO, "must say the order of bytes as 'endian'", got=fields.get("endian"), do="Export it again.")
    return np.dtype(order + code)
