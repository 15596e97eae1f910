"""DICOM in: files, headers, one series, one stack, and only then pixels."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import cast

from canalwise.recon.dicom.headers import read_headers
from canalwise.recon.dicom.pixels import slice_voxels
from canalwise.recon.dicom.series import chosen_group
from canalwise.recon.dicom.sources import dicom_sources
from canalwise.recon.dicom.stack import stacked
from canalwise.recon.image.volume import Volume, check_budget
from canalwise.recon.modality import ModalityName


def read_dicom(path: Path, budget_mb: float, series: int | None = None) -> Volume:
    """The volume of a DICOM folder, zip archive or file, affine in RAS mm, perhaps leaning (gantry tilt).

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
    ordered, affine, copies = stacked(group)
    voxels, rescale, unstated = slice_voxels(ordered, sources)
    reported = {"format": "DICOM", "slices": str(len(ordered)), "rescale": rescale}
    skipped = {
        f"{headers.not_dicom} files that are not DICOM were skipped.": headers.not_dicom,
        f"{headers.other_objects} DICOM objects without slices were skipped.": headers.other_objects,
    }
    warnings = (*aside, *copies, *unstated, *(sentence for sentence, count in skipped.items() if count))
    return Volume(voxels, affine, cast(ModalityName, ordered[0].modality), reported, warnings)
