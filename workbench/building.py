"""From a scan and what is given beside it to the anatomy, as 'build' and 'demo' need it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from recon.anatomy import Anatomy
from recon.build import anatomy_of
from recon.errors import WrongUse
from recon.given import read_given_labels
from recon.records import check_replaceable
from recon.scan import Scan


def check_out(folder: Path, force: bool) -> None:
    """Refuses a folder that may not be written, before any long work is done."""
    check_replaceable(folder, force, "case.json")


def anatomy_from(scan: Scan, labels: Sequence[Path], names: Path | None, vertebrae: Sequence[str] | None) -> Anatomy:
    """The anatomy of a scan, with label maps taken over where they are given."""
    if names and not labels:
        raise WrongUse("--label-names", "needs label maps", do="Give them with --labels.")
    given = read_given_labels(labels, names, scan.grid) if labels else None
    return anatomy_of(scan, given=given, vertebrae=vertebrae)
