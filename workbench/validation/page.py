"""The report of a validation: a page and its data, whole or not at all."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from canalwise.recon.case.folder_writing import write_folder_atomic
from canalwise.recon.serialization import json_text
from canalwise.workbench.style.templates import resource, template

DATA_FILE, PAGE_FILE = "validation.json", "validation.html"


def write_validation(folder: Path, document: Mapping[str, Any], force: bool) -> None:
    """Writes validation.html and validation.json into a folder of their own."""
    with write_folder_atomic(folder, force, marker=DATA_FILE) as filling:
        (filling / DATA_FILE).write_text(json_text(document), encoding="utf-8")
        (filling / PAGE_FILE).write_text(validation_page(document), encoding="utf-8")


def validation_page(document: Mapping[str, Any]) -> str:
    """The page's HTML.

    >>> "0 of 0" in validation_page({"rows": [], "passed": 0, "version": "1", "caution": "c", "scope": {"spines": 0}})
    True
    """
    return template("validation/validation.html.j2").render(
        document=document, style=resource("report/report.css"), verdict=verdict
    )


def verdict(row: Mapping[str, Any]) -> str:
    """How a row ended, in a word.

    >>> verdict({"passed": False, "kind": "published", "count": 2})
    'outside'
    """
    if not row["count"]:
        return "not found"
    words = ("inside", "outside") if row["kind"] == "published" else ("passed", "failed")
    return words[0] if row["passed"] else words[1]
