"""Options of an audit on the command line, and what it leaves in the case."""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from canalwise.estimator.approach.plan_file import KeptPlan, read_kept_plan
from canalwise.estimator.audit.audit import AfterLabels, Audit, AuditQuestion
from canalwise.recon.case.folder import Case, changing
from canalwise.recon.errors import WrongUse
from canalwise.recon.intake.label_maps import read_given_labels
from canalwise.recon.intake.nifti_writer import write_nifti
from canalwise.recon.labels import level_vertebrae
from canalwise.recon.scan import Scan
from canalwise.recon.serialization import write_bytes_atomic
from canalwise.workbench.console.plan_store import keep_result, plan_names, plan_notes, plan_path


def audit_question(case: Case, after: Scan, args: argparse.Namespace) -> tuple[AuditQuestion, tuple[str, ...]]:
    """The two scans, and what to know of the plan.

    Raises
    ------
    WrongUse : neither level nor plan, both of different levels, or names of labels without labels
    BadFile : no such plan
    BadLabels : labels on another grid than the scan after
    """
    if args.label_names and not args.labels:
        raise WrongUse("--label-names", "needs label maps", do="Give them with --labels.")
    kept = planned(case, args.plan) if args.plan else None
    if kept is None and not args.level:
        raise WrongUse("the level", "must be given", do="Give --level, such as --level L3-L4, or --plan NAME.")
    level = args.level or (kept.approach.level if kept else "")
    level_vertebrae(level)
    labels = None
    if args.labels:
        given = read_given_labels(args.labels, args.label_names, after.grid)
        labels = AfterLabels(given.labels, after.grid)
    question = AuditQuestion(level, kept.approach if kept else None, args.days_after, labels)
    return question, plan_notes(case, kept) if kept else ()


def planned(case: Case, name: str) -> KeptPlan:
    """The plan of that name in the case, or in a file."""
    if Path(name).suffix == ".toml" or len(Path(name).parts) > 1:
        return read_kept_plan(Path(name))
    path = plan_path(case, name)
    if not path.is_file():
        there = ", ".join(plan_names(case)) or "none"
        raise WrongUse("--plan", f"must name a plan kept in the case ({there}) or a plan file", got=name)
    return read_kept_plan(path)


def keep_audit(case: Case, audit: Audit, document: Mapping[str, Any]) -> tuple[str, str]:
    """Writes the result, its picture and its maps into the case, each whole or not at all; names of the first two."""
    from canalwise.workbench.charts.audit_picture import audit_figure
    from canalwise.workbench.images.audit_maps import audit_maps, audit_name, map_path
    from canalwise.workbench.style.data_uris import drawing_style, png_bytes

    name = audit_name(audit.question.level)
    with drawing_style():
        picture = png_bytes(audit_figure(audit))
    maps = audit_maps(audit)
    keep_result(case, name, document)
    with changing(case) as folder:
        write_bytes_atomic(folder / "results" / f"{name}.png", picture)
        for what, (voxels, grid) in maps.items():
            path = map_path(folder, name, what)
            part = path.with_name(f".{path.name}")
            write_nifti(part, voxels, grid)
            part.replace(path)
    return f"results/{name}.json", f"results/{name}.png"
