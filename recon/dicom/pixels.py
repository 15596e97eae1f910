"""Decoded and rescaled voxels of ordered slices, whatever the transfer syntax."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pydicom
from pydicom.pixels.decoders.base import get_decoder
from pydicom.pixels.utils import pixel_array
from pydicom.uid import UID

from canalwise.recon.dicom.headers import HU_TYPES, LEFT_OUT_FRAC, Group, SliceHeader
from canalwise.recon.dicom.sources import DicomSource
from canalwise.recon.errors import BadFile, UnusableInput
from canalwise.recon.image.volume import Voxels, rescaled

PADDING_HU = -1024
"""Padding outside the reconstruction circle is kept as air."""

AIR_HU = -1000.0

NOT_SUPPORTED = "does not support"
"""In the words of pydicom where no decoder takes pixels that may be whole."""


@dataclass(frozen=True, eq=False)
class SliceVoxels:
    """The voxels of a stack.

    Parameters
    ----------
    voxels : (columns, rows, slices) array of values
    first : how many slices at the beginning of the stack were left out, for they cannot be decoded
    rescale : how the values came about
    warnings : sentences for people
    """

    voxels: Voxels
    first: int
    rescale: str
    warnings: tuple[str, ...]


def slice_voxels(group: Group, sources: Sequence[DicomSource]) -> SliceVoxels:
    """The values of ordered slices; damaged ones at either end are left out and reported.

    Raises BadFile when a slice between others cannot be decoded, UnusableInput when the rescale is of no use for CT.
    """
    reported = _stated_rescale(group)
    read = StoredSlices(sources)
    values: list[Voxels | None] = []
    problems: list[BadFile] = []
    for number, header in enumerate(group):
        try:
            values.append(_values(read.stored(header, f"slice {number + 1} of {len(group)}"), header))
        except BadFile as problem:
            values.append(None)
            problems.append(problem)
    first, end = _whole_part(values, problems)
    stack = np.stack([value for value in values[first:end] if value is not None]).transpose(2, 1, 0)
    lost = [str(k + 1) for k in range(len(group)) if not first <= k < end]
    left_out = f"Slices {', '.join(lost)} of {len(group)}, at the end of the stack, are damaged and were left out."
    return SliceVoxels(
        rescaled(stack, 1.0, 0.0) if stack.dtype.kind == "f" else stack,
        first,
        reported,
        (*((left_out,) if lost else ()), *_value_warnings(group)),
    )


def _whole_part(values: Sequence[Voxels | None], problems: Sequence[BadFile]) -> tuple[int, int]:
    """(first, end) of the slices that are whole; raises the first problem where others lie between damaged ones."""
    good = [k for k, value in enumerate(values) if value is not None]
    if problems and (len(problems) > LEFT_OUT_FRAC * len(good) or good[-1] - good[0] + 1 != len(good)):
        first = problems[0]
        raise BadFile(
            first.who,
            first.rule,
            do=first.do,
            got=f"{first.got}; without it the stack has a gap" if good else first.got,
        )
    return good[0], good[-1] + 1


class StoredSlices:
    """The stored numbers of slices; a multi-frame file is opened once for all its frames that follow each other."""

    def __init__(self, sources: Sequence[DicomSource]) -> None:
        self._sources = sources
        self._opened: tuple[int, Voxels] = (-1, np.empty(0))

    def stored(self, header: SliceHeader, who: str) -> Voxels:
        """(rows, columns) array of stored numbers; raises BadFile, naming `who`."""
        if self._opened[0] != header.source:
            self._opened = (header.source, decoded(self._sources[header.source], who))
        return _frame(self._opened[1], header)


def _value_warnings(group: Group) -> tuple[str, ...]:
    unstated = group[0].rescale is None and group[0].modality == "CT"
    reported = {
        "The series states no rescale; its stored values were taken as Hounsfield units.": unstated,
        "The slices were compressed with loss; thin bone may be blurred.": any(h.lossy for h in group),
    }
    return tuple(sentence for sentence, applies in reported.items() if applies)


def _stated_rescale(group: Group) -> str:
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
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            # Let go of before it is decoded: an unpacked member of an archive is as large as its pixels.
            with source.opened() as file:
                dataset = pydicom.dcmread(file)
            _check_decoder(dataset.file_meta.get("TransferSyntaxUID"))
            _check_bits(dataset, who)
            return np.asarray(pixel_array(dataset, raw=True))
        except UnusableInput:
            raise
        except Exception as problem:
            # Decoders raise what they like on damaged data, and may quote the file.
            if NOT_SUPPORTED in str(problem):
                raise _no_decoder(dataset) from None
            raise BadFile(
                who,
                "must be whole",
                got="pixels that cannot be decoded (cut short or damaged)",
                do="Copy or export the series again.",
            ) from None


def _check_bits(dataset: pydicom.Dataset, who: str) -> None:
    """Stored numbers must fill the low bits (PS3.5 8.1.1): read as they are, others would be 16 times too large."""
    stored, high = dataset.get("BitsStored"), dataset.get("HighBit")
    if stored is not None and high is not None and int(high) != int(stored) - 1:
        raise BadFile(
            who,
            "must keep its numbers in the low bits",
            got=f"BitsStored {stored}, HighBit {high}",
            do="Export the series again.",
        )


def _no_decoder(dataset: pydicom.Dataset) -> BadFile:
    kind = f"{dataset.file_meta.TransferSyntaxUID.name}, {dataset.get('BitsStored')} bits"
    return BadFile(
        "the slices",
        "must be in a transfer syntax that can be decoded",
        got=kind,
        do="Export the series uncompressed, or compressed without loss.",
    )


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
