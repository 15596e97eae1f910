"""canalwise correct: a case with a structure replaced or the search steered by points."""

from __future__ import annotations

import argparse
from pathlib import Path

from canalwise.workbench.commands.build import vertebra_names
from canalwise.workbench.console.options import add_case, add_corrections, add_json
from canalwise.workbench.console.output import CommandOutput
from canalwise.workbench.console.verb import Verb

ABOUT = """\
Correct a case. A structure painted elsewhere, on the case's scan.nii.gz or labels.nii.gz or on the scan it was built
from, takes the place of the one found; points placed in the canal, a vertebra or a disc make the scan be searched
again. Everything that follows is found anew, and earlier corrections stay. The case is replaced when all went well and
is left as it was when not. Its plans and files of your own are kept; results, meshes and report belong to the old
anatomy and go. A plan remembers on which anatomy it was made, and says so when that is another.

examples:
  canalwise correct case --replace canal=canal.nii.gz
  canalwise correct case --replace "L4 superior articular left=process.nii.gz" --replace "L3 lamina left=lamina.nii.gz"
  canalwise correct case --seed canal=-3.5,20,41 --seed vertebra:L4=0,35,12
  canalwise correct case --levels L3,L4,L5

prints what 'build' prints, and the corrections.
"""


def options(parser: argparse.ArgumentParser) -> None:
    """CASE, the corrections, and where the corrected case goes."""
    add_case(parser)
    add_corrections(parser)
    parser.add_argument(
        "--levels",
        type=vertebra_names,
        metavar="L2,L3,L4",
        help="name the case's vertebrae anew, cranial to caudal",
    )
    parser.add_argument("--out", type=Path, metavar="CASE", help="write the corrected case there and leave this one")
    add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Reads a case, corrects its anatomy and writes it."""
    from canalwise.recon.case.folder import read_case, write_case
    from canalwise.workbench.console.build_options import anatomy_corrected, check_out, corrections_of
    from canalwise.workbench.console.json_results import built_json
    from canalwise.workbench.console.tables import built_lines

    voice = CommandOutput(args.json)
    if args.out:
        voice.warn(check_out(args.out, force=False))
    corrections = corrections_of(args)
    case = read_case(args.case)
    voice.warn(case.notes)
    with voice.busy("finding the anatomy anew"):
        anatomy = anatomy_corrected(case, corrections, args.levels)
    with voice.busy("writing the case"):
        instead_of = None if args.out else case
        write_case(args.out or args.case, case.scan, anatomy, force=args.out is None, instead_of=instead_of)
    document = built_json(case.scan, anatomy)
    voice.result(document, built_lines(document))
    voice.warn(document["warnings"])
    return 0


VERB = Verb("correct", "replace a structure or steer the search", ABOUT, options, run)
