"""What the page's build leaves; and where it was never built, that is said before the long work."""

from __future__ import annotations

import pytest

from canalwise.workbench import demonstration
from canalwise.workbench.commands.main import main
from canalwise.workbench.export import shared_page
from canalwise.workbench.style import page_bundle


def too_late(*_: object, **__: object) -> None:
    raise AssertionError("worked out before it was seen that the page is missing")


def test_a_page_never_built_is_reported_before_anything_is_worked_out(monkeypatch, tmp_path, capsys):
    monkeypatch.setattr(page_bundle, "files", lambda package: tmp_path)
    monkeypatch.setattr(demonstration, "phantom_case", too_late)
    monkeypatch.setattr(shared_page, "estimate_of", too_late)
    plan = ["--level", "L3-L4", "--side", "left"]
    for argv in (["demo", "--out", str(tmp_path / "case")], ["report", str(tmp_path / "none"), *plan]):
        assert main(argv) == 3
        assert "the page must have been built" in capsys.readouterr().err
    with pytest.raises(page_bundle.BadFile, match=r"viewer\.js.*npm ci"):
        shared_page.shared_page(None, None, None)
    assert list(tmp_path.iterdir()) == []
