"""What the page's build leaves; and where it was never built, that is said before the long work."""

from __future__ import annotations

import pytest

from canalwise.recon.errors import BadFile
from canalwise.workbench.report.report import report_of
from canalwise.workbench.style import page_bundle
from tests.workbench import toy


def test_a_page_never_built_is_reported_before_anything_is_worked_out(monkeypatch, tmp_path):
    monkeypatch.setattr(page_bundle, "files", lambda package: tmp_path)
    with pytest.raises(BadFile, match=r"the page must have been built .*viewer\.js.*npm ci"):
        report_of(toy.scan(), toy.pressed_anatomy(), None)  # type: ignore[arg-type]
