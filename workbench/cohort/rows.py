"""The rows of a case in the cohort's table, read from the results that lie in its folder."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from canalwise.estimator.cohort.columns import measured_values, row_values
from canalwise.recon.serialization import read_json

KINDS = {
    "canalwise.measure": "measure",
    "canalwise.estimate": "estimate",
    "canalwise.audit": "audit",
}
"""Schema of a result, whatever its version -> the document's name among the columns' places."""


def rows_of(folder: Path, approach: str) -> tuple[dict[str, Any], ...]:
    """A row for each level that was planned, or for each that was measured where none was to be; cranial to caudal.

    Parameters
    ----------
    approach : 'default', 'search' or 'plan': where the plans come from; empty where none were requested
    """
    found = _documents(folder)
    measured = {level["name"]: level for one in found.get("measure", ()) for level in one.get("levels", ())}
    audits = {one.get("level"): one for one in found.get("audit", ())}
    planned = found.get("estimate", [])
    if not approach:
        return tuple(_row(name, "", "", {"measured": measured_values(measured[name])}) for name in measured)
    order = list(measured)
    planned.sort(key=lambda one: (order.index(one["level"]) if one["level"] in order else len(order), one["side"]))
    return tuple(
        _row(one["level"], one["side"], approach, {
            "measured": measured_values(measured.get(one["level"], {})),
            "estimate": one,
            "audit": audits.get(one["level"], {}),
        })
        for one in planned
    )  # fmt: skip


def _row(level: str, side: str, approach: str, documents: Mapping[str, Any]) -> dict[str, Any]:
    return {"level": level, "side": side, "approach": approach, **row_values(documents)}


def _documents(folder: Path) -> dict[str, list[dict[str, Any]]]:
    """Kind of result -> all of it in a case folder, by name of the file."""
    found: dict[str, list[dict[str, Any]]] = {}
    for path in sorted((folder / "results").glob("*.json")):
        document = read_json(path, who=path.name)
        kind = KINDS.get(str(document.get("schema", "")).partition("/")[0])
        if kind:
            found.setdefault(kind, []).append(document)
    return found
