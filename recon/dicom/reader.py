"""DICOM in: files, headers, one series, one stack, and only then pixels."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import cast

from canalwise.recon.dicom.copies import without_copies
from canalwise.recon.dicom.headers import TOLD_FILES, damaged_files, read_headers
from canalwise.recon.dicom.pixels import StoredSlices, slice_voxels
from canalwise.recon.dicom.series import Group, chosen_group
from canalwise.recon.dicom.sources import DicomSource, dicom_sources
from canalwise.recon.dicom.stack import stacked
from canalwise.recon.errors import BadGeometry
from canalwise.recon.grid import Float
from canalwise.recon.image.volume import Volume, check_budget
from canalwise.recon.modality import ModalityName


@dataclass(frozen=True, eq=False)
class DicomStack:
    """A volume and the slices it was stacked from.

    Parameters
    ----------
    volume : affine in RAS mm, perhaps leaning (gantry tilt)
    slices : in the order of the volume's third axis
    sources : the files, to which the slices refer by number
    """

    volume: Volume
    slices: Group
    sources: tuple[DicomSource, ...]


def read_dicom(path: Path, budget_mb: float, series: int | None = None) -> Volume:
    """The volume of a DICOM folder, zip archive or file, affine in RAS mm, perhaps leaning (gantry tilt).

    Raises as `read_dicom_stack`.
    """
    return read_dicom_stack(path, budget_mb, series).volume


def read_dicom_stack(path: Path, budget_mb: float, series: int | None = None) -> DicomStack:
    """The volume of a DICOM folder, zip archive or file, with its slices.

    Raises
    ------
    BadFile : no slices, damaged or undecodable files, several series and none chosen, over the budget
    BadGeometry : duplicate, missing or unevenly spaced slices
    UnusableInput : a rescale that gives no Hounsfield units
    """
    sources = dicom_sources(path, budget_mb)
    headers = read_headers(sources, budget_mb)
    group, aside = chosen_group(headers.slices, series)
    # A multi-frame file is decoded whole, even when only some of its frames are wanted.
    frames = Counter(header.source for header in headers.slices)
    check_budget((*group[0].shape, max(len(group), *(frames[header.source] for header in group))), budget_mb)
    distinct, copies = without_copies(group, partial(StoredSlices(sources).stored, who="a slice"))
    ordered, affine = _stacked(distinct, headers.left_out)
    read = slice_voxels(ordered, sources)
    affine[:3, 3] += read.first * affine[:3, 2]
    reported = {"format": "DICOM", "slices": str(read.voxels.shape[2]), "rescale": read.rescale}
    skipped = {
        f"{headers.not_dicom} files that are not DICOM were skipped.": headers.not_dicom,
        f"{headers.other_objects} DICOM objects without slices were skipped.": headers.other_objects,
    }
    warnings = (
        *aside,
        *copies,
        *_left_out(headers.left_out),
        *read.warnings,
        *(sentence for sentence, count in skipped.items() if count),
    )
    volume = Volume(read.voxels, affine, cast(ModalityName, ordered[0].modality), reported, warnings)
    return DicomStack(volume, ordered[read.first : read.first + read.voxels.shape[2]], sources)


def _stacked(group: Group, left_out: tuple[str, ...]) -> tuple[Group, Float]:
    """As `stacked`; where files had to be left out, a gap is told as theirs."""
    try:
        return stacked(group)
    except BadGeometry as gap:
        if not left_out:
            raise
        raise damaged_files(left_out, f"{gap.who} {gap.rule}: {gap.got}") from None


def _left_out(files: tuple[str, ...]) -> tuple[str, ...]:
    if not files:
        return ()
    named = ", ".join(files[:TOLD_FILES]) + (" and more" if len(files) > TOLD_FILES else "")
    return (
        f"Left out, counted in the order of file names: {named}. The other slices follow each other without a gap, "
        "but the stack may end early.",
    )
