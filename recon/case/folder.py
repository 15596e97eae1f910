"""A case on disk: one folder that holds a scan, its anatomy, and the plans and results made on them.

Its own files are those of `recon.case.case_files`; whatever else lies in the folder outlives a rewrite.
``case.json`` (provenance, confidence, corrections, sources, warnings, meshes, caution), ``scan.nii.gz``,
``labels.nii.gz`` with ``labels.json``, ``occupancy.nii.gz``, ``anatomy.json``, and the folders ``meshes`` (STL of what
`recon.case.meshes` names), ``plans`` and ``results``. NIfTI keeps affines in single precision, so the exact ones stand
in the JSON files.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from canalwise.recon.anatomy import Anatomy, Correction, Level, Naming, Source
from canalwise.recon.case.case_files import FILES, FOLDERS, carry_foreign
from canalwise.recon.case.folder_writing import set_aside, tidied, write_folder_atomic
from canalwise.recon.case.meshes import write_meshes
from canalwise.recon.disclaimer import CAUTION
from canalwise.recon.errors import BadCase, UnusableInput
from canalwise.recon.folder_lock import is_abandoned, locked
from canalwise.recon.grid import Grid
from canalwise.recon.image.volume import BUDGET_MB, Voxels, row_major
from canalwise.recon.intake.nifti_reader import stored_voxels
from canalwise.recon.intake.nifti_writer import write_nifti
from canalwise.recon.labels import label_names
from canalwise.recon.modality import ModalityName
from canalwise.recon.parallel import both
from canalwise.recon.scan import Scan
from canalwise.recon.serialization import (
    WRITING,
    from_data,
    json_text,
    read_json,
    to_data,
    with_schema,
    without_schema,
)

CASE_SCHEMA, ANATOMY_SCHEMA, LABELS_SCHEMA = "canalwise.case/1", "canalwise.anatomy/1", "canalwise.labels/1"
ANATOMY_FILES = ("anatomy.json", "labels.nii.gz", "occupancy.nii.gz")
"""What an anatomy is on disk: its checksum is theirs."""

OCCUPANCY_STEPS = 255
"""Occupancy is kept in this many steps: 0.4 % of a voxel, below what any scan resolves."""


@dataclass(frozen=True, eq=False)
class Case:
    """A scan and its anatomy, with the folder that holds them.

    Parameters
    ----------
    anatomy_sha256 : as `anatomy_checksum`; plans and results carry it. Empty for a case that is on no disk
    notes : what was put in order when it was read, sentences for people
    """

    scan: Scan
    anatomy: Anatomy
    folder: Path
    anatomy_sha256: str = ""
    notes: tuple[str, ...] = ()

    def __repr__(self) -> str:  # without the folder, whose name may be the patient's
        return f"<Case {self.scan!r}, {self.anatomy!r}>"


@dataclass(frozen=True)
class _ScanRecord:
    grid: Grid
    modality: ModalityName
    provenance: dict[str, str]
    warnings: tuple[str, ...]


@dataclass(frozen=True)
class _AnatomyRecord:
    grid: Grid
    sources: dict[str, Source]
    warnings: tuple[str, ...]
    levels: tuple[Level, ...]
    naming: Naming | None = None
    corrections: tuple[Correction, ...] = ()
    acquired_mm: float = 0.0


def quantised(occupancy: npt.NDArray[np.floating[Any]]) -> npt.NDArray[np.float32]:
    """(same shape) array of the occupancy a case can hold: whole steps of 1/255, clipped to 0..1.

    Build an `Anatomy` with this, and its numbers are the same before and after the disk.

    >>> (quantised(np.array([0.0, 0.5, 1.2])) * 255).tolist()
    [0.0, 128.0, 255.0]
    """
    return _occupancy_of(_steps(occupancy))


def write_case(
    folder: str | Path, scan: Scan, anatomy: Anatomy, *, force: bool = False, instead_of: Case | None = None
) -> Case:
    """Write a case, whole or not at all; the case returned is what `read_case` will read.

    An existing folder is replaced only with `force`, and only when it is a case or empty. Its results, meshes and
    pages belong to the anatomy that is replaced and go; plans, sessions and a person's own files are kept.

    Parameters
    ----------
    instead_of : the case in that folder from which the new anatomy was made

    Raises
    ------
    WrongUse : the folder may not be replaced
    BadCase : the folder no longer holds `instead_of`, for another run has rewritten it

    >>> import tempfile
    >>> grid = Grid((2, 2, 2), np.diag([0.5, 0.5, 0.7, 1.0]))
    >>> scan = Scan(np.arange(8, dtype=np.int16).reshape(2, 2, 2), grid, "CT")
    >>> anatomy = Anatomy(grid, np.zeros((2, 2, 2), np.uint16), np.full((2, 2, 2), 0.2, np.float32), ())
    >>> with tempfile.TemporaryDirectory() as parent:
    ...     written = write_case(Path(parent, "case"), scan, anatomy)
    ...     read = read_case(written.folder)
    >>> bool((read.scan.voxels == scan.voxels).all()), bool((read.anatomy.occupancy == written.anatomy.occupancy).all())
    (True, True)
    """
    folder = Path(folder)
    # An anatomy found in a large scan covers the spine and the skin behind it: the case keeps no more of the scan.
    scan = scan.on(anatomy.grid)
    # Of what the disk keeps, so that a case read and written again has the same meshes.
    steps = _steps(anatomy.occupancy)
    kept = replace(anatomy, occupancy=_occupancy_of(steps))

    def carry(old: Path, new: Path) -> None:
        if instead_of is not None:
            _check_same(instead_of, old)
        carry_foreign(old, new)

    with write_folder_atomic(folder, force, marker="case.json", carry=carry) as filling:
        for name in FOLDERS:
            (filling / name).mkdir()
        meshes, _ = both(
            lambda: write_meshes(filling / "meshes", kept), lambda: _write_images(filling, scan, anatomy, steps)
        )
        for name, data in _documents(scan, anatomy, meshes).items():
            (filling / name).write_text(json_text(data), encoding="utf-8")
        checksum = anatomy_checksum(filling)
    return Case(scan, kept, folder, checksum)


def anatomy_checksum(folder: Path) -> str:
    """SHA-256 of the anatomy that a case folder holds: levels, labels and occupancy as they lie on disk."""
    digest = hashlib.sha256()
    for name in ANATOMY_FILES:
        content = (folder / name).read_bytes()
        # The length keeps the end of one file from passing for the beginning of the next.
        digest.update(len(content).to_bytes(8, "little"))
        digest.update(content)
    return digest.hexdigest()


@contextmanager
def changing(case: Case) -> Iterator[Path]:
    """The case's folder, locked, to write plans or results of this anatomy into it.

    Raises BadCase when another run has rewritten the case since it was read: what was worked out on the old anatomy
    would lie beside the new one.
    """
    with locked(case.folder):
        _check_same(case, case.folder)
        yield case.folder


def _check_same(case: Case, folder: Path) -> None:
    if not case.anatomy_sha256:
        return
    try:
        same = anatomy_checksum(folder) == case.anatomy_sha256
    except FileNotFoundError:
        same = False
    if not same:
        raise BadCase(
            "the case",
            "must be the one that was read",
            got="one corrected or built anew meanwhile",
            do="Nothing was written. Run this again on the case as it is now.",
        )


def _write_images(folder: Path, scan: Scan, anatomy: Anatomy, steps: npt.NDArray[np.uint8]) -> None:
    write_nifti(folder / "scan.nii.gz", scan.voxels, scan.grid)
    write_nifti(folder / "labels.nii.gz", anatomy.labels, anatomy.grid)
    write_nifti(folder / "occupancy.nii.gz", steps, anatomy.grid, slope=1 / OCCUPANCY_STEPS)


def read_case(folder: str | Path) -> Case:
    """The case in a folder; raises BadCase naming what is missing, damaged or of another version."""
    folder = Path(folder)
    notes = put_in_order(folder)
    _check_whole(folder)
    with locked(folder, shared=True):
        _remove_abandoned(folder)
        return replace(_read(folder), notes=notes)


def put_in_order(folder: Path) -> tuple[str, ...]:
    """Clears up what killed runs left beside a case, and puts back a case that one had moved aside; says so."""
    return tidied(folder.absolute(), "case.json", FILES + FOLDERS)


def _check_whole(folder: Path) -> None:
    missing = [name for name in FILES if not (folder / name).is_file()]
    if missing and (old := set_aside(folder.absolute(), "case.json")) is not None:
        raise BadCase(
            "the case folder",
            "must be there",
            got="a rewrite that was cut off",
            do=f"The old case lies in {old.parent.name} beside it: move it back under its name.",
        )
    if missing:
        lacking = f"a folder that lacks {', '.join(missing)}"
        raise BadCase("the case folder", f"must hold {', '.join(FILES)}", got=lacking, do="Build the case again.")


def _remove_abandoned(folder: Path) -> None:
    """Removes half-written files that a killed run left in the case."""
    for place in (folder, folder / "plans", folder / "results", folder / "rehearsal"):
        for path in place.glob(f"{WRITING}*"):
            if path.is_file() and is_abandoned(path):
                # On a disk that cannot be written they stay, and harm nothing.
                with suppress(OSError):
                    path.unlink()


def _read(folder: Path) -> Case:
    checksum = anatomy_checksum(folder)
    about = _document(folder, "case.json", CASE_SCHEMA)
    reported = from_data(_ScanRecord, about.get("scan"), who="the scan in case.json", error=BadCase)
    text = _document(folder, "anatomy.json", ANATOMY_SCHEMA)
    found = from_data(_AnatomyRecord, text, who="anatomy.json", error=BadCase)
    _check_label_names(folder)
    scan = Scan(
        _voxels(folder, "scan.nii.gz", reported.grid),
        reported.grid,
        reported.modality,
        reported.provenance,
        reported.warnings,
    )
    labels = _voxels(folder, "labels.nii.gz", found.grid).astype(np.uint16)
    occupancy = _occupancy_of(_voxels(folder, "occupancy.nii.gz", found.grid))
    anatomy = Anatomy(
        found.grid,
        labels,
        occupancy,
        found.levels,
        found.sources,
        found.warnings,
        found.naming,
        found.corrections,
        found.acquired_mm,
    )
    return Case(scan, anatomy, folder, checksum)


def _documents(scan: Scan, anatomy: Anatomy, meshes: dict[str, dict[str, Any]]) -> dict[str, Any]:
    reported = to_data(_ScanRecord(scan.grid, scan.modality, scan.provenance, scan.warnings))
    found = to_data(
        _AnatomyRecord(
            anatomy.grid,
            dict(anatomy.sources),
            anatomy.warnings,
            anatomy.levels,
            anatomy.naming,
            anatomy.corrections,
            anatomy.acquired_mm,
        )
    )
    sure = {
        level.name: {"value_frac": level.confidence.value_frac, "check_by_eye": level.confidence.check_by_eye}
        for level in anatomy.levels
        if level.confidence is not None
    }
    about = {
        "caution": CAUTION,
        "levels": [level.name for level in anatomy.levels],
        "confidence": sure,
        "naming": None if anatomy.naming is None else to_data(anatomy.naming),
        "corrections": [to_data(correction) for correction in anatomy.corrections],
        "sources": dict(anatomy.sources),
        "warnings": [*scan.warnings, *anatomy.warnings],
        "meshes": meshes,
        "scan": reported,
    }
    present = set(np.unique(anatomy.labels).tolist())
    names = {str(value): name for value, name in label_names().items() if value in present}
    return {
        "case.json": with_schema(CASE_SCHEMA, about),
        "anatomy.json": with_schema(ANATOMY_SCHEMA, found),
        "labels.json": with_schema(LABELS_SCHEMA, {"names": names}),
    }


def _document(folder: Path, name: str, schema: str) -> dict[str, Any]:
    return without_schema(schema, read_json(folder / name, who=name, error=BadCase), who=name, error=BadCase)


def _check_label_names(folder: Path) -> None:
    names = _document(folder, "labels.json", LABELS_SCHEMA).get("names")
    ours = {str(value): name for value, name in label_names().items()}
    if not isinstance(names, dict) or not names.items() <= ours.items():
        raise BadCase("labels.json", "must give the labels the names of this version", do="Build the case again.")


def _voxels(folder: Path, name: str, grid: Grid) -> Voxels:
    try:
        voxels, placed = stored_voxels(folder / name, BUDGET_MB)
    except UnusableInput as problem:
        raise BadCase(name, "must be whole", got=str(problem), do="Build the case again.") from None
    # The JSON's affine is exact; the NIfTI's only tells whether the two belong together.
    if not placed.same_as(grid):
        raise BadCase(
            name,
            f"must lie on the grid its JSON file names, {grid.shape}",
            got=placed.shape,
            do="It was changed outside; build the case again.",
        )
    return row_major(voxels)


def _steps(occupancy: npt.NDArray[np.floating[Any]]) -> npt.NDArray[np.uint8]:
    steps: npt.NDArray[np.uint8] = np.rint(np.clip(occupancy, 0.0, 1.0) * OCCUPANCY_STEPS).astype(np.uint8)
    return steps


def _occupancy_of(steps: Voxels) -> npt.NDArray[np.float32]:
    return steps.astype(np.float32) / np.float32(OCCUPANCY_STEPS)
