"""The formats of an export: what each writes of a case."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

from pydicom.dataset import Dataset

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.estimate.estimate import estimate_of
from canalwise.estimator.level.prepared_level import PreparedLevel, prepared_level
from canalwise.estimator.outcome.decompressed import decompressed
from canalwise.estimator.outcome.label_maps import resection_map, room_map
from canalwise.recon.case.folder import Case
from canalwise.recon.errors import WrongUse
from canalwise.recon.labels import Labels
from canalwise.workbench.dicom.files import dicom_bytes
from canalwise.workbench.dicom.frame_stack import FrameStack
from canalwise.workbench.dicom.identity import StudyIdentity, case_key, own_identity
from canalwise.workbench.dicom.images import image_files, own_stack
from canalwise.workbench.dicom.secondary_capture import captioned, page_object, picture_object
from canalwise.workbench.dicom.source_series import SourceSeries
from canalwise.workbench.export import dicom_files
from canalwise.workbench.export.glb_file import glb_file
from canalwise.workbench.export.label_files import names_in, names_toml, nifti_bytes, of_structures
from canalwise.workbench.export.structures import (
    PLANNED,
    NamedSurface,
    PlannedBone,
    case_structures,
    case_surfaces,
    plan_surfaces,
    planned_bone,
)
from canalwise.workbench.export.surface_files import extent_mm, obj_file, ply_file, stl_file, three_mf_file
from canalwise.workbench.sheet.pdf import sheet_pdf
from canalwise.workbench.sheet.sheet import TheatreSheet, sheet_of

SIMULATED = "Simulated, not a radiograph of the patient. For rehearsal; not a medical device."


@dataclass(frozen=True)
class ExportedFile:
    """One file of an export.

    Parameters
    ----------
    name : in the folder
    about : facts for the list of files
    """

    name: str
    content: bytes
    about: Mapping[str, Any] = field(default_factory=dict)

    def listed(self) -> dict[str, Any]:
        """Its entry in the list of files."""
        return {"file": self.name, "sha256": hashlib.sha256(self.content).hexdigest(), **self.about}


@dataclass(frozen=True, eq=False)
class ExportJob:
    """A case, a plan on it where there is one, and what is wanted; each part is computed when first needed.

    Parameters
    ----------
    structures : names of `structures_of`; None for all
    source : the series that DICOM objects refer to; None for one of the case's own
    """

    case: Case
    approach: Approach | None = None
    structures: frozenset[str] | None = None
    source: SourceSeries | None = None

    def __post_init__(self) -> None:
        known = structures_of(self)
        if unknown := sorted((self.structures or frozenset()) - set(known)):
            raise WrongUse("--structure", f"must name some of {', '.join(known)}", got=", ".join(unknown))

    @property
    def wanted(self) -> frozenset[str]:
        """The surfaces wanted."""
        return frozenset(structures_of(self)) if self.structures is None else self.structures

    @cached_property
    def labels(self) -> Labels:
        """The label map, of the structures wanted."""
        return of_structures(self.case.anatomy.labels, self.structures)

    @cached_property
    def prepared(self) -> PreparedLevel:
        """The plan's level; WrongUse where there is no plan."""
        return prepared_level(self.case.anatomy, self.plan.level)

    @property
    def plan(self) -> Approach:
        """The plan; WrongUse where there is none."""
        if self.approach is None:
            raise WrongUse("this format", "shows a plan", do="Give --level and --side, or --plan FILE.")
        return self.approach

    @cached_property
    def bone(self) -> PlannedBone:
        """What the plan takes."""
        return planned_bone(decompressed(self.prepared, self.plan).resection)

    @cached_property
    def surfaces(self) -> tuple[NamedSurface, ...]:
        """All surfaces wanted."""
        made = list(case_surfaces(self.case.anatomy, self.wanted))
        if self.approach is not None and self.wanted & set(PLANNED):
            made += plan_surfaces(self.bone, self.wanted)
        return tuple(made)

    @cached_property
    def key(self) -> str:
        """The case's checksum."""
        return case_key(self.case)

    @cached_property
    def identity(self) -> StudyIdentity:
        """Whose study DICOM objects belong to."""
        return own_identity(self.key) if self.source is None else self.source.identity

    @cached_property
    def stack(self) -> FrameStack:
        """The planes DICOM objects lie on."""
        return own_stack(self.case.scan, self.identity, self.key) if self.source is None else self.source.stack

    @cached_property
    def sheet(self) -> TheatreSheet:
        """The theatre sheet of the plan."""
        return sheet_of(self.case.scan, estimate_of(self.prepared, self.plan))

    @property
    def plan_name(self) -> str:
        """Begins the names of files about the plan."""
        return f"{self.plan.level}-{self.plan.side}"


