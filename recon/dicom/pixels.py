"""Decoded and rescaled voxels of ordered slices, whatever the transfer syntax."""

from __future__ import annotations

import warnings
from collections.abc import Sequence

import numpy as np
import pydicom
from pydicom.pixels.decoders.base import get_decoder
from pydicom.pixels.utils import pixel_array
from pydicom.uid import UID

from canalwise.recon.dicom.headers import HU_TYPES, SliceHeader
from canalwise.recon.dicom.series import Group
from canalwise.recon.dicom.sources import DicomSource
from canalwise.recon.errors import BadFile, UnusableInput
from canalwise.recon.image.volume import Voxels, rescaled

PADDING_HU = -1024
"""Padding outside the reconstruction circle is kept as air."""

AIR_HU = -1000.0


def slice_voxels(group: Group, sources: Sequence[DicomSource]) -> tuple[Voxels, str, tuple[str, ...]]:
    """(columns, rows, slices) array of values, how they were rescaled, and warnings.

    Raises BadFile when a slice cannot be decoded, UnusableInput when the rescale is of no use for CT.
    """
    reported = _rescale_told(group)
    values: list[Voxels] = []
    opened: tuple[int, Voxels] = (-1, np.empty(0))
    for number, header in enumerate(group):
        # A multi-frame file is opened once; files of one slice never twice.
        if opened[0] != header.source:
            opened = (header.source, decoded(sources[header.source], f"slice {number + 1} of {len(group)}"))
        values.append(_values(_frame(opened[1], header), header))
    stack = np.stack(values).transpose(2, 1, 0)
    return rescaled(stack, 1.0, 0.0) if stack.dtype.kind == "f" else stack, reported, _value_warnings(group)


def _value_warnings(group: Group) -> tuple[str, ...]:
    unstated = group[0].rescale is None and group[0].modality == "CT"
    reported = {
        "The series states no rescale; its stored values were taken as Hounsfield units.": unstated,
        "The slices were compressed with loss; thin bone may be blurred.": any(h.lossy for h in group),
    }
    return tuple(sentence for sentence, applies in reported.items() if applies)


def _rescale_told(group: Group) -> str:
    stated = {header.rescale for header in group}
    if None in stated and len(stated) > 1:
        lacking = sum(header.rescale is None for header in group)
        raise UnusableInput(
            "the slices",
            "must all state a rescale or none",
            got=f"{lacking} of {len(group)} without",
            do="Export the series again.",
        )
    strange = {header.rescale_type for header in group} - set(HU_TYPES)
    if group[0].modality == "CT" and strange:
        raise UnusableInput(
            "the CT",
            "must be rescaled to Hounsfield units",
            got=", ".join(sorted(strange))[:32],
            do="Give the plain CT series, not a material or atomic-number map.",
        )
    if None in stated:
        return "none stated"
    pairs = sorted(pair for pair in stated if pair is not None)
    reported = "; ".join(f"slope {slope:g}, intercept {intercept:g}" for slope, intercept in pairs[:3])
    return reported + (f" and {len(pairs) - 3} more" if len(pairs) > 3 else "")


def decoded(source: DicomSource, who: str) -> Voxels:
    """(rows, columns) or (frames, rows, columns) array of stored numbers; raises BadFile, naming `who`."""
    with source.opened() as file, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            dataset = pydicom.dcmread(file)
            _check_decoder(dataset.file_meta.get("TransferSyntaxUID"))
            return np.asarray(pixel_array(dataset, raw=True))
        except UnusableInput:
            raise
        except Exception:
            # Decoders raise what they like on damaged data, and may quote the file.
            raise BadFile(
                who,
                "must be whole",
                got="pixels that cannot be decoded (cut short or damaged)",
                do="Copy or export the series again.",
            ) from None


def _check_decoder(syntax: UID | None) -> None:
    try:
        decoder = get_decoder(syntax) if syntax else None
        lacking = decoder.missing_dependencies if decoder and not decoder.is_available else None
    except NotImplementedError:
        lacking = ["no known decoder"]
    if syntax is not None and lacking is not None:
        raise BadFile(
            "the slices",
            "must be in a transfer syntax that can be decoded",
            got=syntax.name,
            do=f"Needed: {'; '.join(lacking)}. Or export the series uncompressed.",
        )


def _frame(decoded: Voxels, header: SliceHeader) -> Voxels:
    frame: Voxels = decoded[header.frame] if decoded.ndim == 3 else decoded
    if frame.shape != header.shape:
        raise BadFile("a slice", f"must have the {header.shape} pixels its header promises", got=frame.shape)
    return frame


def _values(stored: Voxels, header: SliceHeader) -> Voxels:
    slope, intercept = header.rescale or (1.0, 0.0)
    values = rescaled(stored, slope, intercept)
    if header.modality == "CT" and header.padding is not None and header.padding * slope + intercept < AIR_HU:
        values[stored == header.padding] = PADDING_HU
    return values
