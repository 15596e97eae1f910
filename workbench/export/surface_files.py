"""Closed surfaces as STL, PLY and OBJ, in mm of the patient's frame RAS; and as one 3MF package.

3MF: core specification 1.3 (https://github.com/3MFConsortium/spec_core). STL has no place for more than 80 bytes of
words; the others carry unit, frame and caution.
"""

from __future__ import annotations

import io
import zipfile
from collections.abc import Sequence
from xml.sax.saxutils import escape, quoteattr

import numpy as np

from canalwise.recon.disclaimer import CAUTION
from canalwise.recon.image.isosurface import ClosedSurface, stl_bytes
from canalwise.workbench.export.structures import NamedSurface
from canalwise.workbench.style.palette import rgb_frac

FRAME = "lengths in mm; patient frame RAS: x right, y anterior, z superior"

DIGITS = 4
"""Decimals of a length in a text format: a tenth of a micrometre."""

CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
MODEL_TYPE = "application/vnd.ms-package.3dmanufacturing-3dmodel+xml"
PACKAGE = "http://schemas.openxmlformats.org/package/2006"
START_TYPE = "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"
EARLIEST = (1980, 1, 1, 0, 0, 0)
"""The earliest time a zip archive can tell: a true one would differ from run to run."""


def stl_file(made: NamedSurface) -> bytes:
    """Binary STL."""
    return stl_bytes(made.surface)


def ply_file(made: NamedSurface) -> bytes:
    """Binary little-endian PLY, one colour a vertex."""
    surface = made.surface
    words = [FRAME, f"{made.name}: {made.about}", CAUTION]
    head = ["ply", "format binary_little_endian 1.0", *(f"comment {line}" for line in words)]
    head += [f"element vertex {len(surface.vertices_ras_mm)}", *(f"property double {axis}" for axis in "xyz")]
    head += [f"property uchar {colour}" for colour in ("red", "green", "blue")]
    head += [f"element face {len(surface.faces)}", "property list uchar int vertex_indices", "end_header"]
    vertices = np.zeros(len(surface.vertices_ras_mm), dtype=[("xyz", "<f8", 3), ("rgb", "u1", 3)])
    vertices["xyz"], vertices["rgb"] = surface.vertices_ras_mm, _rgb(made.colour)
    faces = np.zeros(len(surface.faces), dtype=[("count", "u1"), ("corners", "<i4", 3)])
    faces["count"], faces["corners"] = 3, surface.faces
    return "\n".join([*head, ""]).encode() + vertices.tobytes() + faces.tobytes()


def obj_file(made: NamedSurface) -> bytes:
    """Wavefront OBJ; lengths to a tenth of a micrometre."""
    lines = [f"# {FRAME}", f"# {CAUTION}", f"o {made.name}"]
    lines += [f"v {x:.{DIGITS}f} {y:.{DIGITS}f} {z:.{DIGITS}f}" for x, y, z in made.surface.vertices_ras_mm.tolist()]
    lines += [f"f {a} {b} {c}" for a, b, c in (made.surface.faces + 1).tolist()]
    return "\n".join([*lines, ""]).encode()


def three_mf_file(made: Sequence[NamedSurface]) -> bytes:
    """All surfaces as objects of one 3MF package, in mm, each with its name and colour."""
    parts = {
        "[Content_Types].xml": f'<Types xmlns="{PACKAGE}/content-types">'
        '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
        f'<Default Extension="model" ContentType="{MODEL_TYPE}"/></Types>',
        "_rels/.rels": f'<Relationships xmlns="{PACKAGE}/relationships">'
        f'<Relationship Id="r0" Type="{START_TYPE}" Target="/3D/model.model"/></Relationships>',
        "3D/model.model": _model(made),
    }
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, text in parts.items():
            entry = zipfile.ZipInfo(name, EARLIEST)
            entry.compress_type, entry.external_attr = zipfile.ZIP_DEFLATED, 0o644 << 16
            archive.writestr(entry, '<?xml version="1.0" encoding="UTF-8"?>\n' + text)
    return packed.getvalue()


def _model(made: Sequence[NamedSurface]) -> str:
    words = {"Title": "canalwise", "Description": f"{FRAME}. {CAUTION}"}
    metadata = "".join(f'<metadata name="{name}">{escape(text)}</metadata>' for name, text in words.items())
    colours = sorted({one.colour for one in made})
    bases = "".join(f'<base name="{c}" displaycolor="{c.upper()}"/>' for c in colours)
    objects = "".join(_object(n, one, colours.index(one.colour)) for n, one in enumerate(made, start=2))
    items = "".join(f'<item objectid="{n}"/>' for n in range(2, len(made) + 2))
    return (
        f'<model unit="millimeter" xml:lang="en" xmlns="{CORE}">{metadata}<resources>'
        f'<basematerials id="1">{bases}</basematerials>{objects}</resources><build>{items}</build></model>'
    )


def _object(number: int, made: NamedSurface, colour: int) -> str:
    points = "".join(
        f'<vertex x="{x:.{DIGITS}f}" y="{y:.{DIGITS}f}" z="{z:.{DIGITS}f}"/>'
        for x, y, z in made.surface.vertices_ras_mm.tolist()
    )
    faces = "".join(f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in made.surface.faces.tolist())
    return (
        f'<object id="{number}" name={quoteattr(made.name)} type="model" pid="1" pindex="{colour}"><mesh>'
        f"<vertices>{points}</vertices><triangles>{faces}</triangles></mesh></object>"
    )


def _rgb(colour: str) -> list[int]:
    return [round(255 * share) for share in rgb_frac(colour)]


def extent_mm(surface: ClosedSurface) -> list[list[float]]:
    """Least and greatest corner, for who checks a file against what was written.

    >>> corners = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1.0]])
    >>> extent_mm(ClosedSurface(corners, np.array([[0, 2, 1]])))
    [[0.0, 0.0, 0.0], [1.0, 1.0, 1.0]]
    """
    return [np.round(end, 3).tolist() for end in (surface.vertices_ras_mm.min(0), surface.vertices_ras_mm.max(0))]