def structures_of(job: ExportJob) -> tuple[str, ...]:
    """The surfaces there can be: those of the case, and the plan's where there is one."""
    return case_structures(job.case.anatomy) + (PLANNED if job.approach is not None else ())


def _each(ending: str, write: Callable[[NamedSurface], bytes]) -> Callable[[ExportJob], Iterator[ExportedFile]]:
    def files(job: ExportJob) -> Iterator[ExportedFile]:
        for made in job.surfaces:
            yield ExportedFile(f"{ending}/{made.name}.{ending}", write(made), _facts(made))

    return files


def _facts(made: NamedSurface) -> dict[str, Any]:
    return {
        "structure": made.name,
        "about": made.about,
        "unit": "mm",
        "frame": "RAS",
        "volume_mm3": round(made.surface.volume_mm3, 1),
        "extent_mm": extent_mm(made.surface),
    }


def _three_mf(job: ExportJob) -> Iterator[ExportedFile]:
    yield ExportedFile("case.3mf", three_mf_file(job.surfaces), {"unit": "mm", "frame": "RAS"})


def _glb(job: ExportJob) -> Iterator[ExportedFile]:
    yield ExportedFile("case.glb", glb_file(job.surfaces), {"unit": "m", "frame": "x left, y superior, z anterior"})


def _nifti(job: ExportJob) -> Iterator[ExportedFile]:
    grid = job.case.anatomy.grid
    yield ExportedFile("labels.nii.gz", nifti_bytes(job.labels, grid), {"frame": "RAS", "names": "label-names.toml"})
    yield ExportedFile("label-names.toml", names_toml([names_in(job.labels)]))
    if job.approach is not None:
        resection = job.bone.resection
        yield ExportedFile(f"{job.plan_name}-room.nii.gz", nifti_bytes(room_map(resection.at), grid))
        yield ExportedFile(f"{job.plan_name}-resection.nii.gz", nifti_bytes(resection_map(resection), grid))


def _seg(job: ExportJob) -> Iterator[ExportedFile]:
    names = dict(enumerate(names_in(job.labels).values(), start=1))
    made = dicom_files.labels_segmentation(job.labels, job.case.anatomy.grid, job.stack, job.identity)
    yield _dicom("dicom/anatomy-seg.dcm", made, names="anatomy-seg-names.toml")
    yield ExportedFile("anatomy-seg-names.toml", names_toml([names]))
    if job.approach is not None:
        made = dicom_files.plan_segmentation(job.bone, job.stack, job.identity)
        yield _dicom(f"dicom/{job.plan_name}-plan-seg.dcm", made)


def _seg_label_map(job: ExportJob) -> Iterator[ExportedFile]:
    made = dicom_files.labels_label_map(job.labels, job.case.anatomy.grid, job.stack, job.identity)
    yield _dicom("dicom/anatomy-label-map.dcm", made)


def _rtstruct(job: ExportJob) -> Iterator[ExportedFile]:
    bone = None if job.approach is None else job.bone
    made = dicom_files.contours(job.labels, job.case.anatomy.grid, bone, job.stack, job.identity)
    yield _dicom("dicom/contours.dcm", made)


def _images(job: ExportJob) -> Iterator[ExportedFile]:
    made = image_files(job.case.scan, job.stack) if job.source is None else job.source.images()
    for number, image in enumerate(made, start=1):
        yield _dicom(f"dicom/images/{number:04d}.dcm", image)


