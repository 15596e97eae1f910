"""canalwise audit: achieved against planned."""

from __future__ import annotations

import argparse
from pathlib import Path

from canalwise.workbench.console.options import add_case, add_json, add_label_maps, add_reading
from canalwise.workbench.console.output import CommandOutput
from canalwise.workbench.console.verb import Verb

ABOUT = """\
Say what an operation took, from the case's scan and a CT taken afterwards (POST). Each vertebra of the level is
registered to the scan after by its body and pedicles, which no decompression touches; bone that is gone is reported as
a probability from the noise and blur of both scans, in connected pieces that come near the canal. Printed: bone taken
by structure with its 95 % interval and the smallest piece that can be distinguished from noise, what remains of
facets, pars and spinous base, the free area before, planned and achieved at every station as far as a CT shows it,
planned against achieved with the places to look at, the approach that explains best what was taken, and the published
criteria of enough.

examples:
  canalwise audit case post.nii.gz --level L3-L4
  canalwise audit case post_dicom --plan L3-L4-left --days-after 90 --save
  canalwise audit case post.nii.gz --plan L3-L4-left --labels post-sac.nii.gz --label-names names.toml

A CT shows no ligament: whether enough was freed can be said only where the sac is outlined on the scan after
(--labels). Refused (exit status 3): another patient, other levels, both scans in the other order.
--save keeps results/LEVEL-audit.json and a picture of both scans with the bone taken in colour; the report of that
level then shows it, or of any other with 'canalwise report CASE ... --audit FILE'.
"""


def options(parser: argparse.ArgumentParser) -> None:
    """CASE, POST, what was planned, and how POST is read."""
    add_case(parser)
    parser.add_argument("post", type=Path, metavar="POST", help="the CT after the operation: a file, folder or zip")
    parser.add_argument("--level", metavar="L3-L4", help="the level operated on; a plan names its own")
    parser.add_argument("--plan", metavar="NAME", help="what was planned: a plan kept in the case, or a plan file")
    parser.add_argument("--days-after", type=int, metavar="N", help="days from the operation to the scan")
    add_label_maps(parser, "label maps on the grid of POST; a sac in them is measured")
    add_reading(parser)
    parser.add_argument("--save", action="store_true", help="keep the result and its picture in the case")
    add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Reads a case and a scan taken afterwards, and says what lies between them."""
    from canalwise.estimator.audit.audit import audit_of
    from canalwise.estimator.audit.audit_json import audit_as_json
    from canalwise.estimator.estimate.estimate_json import plain
    from canalwise.recon.case.folder import read_case
    from canalwise.recon.intake.reader import read_scan
    from canalwise.workbench.console.audit_request import audit_question, keep_audit
    from canalwise.workbench.console.audit_tables import audit_lines
    from canalwise.workbench.console.plan_store import of_anatomy

    voice = CommandOutput(args.json)
    case = read_case(args.case)
    with voice.busy("reading the scan after"):
        after = read_scan(args.post, accept_thick=args.accept_thick, accept_tilt=args.accept_tilt, series=args.series)
    question, notes = audit_question(case, after, args)
    with voice.busy("auditing") as progress:
        found = audit_of(case.anatomy, case.scan, after, question, progress)
    document = of_anatomy(case, plain(audit_as_json(found)))
    document["warnings"] = [*notes, *document["warnings"]]
    lines = audit_lines(document)
    if args.save:
        lines += [f"Kept as {' and '.join(keep_audit(case, found, document))}."]
    voice.result(document, lines)
    voice.warn([*case.notes, *document["warnings"]])
    return 0


VERB = Verb("audit", "what an operation took, against the plan", ABOUT, options, run)
