"""NRRD and MetaImage in, through SimpleITK; LPS is turned to RAS here, once."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from canalwise.recon.errors import BadFile, BadGeometry
from canalwise.recon.grid import Float
from canalwise.recon.image.volume import Volume, check_budget, rescaled, volume_shape

if TYPE_CHECKING:
    import SimpleITK

Answer = TypeVar("Answer")

LPS_TO_RAS = np.diag([-1.0, -1.0, 1.0])
NRRD_SUFFIXES = (".nrrd", ".nhdr")
META_SUFFIXES = (".mha", ".mhd")


def read_itk_image(path: Path, budget_mb: float) -> Volume:
    """The volume of an NRRD or MetaImage file, affine in RAS mm; axes as stored.

    Raises
    ------
    BadFile : missing, truncated, not of its format, colour voxels, larger than the budget
    BadGeometry : more than one volume, or an NRRD file that names no patient space
    """
    # Only where it is needed: it takes 100 MB, and most who open a case read no such file.
    import SimpleITK

    kind = "NRRD" if path.suffix.lower() in NRRD_SUFFIXES else "MetaImage"
    reader = SimpleITK.ImageFileReader()
    reader.SetFileName(str(path))
    reader.SetImageIO("NrrdImageIO" if kind == "NRRD" else "MetaImageIO")
    _attempt(reader.ReadImageInformation, kind)
    shape = volume_shape(reader.GetSize())
    check_budget(shape, budget_mb)
    if reader.GetNumberOfComponents() != 1:
        raise BadFile(f"the {kind} file", "must hold one number per voxel", got=reader.GetNumberOfComponents())
    if kind == "NRRD":
        _check_space(path)
    affine = _affine_ras_mm(reader)
    image = _attempt(reader.Execute, kind)
    stored = SimpleITK.GetArrayFromImage(image).T.reshape(shape)
    return Volume(rescaled(stored, 1.0, 0.0), affine, provenance={"format": kind})


def _attempt(step: Callable[[], Answer], kind: str) -> Answer:
    try:
        return step()
    except (RuntimeError, MemoryError):
        # SimpleITK's own text names the file, which may name the patient.
        raise BadFile(
            f"the {kind} file",
            f"must be a whole {kind} image",
            got="a file that cannot be read",
            do="Export or copy the file again.",
        ) from None


def _check_space(path: Path) -> None:
    with path.open("rb") as file:
        header = file.read(65536).split(b"\n\n", 1)[0].lower()
    if b"space:" not in header.replace(b"space :", b"space:"):
        raise BadGeometry(
            "the NRRD header",
            "must say where left and right are",
            got="no 'space' field",
            do="Export it again with the patient space, such as left-posterior-superior.",
        )


def _affine_ras_mm(reader: SimpleITK.ImageFileReader) -> Float:
    count = reader.GetDimension()
    direction = np.array(reader.GetDirection()).reshape(count, count)[:3, :3]
    affine = np.eye(4)
    affine[:3, :3] = LPS_TO_RAS @ direction * np.array(reader.GetSpacing())[:3]
    affine[:3, 3] = LPS_TO_RAS @ np.array(reader.GetOrigin())[:3]
    return affine
