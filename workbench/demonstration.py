"""The whole job on a built-in phantom: scan, case, approach, estimate, comparison, report."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from canalwise.estimator.planning.default_approach import default_approach
from canalwise.phantoms.imaging.grids import natural_grid
from canalwise.phantoms.imaging.render import render_scan
from canalwise.phantoms.imaging.scanner import PhantomScan
from canalwise.phantoms.spec import SpineSpec, demo_spec
from canalwise.recon.case.anatomy_builder import anatomy_of
from canalwise.recon.case.folder import write_case
from canalwise.recon.errors import WrongUse
from canalwise.recon.intake.label_maps import GivenLabels
from canalwise.recon.labels import Side
from canalwise.recon.scan import Scan
from canalwise.workbench.console.plan_store import keep_estimate, keep_result, of_anatomy, plan_name
from canalwise.workbench.report.report import report_of, write_report
from canalwise.workbench.style.page_bundle import check_page_built

SPACING_MM = 0.8
"""Voxel size of the demonstration's scan: fine enough to plan on, coarse enough to take a minute."""

ALL_GIVEN = frozenset({"vertebrae", "parts", "discs", "canal", "sac", "flavum", "calcified", "soft"})
"""A phantom knows all its structures; the demonstration takes them as given and says so."""

WARNING = "This is a made-up spine, not a patient. Its structures were given by the phantom, not found in the scan."


def phantom_case(spec: SpineSpec, level: str, spacing_mm: float = SPACING_MM) -> tuple[Scan, GivenLabels]:
    """The CT of a phantom round one level, and its labels as if made elsewhere."""
    rendered = render_scan(spec, natural_grid(spec, spacing_mm, (level,)))
    return _scan_of(rendered, spacing_mm), GivenLabels(np.asarray(rendered.labels), ALL_GIVEN, (WARNING,))


def _scan_of(rendered: PhantomScan, spacing_mm: float) -> Scan:
    provenance = {"format": "built-in phantom", "spacing_mm": f"{spacing_mm:g}"}
    return Scan(rendered.ct_hu, rendered.grid, "CT", provenance)


def demonstration(
    folder: Path,
    level: str,
    side: Side,
    *,
    force: bool = False,
) -> Mapping[str, Any]:
    """Works through the whole job and leaves a case in `folder`; returns the estimate's JSON data.

    Everything is computed before the case is written, so that a failure leaves nothing behind.
    Raises WrongUse for a level the phantom does not have, BadFile where the page that the report quotes was never
    built.
    """
    spec = demo_spec()
    if level not in spec.level_names:
        raise WrongUse("--level", f"must be one of the phantom's, {', '.join(spec.level_names)}", got=level)
    check_page_built()
    # the page is drawn before the case is written: what takes longest and can fail leaves no folder behind
    scan, given = phantom_case(spec, level)
    anatomy = anatomy_of(scan, given=given)
    approach = default_approach(anatomy, level, side)
    report = report_of(scan, anatomy, approach)
    case = write_case(folder, scan, anatomy, force=force)
    estimate = of_anatomy(case, report.estimate)
    keep_estimate(case, plan_name(level, side), approach, estimate)
    keep_result(case, f"compare-{level}", of_anatomy(case, report.comparison))
    write_report(folder / "report.html", report)
    return estimate
