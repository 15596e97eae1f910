"""From a scan and what is given beside it to the anatomy, as 'build', 'correct' and 'demo' need it."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from recon.anatomy import Anatomy
from recon.case import Case
from recon.corrections import Replacement, replacement_of
from recon.errors import WrongUse
from recon.given import read_given_labels
from recon.rebuild import anatomy_again, anatomy_with
from recon.records import check_replaceable
from recon.scan import Scan
from recon.seeds import Seeds, seed_of


@dataclass(frozen=True)
class Corrections:
    """What a person asks to be corrected: points laid, and structures replaced."""

    seeds: Seeds = field(default_factory=Seeds)
    replaced: tuple[Replacement, ...] = ()


def check_out(folder: Path, force: bool) -> None:
    """Refuses a folder that may not be written, before any long work is done."""
    check_replaceable(folder, force, "case.json")


def corrections_of(args: argparse.Namespace) -> Corrections:
    """What --replace and --seed ask for; every file is read before any long work is done."""
    replaced = tuple(replacement_of(text, keep_name=args.keep_file_names) for text in args.replace)
    twice = sorted({r.structure for r in replaced if sum(r.structure == other.structure for other in replaced) > 1})
    if twice:
        raise WrongUse("--replace", "must name a structure once", got=", ".join(twice), do="Join the maps first.")
    return Corrections(Seeds(tuple(seed_of(text) for text in args.seed)), replaced)


def anatomy_from(
    scan: Scan,
    labels: Sequence[Path],
    names: Path | None,
    vertebrae: Sequence[str] | None,
    corrections: Corrections | None = None,
    progress: Callable[[str], None] | None = None,
) -> Anatomy:
    """The anatomy of a scan, with label maps taken over and corrections laid in where they are given.

    `progress` is called with a sentence before each step; one of them tells the memory needed.
    """
    if names and not labels:
        raise WrongUse("--label-names", "needs label maps", do="Give them with --labels.")
    given = read_given_labels(labels, names, scan.grid) if labels else None
    asked = corrections or Corrections()
    seeds = asked.seeds if asked.seeds.points else None
    if seeds is not None:
        seeds.check_in(scan.grid)
    for each in asked.replaced:
        each.on(scan.grid)
    return anatomy_with(scan, given=given, vertebrae=vertebrae, seeds=seeds, replaced=asked.replaced, progress=progress)


def anatomy_corrected(case: Case, corrections: Corrections, vertebrae: Sequence[str] | None) -> Anatomy:
    """A case's anatomy with corrections, everything that follows from them found anew."""
    corrections.seeds.check_in(case.scan.grid)
    return anatomy_again(
        case.scan, case.anatomy, seeds=corrections.seeds, replaced=corrections.replaced, vertebrae=vertebrae
    )
