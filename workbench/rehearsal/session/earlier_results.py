"""Results that other commands left with a case: audits, a plan of several levels."""

from __future__ import annotations

from typing import Any

from canalwise.estimator.approach.plan_file import ANATOMY_KEY
from canalwise.estimator.audit.rules import AUDIT_SCHEMA
from canalwise.estimator.levels import levels_json
from canalwise.recon.case.folder import Case
from canalwise.recon.errors import BadFile, CanalwiseError
from canalwise.recon.serialization import read_json, without_schema
from canalwise.workbench.images.audit_maps import audit_name


def audited_levels(case: Case) -> list[str]:
    """Levels whose audit is kept and was made on the anatomy the case has now."""
    return [each.name for each in case.anatomy.levels if _kept(case, audit_name(each.name), AUDIT_SCHEMA)]


def kept_levels_plan(case: Case) -> dict[str, Any] | None:
    """The plan of several levels, as its JSON; None where none of this anatomy is kept that can be read."""
    return _kept(case, "levels", levels_json.SCHEMA)


def _kept(case: Case, name: str, schema: str) -> dict[str, Any] | None:
    path = case.folder / "results" / f"{name}.json"
    if not path.is_file():
        return None
    try:
        document = dict(read_json(path, who="the result", error=BadFile))
        without_schema(schema, document, who="the result")
    except CanalwiseError:
        return None
    return document if document.get(ANATOMY_KEY) == case.anatomy_sha256 else None
