"""From a scan and what is given beside it to the anatomy, as 'build', 'correct' and 'demo' need it."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from canalwise.recon.anatomy import Anatomy
from canalwise.recon.case.corrected_anatomy import MrBeside, anatomy_with, corrected_anatomy
from canalwise.recon.case.corrections import Replacement, replacement_of
from canalwise.recon.case.folder import Case, put_in_order
from canalwise.recon.case.folder_writing import check_replaceable
from canalwise.recon.errors import WrongUse
from canalwise.recon.examination.stack_fusion import read_examination
from canalwise.recon.intake.label_maps import read_given_labels
from canalwise.recon.intake.reader import read_scan
from canalwise.recon.registration.carried_tissue import CarriedTissue
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
    mr: MrBeside | None = None,
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
        scan, given=given, vertebrae=vertebrae, seeds=seeds, replaced=requested.replaced, progress=progress, mr=mr
    )


def mr_beside(args: argparse.Namespace, carried: Callable[[CarriedTissue], None]) -> MrBeside | None:
    """The MR of --mr with the labels of --mr-labels; None where none is given. `carried` takes what was carried."""
    if args.mr is None:
        if args.mr_labels or args.mr_label_names:
            raise WrongUse("--mr-labels", "needs the MR they are of", do="Give it with --mr.")
        return None
    if args.mr_label_names and not args.mr_labels:
        raise WrongUse("--mr-label-names", "needs label maps", do="Give them with --mr-labels.")
    if args.mr_labels:
        # labels made elsewhere lie on one stack's own voxels
        scan = read_scan(_one_of(args.mr), modality="MR", accept_thick=True)
    else:
        scan = read_examination(args.mr, modality="MR", accept_thick=True)
    given = read_given_labels(args.mr_labels, args.mr_label_names, scan.grid) if args.mr_labels else None
    return MrBeside(scan, given, carried)


def _one_of(paths: Sequence[Path]) -> Path:
    if len(paths) > 1:
        raise WrongUse("--mr-labels", "belong to one stack of the MR", got=f"{len(paths)}", do="Give that one alone.")
    return paths[0]


def anatomy_corrected(case: Case, corrections: CorrectionOptions, vertebrae: Sequence[str] | None) -> Anatomy:
    """A case's anatomy with corrections, everything that follows from them found anew."""
    corrections.seeds.check_in(case.scan.grid)
    return corrected_anatomy(
        case.scan, case.anatomy, seeds=corrections.seeds, replaced=corrections.replaced, vertebrae=vertebrae
    )


def with_mr_provenance(scan: Scan, carried: Sequence[CarriedTissue]) -> Scan:
    """The scan with the residuals of the MR that was registered to it among what is known of its making."""
    provenance = {
        f"MR residual {name}": one.problem or f"{one.residual_mm:.2f} mm"
        for found in carried
        for name, one in found.registrations.items()
    }
    return replace(scan, provenance=scan.provenance | provenance)


def mr_json(carried: Sequence[CarriedTissue]) -> dict[str, Any]:
    """How an MR was registered to the CT, vertebra by vertebra, and which levels it serves."""
    registrations = {
        name: {
            "residual_mm": None if one.residual_mm == float("inf") else one.residual_mm,
            "mutual_information": one.fit,
            "motion_ras": one.motion.matrix_ras_mm.tolist(),
            "problem": one.problem or None,
        }
        for found in carried
        for name, one in found.registrations.items()
    }
    levels = ["-".join(pair) for found in carried for pair in found.levels]
    refused = {"-".join(pair): why for found in carried for pair, why in found.refused.items()}
    return {"mr_registration": {"vertebrae": registrations, "levels": levels, "refused": refused}}


def draw_mr(folder: Path, scan: Scan, anatomy: Anatomy, mr: MrBeside, carried: Sequence[CarriedTissue]) -> str:
    """Draws the picture by which the registration is checked into the case; its name."""
    from canalwise.workbench.images.registration_picture import write_registration_picture

    motions = {name: one.motion for found in carried for name, one in found.registrations.items() if not one.problem}
    return write_registration_picture(folder, scan, anatomy, mr.scan, motions).name
