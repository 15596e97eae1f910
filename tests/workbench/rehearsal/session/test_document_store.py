"""Pages made to print: few, bounded, under names nobody can guess."""

from __future__ import annotations

import pytest

from canalwise.recon.errors import WrongUse
from canalwise.workbench.rehearsal.session import document_store as module
from canalwise.workbench.rehearsal.session.document_store import PAGES, DocumentStore


def test_the_oldest_goes_first():
    made = DocumentStore()
    names = [made.put("text/html", str(n).encode()) for n in range(PAGES + 2)]
    assert [made.get(name) for name in names[:2]] == [None, None]
    assert [made.get(name).content for name in names[2:]] == [str(n).encode() for n in range(2, PAGES + 2)]


def test_names_are_long_and_never_the_same():
    made = DocumentStore()
    names = {made.put("text/html", b"") for _ in range(100)}
    assert len(names) == 100
    assert min(map(len, names)) >= 32


def test_a_page_too_long_is_refused(monkeypatch):
    monkeypatch.setattr(module, "PAGE_BYTES", 1024)
    made = DocumentStore()
    with pytest.raises(WrongUse, match="must be at most"):
        made.put("text/html", b"x" * 1025)
    assert made.get(made.put("application/pdf", b"x" * 1024)).media_type == "application/pdf"
