"""A case with one plan as a single page to send: scene, endoscope, slices and numbers, read-only, from disk, offline.

It holds no word that a person gave - no name of a plan, no corrections, nothing of where the scan comes from - and a
policy that lets it ask for nothing anywhere.
"""

from __future__ import annotations

import gzip
from base64 import b64encode

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.estimate.estimate import estimate_of
from canalwise.estimator.estimate.estimate_json import estimate_as_json
from canalwise.estimator.estimate.intervals import intervals_of
from canalwise.estimator.estimate.limit_intervals import verdict_intervals
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.outcome.decompressed import decompressed_or_none
from canalwise.recon.case.folder import Case
from canalwise.recon.disclaimer import CAUTION
from canalwise.workbench.console.freed_tables import step_rows
from canalwise.workbench.console.json_results import USUAL_EXECUTIONS, with_decompression
from canalwise.workbench.images.planned_case import PlannedCase, planned_removal
from canalwise.workbench.report import confidence_section, plan_section, summary
from canalwise.workbench.report.viewer_data import viewer_data
from canalwise.workbench.sheet import tables
from canalwise.workbench.style.page_bundle import VIEWER, VIEWER_STYLE, check_page_built, page_text
from canalwise.workbench.style.palette import HUES
from canalwise.workbench.style.stamp import stamp_now
from canalwise.workbench.style.templates import resource, template
from canalwise.workbench.surfaces.scan_frame import scan_frame

POLICY = "default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'; img-src data: blob:"
"""What the page may load: what lies in itself. A browser refuses every request."""


def shared_page(case: Case, prepared: PreparedLevel, approach: Approach) -> bytes:
    """The page of a plan; raises as `estimate_of`, and BadFile where the page was never built."""
    check_page_built()
    found = estimate_of(prepared, approach)
    resected = decompressed_or_none(prepared, approach)
    reported = intervals_of(found)
    estimate = with_decompression(estimate_as_json(found, reported), prepared, approach, USUAL_EXECUTIONS, resected)
    planned = PlannedCase(case.scan, case.anatomy, found.level, approach, planned_removal(found, resected))
    ends = {name: i.ends for name, i in verdict_intervals(reported, approach.side).items() if i.sd_by_cause}
    page = template("export/shared_page.html.j2").render(
        caution=CAUTION,
        policy=POLICY,
        style=resource("report/report.css"),
        viewer_style=page_text(VIEWER_STYLE),
        viewer=page_text(VIEWER),
        level=found.level,
        approach=approach,
        estimate=estimate,
        head=summary,
        sure=confidence_section,
        plan=tables,
        plan_rows=plan_section.phase_rows(planned),
        limit_rows=tables.limit_rows(estimate, ends),
        step_rows=step_rows(estimate["resection"]) if estimate.get("resection") else [],
        stamp=stamp_now(case.anatomy_sha256, ""),
        hues=[HUES[name] for name in ("bone", "canal", "sac", "removed", "near", "far")],
        window=case.scan.kind.display_window(case.scan.voxels),
        scene=viewer_data(found, resected),
        scan=b64encode(gzip.compress(scan_frame(case, approach.level), compresslevel=9, mtime=0)).decode(),
    )
    return page.encode()
