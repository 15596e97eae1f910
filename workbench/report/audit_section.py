"""The report's section 'What was done': an audit that was kept, held against the plan."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from canalwise.estimator.approach.plan_file import ANATOMY_KEY
from canalwise.estimator.audit.rules import AUDIT_SCHEMA
from canalwise.recon.case.folder import Case
from canalwise.recon.errors import BadFile
from canalwise.recon.serialization import read_json, without_schema
from canalwise.workbench.console.audit_tables import (
    area_names,
    area_rows,
    criterion_rows,
    facet_rows,
    fitted_lines,
    limit_rows,
    place_rows,
    plan_rows,
    registration_lines,
    taken_rows,
)
from canalwise.workbench.images.audit_maps import audit_name
from canalwise.workbench.report.picture import ReportPicture
from canalwise.workbench.style.data_uris import data_uri

Rows = list[tuple[str, ...]]

PLACE_COLUMNS = ("place to look at", "mm\u00b3", "left, mm", "dorsal, mm", "cranial, mm")


@dataclass(frozen=True)
class AuditTable:
    """One table of the section; of a table of places also where each row lies."""

    title: str
    columns: tuple[str, ...]
    rows: Rows
    places_level_mm: tuple[tuple[float, float, float], ...] = ()


@dataclass(frozen=True, eq=False)
class AuditSection:
    """All that the section says.

    Parameters
    ----------
    sentence : what must be heard first
    tables : in their order
    sentences : what else was found, caveats and warnings
    picture : before and after, where one was kept
    """

    sentence: str
    tables: tuple[AuditTable, ...]
    sentences: tuple[str, ...]
    picture: ReportPicture | None = None


def read_audit(path: Path) -> Mapping[str, Any]:
    """An audit's JSON; raises BadFile for anything else."""
    document = read_json(path, who="the audit", error=BadFile)
    without_schema(AUDIT_SCHEMA, document, who="the audit")
    return dict(document)


def kept_audit(case: Case, level: str, file: Path | None) -> AuditSection | None:
    """The audit in a file, or the one kept in the case for a level of its present anatomy; None without one.

    Raises
    ------
    BadFile : the file holds no audit, or one of another level
    """
    kept = case.folder / "results" / f"{audit_name(level)}.json"
    if file is None and not kept.is_file():
        return None
    path = file or kept
    document = read_audit(path)
    if document.get("level") != level:
        raise BadFile("the audit", f"must be of {level}", got=document.get("level"), do="Give the report's own level.")
    other = document.get(ANATOMY_KEY) not in ("", None, case.anatomy_sha256)
    if file is None and other:
        return None
    drawn = path.with_suffix(".png")
    picture = drawn.read_bytes() if drawn.is_file() else b""
    note = ("This audit was made on another anatomy than the case has now.",) if other else ()
    return audit_section(document, picture, note)


def audit_section(document: Mapping[str, Any], picture: bytes = b"", notes: tuple[str, ...] = ()) -> AuditSection:
    """The section about an audit's JSON; raises BadFile where keys are missing."""
    try:
        shown = tuple(_tables(document))
        paragraphs = (
            *notes,
            *fitted_lines(document),
            *registration_lines(document),
            *document["findings"],
            *document["caveats"],
            *document["warnings"],
        )
        sentence = f"{document['sentence']}."
    except (KeyError, TypeError) as problem:
        raise BadFile("the audit", "must be whole", got=str(problem), do="Audit again with --save.") from None
    image = ReportPicture(data_uri(picture, "image/png"), "Before and after, bone taken in orange") if picture else None
    return AuditSection(sentence, shown, paragraphs, image)


def _tables(document: Mapping[str, Any]) -> list[AuditTable]:
    tables = [
        AuditTable("Bone taken", ("structure", "mm\u00b3", "share of it"), taken_rows(document)),
        AuditTable("Joints kept", ("joint", "area", "width", "volume"), facet_rows(document)),
        AuditTable("Limits", ("limit", "value", "limit", ""), limit_rows(document)),
    ]
    if document["against_plan"] is not None:
        tables.append(AuditTable("Against the plan", ("bone", "mm\u00b3"), plan_rows(document)))
        found = document["against_plan"]
        places = tuple(tuple(place["at_level_mm"]) for key in ("missed", "unplanned") for place in found[key])
        tables.append(AuditTable("Places to look at", PLACE_COLUMNS, place_rows(document), places))
    if document["areas"] is not None:
        columns = ("free area, mm\u00b2", *area_names(document))
        tables.append(AuditTable("Areas", columns, area_rows(document)))
    tables.append(AuditTable("Enough?", ("criterion", "value", "limit", ""), criterion_rows(document)))
    return tables
