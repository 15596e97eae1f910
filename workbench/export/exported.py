"""An export on disk: a folder with its files and a list of them, whole or not at all."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from canalwise.recon.case.folder_writing import write_folder_atomic
from canalwise.recon.disclaimer import CAUTION
from canalwise.recon.serialization import json_text
from canalwise.workbench.export.formats import ExportJob, export_files

LIST_FILE, SCHEMA = "export.json", "canalwise.export/1"


def write_export(
    folder: Path, job: ExportJob, formats: tuple[str, ...], *, force: bool = False, say: Callable[[str], None]
) -> dict[str, Any]:
    """Writes the files of some formats and their list; returns the list. Raises as `export_files`."""
    with write_folder_atomic(folder, force, marker=LIST_FILE) as filling:
        listed = []
        for made in export_files(job, formats, say):
            path = filling / made.name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(made.content)
            listed.append(made.listed())
        document = _document(job, listed)
        (filling / LIST_FILE).write_text(json_text(document), encoding="utf-8")
    return document


def _document(job: ExportJob, listed: list[dict[str, Any]]) -> dict[str, Any]:
    plan = None if job.approach is None else {"level": job.approach.level, "side": job.approach.side}
    refers = job.source is not None
    return {
        "schema": SCHEMA,
        "caution": CAUTION,
        "anatomy_sha256": job.case.anatomy_sha256,
        "plan": plan,
        "dicom_refers_to": "the source series" if refers else "an own series of the case",
        "files": listed,
        "warnings": [*job.case.anatomy.warnings, *(() if job.source is None else job.source.warnings)],
    }