def _radiograph(job: ExportJob) -> Iterator[ExportedFile]:
    for number, picture in enumerate(job.sheet.pictures[:2], start=1):
        made = picture_object(captioned(picture.png, SIMULATED), picture.caption, number, job.identity)
        name = "ap" if number == 1 else "lateral"
        yield _dicom(f"dicom/{job.plan_name}-radiograph-{name}.dcm", made)


def _sheet(job: ExportJob) -> Iterator[ExportedFile]:
    made = page_object(sheet_pdf(job.sheet), f"Theatre sheet {job.plan.level} {job.plan.side}", job.identity)
    yield _dicom(f"dicom/{job.plan_name}-sheet.dcm", made)


def _page(job: ExportJob) -> Iterator[ExportedFile]:
    # what it draws on is only loaded for who wants it
    from canalwise.workbench.export.shared_page import shared_page

    about = "scene, endoscope, slices and numbers of a plan, to open in a browser without a network"
    yield ExportedFile(f"{job.plan_name}.html", shared_page(job.case, job.prepared, job.plan), {"about": about})


def _dicom(name: str, made: Dataset, **more: str) -> ExportedFile:
    return ExportedFile(name, dicom_bytes(made), {"sop_class": made.SOPClassUID.name, **more})


@dataclass(frozen=True)
class ExportFormat:
    """A format: what it is in words, whether it shows a plan only, and what it writes."""

    about: str
    of_plan: bool
    files: Callable[[ExportJob], Iterator[ExportedFile]]


FORMATS: Mapping[str, ExportFormat] = {
    "stl": ExportFormat("one closed surface a file, mm, RAS; for 3D printing", False, _each("stl", stl_file)),
    "ply": ExportFormat("the same with unit, frame and colour", False, _each("ply", ply_file)),
    "obj": ExportFormat("the same as text", False, _each("obj", obj_file)),
    "3mf": ExportFormat("all surfaces in one package, mm; for 3D printing", False, _three_mf),
    "glb": ExportFormat("all surfaces in one scene, metres, Y up", False, _glb),
    "nifti": ExportFormat("the label map with its file of names; room and resection of a plan", False, _nifti),
    "seg": ExportFormat("DICOM segmentation, one bit a segment; room and resection of a plan", False, _seg),
    "seg-label-map": ExportFormat("DICOM label map segmentation", False, _seg_label_map),
    "rtstruct": ExportFormat("DICOM RT structure set: contours", False, _rtstruct),
    "images": ExportFormat(
        "the scan as DICOM images: the case's own, or the source's without identity", False, _images
    ),
    "radiograph": ExportFormat("simulated AP and lateral view of a plan, DICOM secondary capture", True, _radiograph),
    "page": ExportFormat("one page to look at and to send, read-only, offline, without identity", True, _page),
    "sheet": ExportFormat("theatre sheet of a plan, DICOM encapsulated PDF", True, _sheet),
}
"""Name -> format."""

USUAL = ("stl", "glb", "nifti", "seg")
"""Written where none is named (choice)."""


def export_files(job: ExportJob, formats: tuple[str, ...], say: Callable[[str], None]) -> Iterator[ExportedFile]:
    """The files of some formats; `say` is called with the one being made.

    Raises
    ------
    WrongUse : a format or structure that is not known, or one that shows a plan where there is none
    AnatomyNotFound : a plan's room or resection where sac or ligament are not in view
    """
    if unknown := [name for name in formats if name not in FORMATS]:
        raise WrongUse("--format", f"must be some of {', '.join(FORMATS)}", got=", ".join(unknown))
    if job.approach is None and (plans := [name for name in formats if FORMATS[name].of_plan]):
        raise WrongUse(f"--format {plans[0]}", "shows a plan", do="Give --level and --side, or --plan FILE.")
    for name in dict.fromkeys(formats):
        say(name)
        for made in FORMATS[name].files(job):
            yield ExportedFile(made.name, made.content, {"format": name, **made.about})
