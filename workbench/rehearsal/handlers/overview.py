"""What came before the plan: the whole spine with its levels, several levels planned together, an audit, a cohort."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from PIL import Image, ImageDraw

from canalwise.recon.anatomy import Anatomy
from canalwise.recon.errors import BadFile
from canalwise.recon.grid import Float
from canalwise.recon.labels import Tissue
from canalwise.recon.proposed_levels import levels_proposal
from canalwise.recon.scan import Scan
from canalwise.workbench.console.cohort_folder import summary_beside
from canalwise.workbench.console.levels_tables import bridge_lines, level_row
from canalwise.workbench.images.planes import sampled
from canalwise.workbench.rehearsal.handlers.picture import png_address
from canalwise.workbench.rehearsal.session.earlier_results import kept_levels_plan
from canalwise.workbench.rehearsal.session.request import Json, RequestJob, RequestKind
from canalwise.workbench.rehearsal.session.session import Session
from canalwise.workbench.report.audit_section import kept_audit
from canalwise.workbench.style.palette import LIGAMENT, MARK, SAC
from canalwise.workbench.surfaces.audit_frame import has_maps
from canalwise.workbench.surfaces.spine_overview import (
    PIXEL_MM,
    DrawnSection,
    drawn_sections,
    section_points_mm,
    side_points_mm,
)

OUTLINES = ((Tissue.SAC, SAC), (Tissue.FLAVUM, LIGAMENT))


@dataclass(frozen=True)
class OverviewRequest:
    """The whole spine in view."""


@dataclass(frozen=True)
class AuditRequest:
    """The audit kept of a level."""

    level: str


@dataclass(frozen=True)
class CohortRequest:
    """The summary of the cohort that the case belongs to."""


def overview(session: Session, message: OverviewRequest, job: RequestJob) -> Json:
    """The spine from the side, each level with a section, its area and its place in the proposal, and the kept plan of
    several levels."""
    case = session.case
    anatomy = case.anatomy
    proposal = levels_proposal(anatomy.levels, anatomy.sources)
    ranked = {one.level: one for one in proposal.levels}
    several = kept_levels_plan(case) or {"each_level": [], "bridges": []}
    planned = {one["level"]: one for one in several["each_level"]}
    seen = bool((anatomy.labels == Tissue.SAC).any())
    sections = {one.level.name: one for one in drawn_sections(anatomy)} if seen else {}
    return {
        "sac": anatomy.sources.get("sac", ""),
        "proposal": proposal.sentence,
        "side": _side(case.scan, anatomy, list(sections.values())) if sections else None,
        "levels": [
            {
                "name": name,
                "section": _section(case.scan, anatomy, sections[name]) if name in sections else "",
                "words": sections[name].words if name in sections else "sac not in view",
                "rank": ranked[name].rank if name in ranked else None,
                "reasons": list(ranked[name].reasons) if name in ranked else [],
                "planned": list(level_row(planned[name]))[1:] if name in planned else [],
                "plan": f"{name}-{planned[name]['side']}-of-several" if name in planned else "",
            }
            for name in (level.name for level in anatomy.levels)
        ],
        "several": [] if not planned else [several["verdict"]["sentence"], *bridge_lines(several["bridges"])],
    }


def audit(session: Session, message: AuditRequest, job: RequestJob) -> Json:
    """What the report says of an audit: sentence, tables, what else was found, places to look at."""
    case = session.case
    level = case.anatomy.level(message.level)
    found = kept_audit(case, level.name, None)
    if found is None:
        raise BadFile(f"an audit of {level.name}", "must be kept in the case", do="Run 'canalwise audit' with --save.")
    return {
        "level": level.name,
        "sentence": found.sentence,
        "tables": [
            {"title": t.title, "columns": list(t.columns), "rows": [list(row) for row in t.rows],
             "places": [list(place) for place in t.places_level_mm]}
            for t in found.tables
        ],
        "sentences": list(found.sentences),
        "picture": "" if has_maps(case, level.name) or found.picture is None else found.picture.uri,
        "maps": has_maps(case, level.name),
    }  # fmt: skip


def cohort(session: Session, message: CohortRequest, job: RequestJob) -> Json:
    """The address of the summary."""
    path = summary_beside(session.case.folder)
    if path is None:
        raise BadFile("the cohort's summary", "must lie beside its cases", do="Run 'canalwise cohort' again.")
    return {"url": f"made/{session.made.put('text/html', path.read_bytes())}"}


def _side(scan: Scan, anatomy: Anatomy, sections: Sequence[DrawnSection]) -> Json:
    """The scan along the middle of the sac, front on the left, with where each level's section crosses it."""
    line, points = side_points_mm(anatomy)
    picture = Image.fromarray(_pixels(scan, anatomy, points[::-1, ::-1], OUTLINES[:1]))
    draw = ImageDraw.Draw(picture)
    places = {}
    for one in sections:
        dorsal = one.level.frame.direction_ras(np.array([0.0, 1.0, 0.0]))
        ends = one.middle_ras_mm + np.array([[-16.0], [16.0]]) * dorsal
        across = (points[0, -1, 1] - ends[:, 1]) / PIXEL_MM
        down = (line[-1, 2] - ends[:, 2]) / PIXEL_MM
        draw.line([(float(x), float(y)) for x, y in zip(across, down, strict=True)], fill=MARK, width=2)
        places[one.level.name] = float((line[-1, 2] - one.middle_ras_mm[2]) / PIXEL_MM) / picture.height
    return {"png": png_address(np.asarray(picture)), "width": picture.width, "height": picture.height, "at": places}


def _section(scan: Scan, anatomy: Anatomy, one: DrawnSection) -> str:
    """A level's narrowest section, seen from the feet, dorsal up, the patient's left on the left."""
    picture = Image.fromarray(_pixels(scan, anatomy, section_points_mm(one)[1][::-1], OUTLINES))
    draw, middle = ImageDraw.Draw(picture), picture.height / 2
    for letter, x, anchor in (("L", 2, "lm"), ("R", picture.width - 2, "rm")):
        draw.text((x, middle), letter, fill=MARK, font_size=15, anchor=anchor)
    return png_address(np.asarray(picture))


def _pixels(scan: Scan, anatomy: Anatomy, points_mm: Float, outlines: Sequence[tuple[Tissue, str]]) -> Any:
    """(rows, columns, 3) picture of the scan at world points, with the outlines of some tissue."""
    from skimage.measure import find_contours

    low, high = scan.kind.display_window(scan.voxels)
    grey = sampled(scan.voxels, scan.grid, points_mm, scan.kind.outside_value(scan.voxels))
    shade = np.uint8(255 * np.clip((grey - low) / max(high - low, 1e-6), 0.0, 1.0))
    picture = Image.fromarray(np.stack([shade] * 3, axis=-1))
    draw = ImageDraw.Draw(picture)
    for tissue, colour in outlines:
        share = sampled((anatomy.labels == tissue).astype(np.float32), anatomy.grid, points_mm)
        for piece in find_contours(share, 0.5):
            draw.line([(float(x), float(y)) for y, x in piece], fill=colour, width=1)
    return np.asarray(picture)


ASKS: dict[str, RequestKind] = {
    "overview": RequestKind(OverviewRequest, overview, newest_only=True),
    "audit": RequestKind(AuditRequest, audit, newest_only=True),
    "cohort": RequestKind(CohortRequest, cohort),
}
