"""Every function that a page's template calls is there: a template is text, which no type checker reads."""

from __future__ import annotations

import re
from importlib import import_module
from pathlib import Path

import pytest

WORKBENCH = Path(__file__).resolve().parents[2] / "workbench"

GIVEN = {
    "report/report.html.j2": {
        "head": "report.summary",
        "plan": "report.plan_section",
        "facts": "report.tables",
        "sure": "report.confidence_section",
    },
    "sheet/theatre_sheet.html.j2": {"head": "report.summary", "facts": "sheet.tables"},
}
"""Template -> the modules it is given, by the name it knows them under."""


@pytest.mark.parametrize("template", GIVEN)
def test_functions_called_by_templates_exist(template):
    text = (WORKBENCH / template).read_text()
    for name, module in GIVEN[template].items():
        called = set(re.findall(rf"\b{name}\.(\w+)\(", text))
        assert called
        own = import_module(f"canalwise.workbench.{module}")
        assert not [one for one in called if not callable(getattr(own, one, None))]
