"""canalwise export: a case and a plan in the formats of other programs."""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from canalwise.workbench.console.options import add_approach, add_case, add_json, single_values
from canalwise.workbench.console.output import CommandOutput
from canalwise.workbench.console.verb import Verb

ABOUT = """\
Write a case, and a plan on it, for other programs. Without --side or --plan only the anatomy is
written; with them also the room needed, the bone that the plan takes, and the bone of the level
before and after it for 3D printing (a model to look at; no drilling template).

formats (--format, several by commas):
  stl ply obj    one closed surface a file, mm, patient frame RAS
  3mf            all surfaces in one package, mm
  glb            all surfaces in one scene, metres, Y up; the frame stands in its extras
  nifti          labels.nii.gz with label-names.toml: 'canalwise build --labels' reads them back
  seg            DICOM segmentation, one bit a segment, and the names of its segments
  seg-label-map  the same as a label map, which not all programs read yet
  rtstruct       DICOM RT structure set
  images         the scan as DICOM images, on which the three above are shown
  radiograph     simulated AP and lateral view of a plan, DICOM secondary capture
  sheet          theatre sheet of a plan, DICOM encapsulated PDF
  page           one page of a plan to send to a colleague: scene, endoscope, slices and numbers, read-only;
                 opens from disk, asks for nothing, and holds no identity

DICOM objects name nobody and belong to a study of their own, whose images --format images writes.
--source FOLDER, the series that the case was built from, makes them refer to that series instead:
it is held against the case voxel by voxel, and only its UIDs are taken over (PS3.15 annex E, basic
profile, UIDs retained). With --new-uids those are replaced too, and --format images writes the
source without identity, to pass on.

examples:
  canalwise export case --out export
  canalwise export case --out print --format stl,3mf --level L3-L4 --side left --structure bone-before,bone-after
  canalwise export case --out dicom --format seg,rtstruct --source dicom_folder
  canalwise export case --out page --format page --level L3-L4 --side left
  canalwise export case --out anonymous --format images,seg --source dicom_folder --new-uids

writes the folder with export.json, the list of its files, and prints that list.
"""


def options(parser: argparse.ArgumentParser) -> None:
    """CASE, where it goes, formats, structures, the plan and the source."""
    add_case(parser)
    parser.add_argument("--out", type=Path, required=True, metavar="FOLDER", help="the folder to write")
    parser.add_argument("--force", action="store_true", help="replace an export that is there")
    parser.add_argument(
        "--format", type=names, metavar="NAME[,NAME...]", help="which formats (usual: stl,glb,nifti,seg)"
    )
    parser.add_argument(
        "--structure",
        type=names,
        metavar="NAME[,NAME...]",
        help="which of the vertebrae (L3), canal, dural_sac, and of a plan room, resection, bone-before, bone-after "
        "(usual: all)",
    )
    which = parser.add_argument_group("reference to the source", "Nothing of the source is named unless it is given.")
    which.add_argument("--source", type=Path, metavar="FOLDER", help="the DICOM series that the case was built from")
    which.add_argument("--series", type=int, metavar="N", help="which of several series in that folder")
    which.add_argument("--new-uids", action="store_true", help="replace the source's UIDs")
    add_approach(parser)
    add_json(parser)


def names(text: str) -> tuple[str, ...]:
    """The names in a list with commas.

    >>> names("stl, glb")
    ('stl', 'glb')
    """
    return tuple(name.strip() for name in text.split(",") if name.strip())


def run(args: argparse.Namespace) -> int:
    """Reads a case and writes it in the requested formats."""
    from canalwise.recon.case.folder import read_case
    from canalwise.recon.case.folder_writing import check_replaceable
    from canalwise.recon.errors import WrongUse
    from canalwise.workbench.console.plan_store import kept_approach, plan_notes
    from canalwise.workbench.dicom.identity import case_key
    from canalwise.workbench.dicom.source_series import source_series
    from canalwise.workbench.export.exported import LIST_FILE, write_export
    from canalwise.workbench.export.formats import USUAL, ExportJob

    voice = CommandOutput(args.json)
    check_replaceable(args.out, args.force, LIST_FILE)
    if args.source is None and (args.new_uids or args.series is not None):
        raise WrongUse("--new-uids and --series", "say something of --source", do="Give --source FOLDER.")
    case = read_case(args.case)
    with_plan = args.plan or args.side or single_values(args)
    kept = kept_approach(case, args) if with_plan else None
    structures = None if args.structure is None else frozenset(args.structure)
    if kept is None and args.level:
        level = case.anatomy.level(args.level)
        structures = structures or frozenset({level.upper, level.lower, "canal", "dural_sac"})
    source = None
    if args.source is not None:
        with voice.busy("reading the source"):
            source = source_series(args.source, case.scan, case_key(case), series=args.series, new_uids=args.new_uids)
    job = ExportJob(case, kept.approach if kept else None, structures, source)
    with voice.busy("exporting") as progress:
        document = write_export(args.out, job, args.format or USUAL, force=args.force, say=progress)
    voice.result(document, listed_lines(document, args.out.name))
    voice.warn([*case.notes, *(plan_notes(case, kept) if kept else ()), *document["warnings"]])
    return 0


def listed_lines(document: Mapping[str, Any], folder: str) -> list[object]:
    """The files of an export for people; a series of images in one line."""
    from canalwise.recon.disclaimer import CAUTION
    from canalwise.workbench.console.output import table

    images = [one for one in document["files"] if one["format"] == "images"]
    rows = [
        (one["file"], one.get("about") or one.get("sop_class") or "") for one in document["files"] if one not in images
    ]
    if images:
        rows.append((f"dicom/images, {len(images)} files", images[0]["sop_class"]))
    return [table(("file", "what"), rows), f"Wrote {len(document['files'])} files to {folder}.", CAUTION]


VERB = Verb("export", "surfaces, label maps and DICOM objects for other programs", ABOUT, options, run)
