"""From a scan and what is given beside it to the anatomy, as 'build', 'correct' and 'demo' need it."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from canalwise.recon.anatomy import Anatomy
from canalwise.recon.case.corrected_anatomy import anatomy_with, corrected_anatomy
from canalwise.recon.case.corrections import Replacement, replacement_of
from canalwise.recon.case.folder import Case, put_in_order
from canalwise.recon.case.folder_writing import check_replaceable
from canalwise.recon.errors import WrongUse
from canalwise.recon.intake.label_maps import read_given_labels
from canalwise.recon.scan import Scan
from canalwise.recon.segmentation.seed_points import Seeds, seed_of


@dataclass(frozen=True)
class CorrectionOptions:
    """Corrections requested on the command line: seed points, and structures replaced."""

    seeds: Seeds = field(default_factory=Seeds)
    replaced: tuple[Replacement, ...] = ()


def check_out(folder: Path, force: bool) -> tuple[str, ...]:
    """Refuses a folder that may not be written, before any long work is done; says what was cleared up beside it."""
    notes = put_in_order(folder)
    check_replaceable(folder, force, "case.json")
    return notes


def corrections_of(args: argparse.Namespace) -> CorrectionOptions:
    """The corrections of --replace and --seed; every file is read before any long work is done."""
    replaced = tuple(replacement_of(text, keep_name=args.keep_file_names) for text in args.replace)
    twice = sorted({r.structure for r in replaced if sum(r.structure == other.structure for other in replaced) > 1})
    if twice:
        raise WrongUse("--replace", "must name a structure once", got=", ".join(twice), do="Join the maps first.")
    return CorrectionOptions(Seeds(tuple(seed_of(text) for text in args.seed)), replaced)


def anatomy_from(
    scan: Scan,
    labels: Sequence[Path],
    names: Path | None,
    vertebrae: Sequence[str] | None,
    corrections: CorrectionOptions | None = None,
    progress: Callable[[str], None] | None = None,
) -> Anatomy:
    """The anatomy of a scan, with label maps and corrections applied where they are given.

    `progress` is called with a sentence before each step; one of them tells the memory needed.
    """
    if names and not labels:
        raise WrongUse("--label-names", "needs label maps", do="Give them with --labels.")
    given = read_given_labels(labels, names, scan.grid) if labels else None
    requested = corrections or CorrectionOptions()
    seeds = requested.seeds if requested.seeds.points else None
    if seeds is not None:
        seeds.check_in(scan.grid)
    for each in requested.replaced:
        each.on(scan.grid)
    return anatomy_with(
        scan, given=given, vertebrae=vertebrae, seeds=seeds, replaced=requested.replaced, progress=progress
    )


def anatomy_corrected(case: Case, corrections: CorrectionOptions, vertebrae: Sequence[str] | None) -> Anatomy:
    """A case's anatomy with corrections, everything that follows from them found anew."""
    corrections.seeds.check_in(case.scan.grid)
    return corrected_anatomy(
        case.scan, case.anatomy, seeds=corrections.seeds, replaced=corrections.replaced, vertebrae=vertebrae
    )
