"""canalwise build: a scan becomes a case."""

from __future__ import annotations

import argparse
from pathlib import Path

from canalwise.workbench.console.options import add_corrections, add_json, add_label_maps, add_reading
from canalwise.workbench.console.output import CommandOutput
from canalwise.workbench.console.verb import Verb

ABOUT = """\
Read a scan, find its anatomy and write a case folder. The scan may be a DICOM folder or zip, NIfTI,
NRRD or MetaImage. Label maps made elsewhere can be given; what they do not hold is found in the scan.
An MR without label maps shows angles and reach first, bone second; the stacks of one examination, in a
DICOM folder or given one after the other, are put together.
Nothing of the patient's identity is kept.

examples:
  canalwise build ct.nii.gz --out case --levels L2,L3,L4
  canalwise build ct.nii.gz --out case --labels parts.nii.gz --label-names names.toml
  canalwise build ct.nii.gz --out case --mr t2.nii.gz --levels L2,L3,L4
  canalwise build ct.nii.gz --out case --levels L2,L3,L4 --seed canal=-3.5,20,41 --replace L4=l4.nii.gz
  canalwise build sagittal.nii.gz axial.nii.gz --modality MR --out case --levels L3,L4,L5

An MR of the same patient (--mr) is registered to the CT vertebra by vertebra; its sac, ligament and discs are taken
over where that is sure within 2 mm, and may then be graded. CASE/mr.png shows how both lie on each other: look at it.

prints the levels found, how sure each is, where each structure comes from, and what to check. Level names come with
their probability; where it is below 0.95 they are marked as not confirmed, CASE/names.png shows the likely ones, and
'canalwise correct CASE --levels L2,L3,L4' gives the right ones. Confirm names against the original images always.
"""


def options(parser: argparse.ArgumentParser) -> None:
    """SCAN, where the case goes, what is given beside it, and what is accepted."""
    parser.add_argument(
        "scan",
        type=Path,
        nargs="+",
        metavar="SCAN",
        help="a scan file, folder or zip; of an MR examination several, a stack of slices in each",
    )
    parser.add_argument("--out", type=Path, required=True, metavar="CASE", help="the case folder to write")
    add_label_maps(parser, "label maps on the scan's grid")
    parser.add_argument(
        "--levels",
        type=vertebra_names,
        metavar="L2,L3,L4",
        help="the vertebrae in view, cranial to caudal, where the scan cannot tell",
    )
    parser.add_argument(
        "--mr",
        type=Path,
        action="append",
        metavar="MR",
        help="an MR of the same patient, registered to the CT; given again for each further stack of it",
    )
    add_label_maps(parser, "label maps on the MR's grid, with its sac or ligament; found in it where left out", "mr-")
    parser.add_argument("--modality", choices=("CT", "MR"), help="needed only when the file cannot say")
    add_reading(parser)
    parser.add_argument(
        "--force", action="store_true", help="replace a case that is there; plans and files of your own are kept"
    )
    add_corrections(parser)
    add_json(parser)


def vertebra_names(text: str) -> tuple[str, ...]:
    """The names in a comma-separated list; argparse reports a bad one.

    >>> vertebra_names("L2, L3,L4")
    ('L2', 'L3', 'L4')
    """
    from canalwise.recon.labels import VERTEBRAE

    names = tuple(name.strip() for name in text.split(","))
    if bad := [name for name in names if name not in VERTEBRAE]:
        raise argparse.ArgumentTypeError(
            f"{', '.join(map(repr, bad))} is no vertebra; choose from {', '.join(VERTEBRAE)}"
        )
    return names


def run(args: argparse.Namespace) -> int:
    """Reads a scan, finds its anatomy and writes the case."""
    from canalwise.recon.case.folder import write_case
    from canalwise.recon.examination.stack_fusion import read_examination
    from canalwise.recon.examination.working_volume import working_volume
    from canalwise.recon.registration.carried_tissue import CarriedTissue
    from canalwise.workbench.console.build_options import (
        anatomy_from,
        check_out,
        corrections_of,
        draw_mr,
        mr_beside,
        mr_json,
        with_mr_provenance,
    )
    from canalwise.workbench.console.json_results import built_json
    from canalwise.workbench.console.tables import built_lines

    voice = CommandOutput(args.json)
    voice.warn(check_out(args.out, args.force))
    corrections = corrections_of(args)
    with voice.busy("reading the scan"):
        scan = read_examination(
            args.scan,
            modality=args.modality,
            accept_thick=args.accept_thick,
            accept_tilt=args.accept_tilt,
            series=args.series,
        )
    if not args.labels:
        scan = working_volume(scan)
    carried: list[CarriedTissue] = []
    with voice.busy("reading the MR"):
        mr = mr_beside(args, carried.append)
    with voice.busy("finding the anatomy") as progress:
        anatomy = anatomy_from(scan, args.labels, args.label_names, args.levels, corrections, progress, mr)
    with voice.busy("writing the case"):
        scan = with_mr_provenance(scan, carried)
        write_case(args.out, scan, anatomy, force=args.force)
    document = built_json(scan, anatomy)
    if mr is not None:
        document |= mr_json(carried)
        document["mr_picture"] = draw_mr(args.out, scan.on(anatomy.grid), anatomy, mr, carried)
    if anatomy.naming is not None and not anatomy.naming.confirmed:
        from canalwise.workbench.images.names_picture import write_names_picture

        picture = write_names_picture(args.out, scan, anatomy.naming)
        document["names_picture"] = picture.name
    voice.result(document, built_lines(document))
    voice.warn(document["warnings"])
    return 0


VERB = Verb("build", "scan to case", ABOUT, options, run)
