"""DICOM in: files, headers, one series, one stack, and only then pixels."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import cast

from canalwise.recon.dicom.copies import without_copies
from canalwise.recon.dicom.headers import FILES_NAMED, Group, Headers, damaged_files, read_headers
from canalwise.recon.dicom.pixels import StoredSlices, slice_voxels
from canalwise.recon.dicom.series import check_one_patient, chosen_group, description, volume_groups
from canalwise.recon.dicom.sources import DicomSource, dicom_sources
from canalwise.recon.dicom.stack import stacked
from canalwise.recon.errors import BadFile, BadGeometry, UnusableInput
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
    stack = _stack_of(group, headers, sources, budget_mb)
    warnings = (*aside, *stack.volume.warnings, *_skipped(headers))
    return replace(stack, volume=replace(stack.volume, warnings=warnings))


@dataclass(frozen=True, eq=False)
class ExaminationStack:
    """One of several stacks of an examination.

    Parameters
    ----------
    volume : as `read_dicom` gives it
    said : modality, count, size, spacing and plane, in words
    place : what it shares with all that was taken without the patient moving off the table
    echo_ms, repetition_ms : of the sequence, where stated
    """

    volume: Volume
    said: str
    place: str
    echo_ms: float | None = None
    repetition_ms: float | None = None


def read_dicom_stacks(path: Path, budget_mb: float) -> tuple[tuple[ExaminationStack, ...], tuple[str, ...]]:
    """Every stack of an examination of MR, the largest first, and sentences about those that cannot be used.

    Anything but several MR series of one patient is read as `read_dicom` reads it, which refuses what it must.
    """
    sources = dicom_sources(path, budget_mb)
    headers = read_headers(sources, budget_mb)
    volumes, scouts = volume_groups(headers.slices)
    if len(volumes) < 2 or any(group[0].modality != "MR" for group in volumes):
        one = read_dicom(path, budget_mb)
        return (ExaminationStack(one, description(volumes[0]), volumes[0][0].series),), ()
    check_one_patient(headers.slices)
    stacks, left_out = [], [f"A scout was left out: {description(group)}." for group in scouts]
    for group in volumes:
        try:
            volume = _stack_of(group, headers, sources, budget_mb).volume
        except (BadGeometry, UnusableInput) as why:
            left_out.append(f"A series was left out ({description(group)}): {why.who} {why.rule}.")
            continue
        first, place = group[0], group[0].series.partition("/")[2]
        stacks.append(ExaminationStack(volume, description(group), place, first.echo_ms, first.repetition_ms))
    if not stacks:
        raise BadFile("the folder", "must hold a series that can be read", got="; ".join(left_out))
    return tuple(stacks), (*left_out, *_skipped(headers))


def _stack_of(group: Group, headers: Headers, sources: tuple[DicomSource, ...], budget_mb: float) -> DicomStack:
    """The volume of slices that belong together, and the slices."""
    # A multi-frame file is decoded whole, even when only some of its frames are wanted.
    frames = Counter(header.source for header in headers.slices)
    check_budget((*group[0].shape, max(len(group), *(frames[header.source] for header in group))), budget_mb)
    distinct, copies = without_copies(group, partial(StoredSlices(sources).stored, who="a slice"))
    ordered, affine = _stacked(distinct, headers.left_out)
    read = slice_voxels(ordered, sources)
    affine[:3, 3] += read.first * affine[:3, 2]
    reported = {"format": "DICOM", "slices": str(read.voxels.shape[2]), "rescale": read.rescale}
    warnings = (*copies, *_left_out(headers.left_out), *read.warnings)
    volume = Volume(read.voxels, affine, cast(ModalityName, ordered[0].modality), reported, warnings)
    return DicomStack(volume, ordered[read.first : read.first + read.voxels.shape[2]], sources)


def _skipped(headers: Headers) -> tuple[str, ...]:
    skipped = {
        f"{headers.not_dicom} files that are not DICOM were skipped.": headers.not_dicom,
        f"{headers.other_objects} DICOM objects without slices were skipped.": headers.other_objects,
    }
    return tuple(sentence for sentence, count in skipped.items() if count)


def _stacked(group: Group, left_out: tuple[str, ...]) -> tuple[Group, Float]:
    """As `stacked`; where files had to be left out, a gap is attributed to them."""
    try:
        return stacked(group)
    except BadGeometry as gap:
        if not left_out:
            raise
        raise damaged_files(left_out, f"{gap.who} {gap.rule}: {gap.got}") from None


def _left_out(files: tuple[str, ...]) -> tuple[str, ...]:
    if not files:
        return ()
    named = ", ".join(files[:FILES_NAMED]) + (" and more" if len(files) > FILES_NAMED else "")
    return (
        f"Left out, counted in the order of file names: {named}. The other slices follow each other without a gap, "
        "but the stack may end early.",
    )
