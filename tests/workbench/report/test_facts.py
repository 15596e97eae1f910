"""A report's pictures and its comparison are made side by side; an interrupt of one ends the other."""

from __future__ import annotations

import threading

import pytest

from canalwise.recon.parallel import THREADS_VARIABLE
from canalwise.workbench.report import facts

PATIENCE_S = 20.0
"""A comparison that nobody stops; far longer than the test takes."""


def test_an_interrupt_of_the_drawing_stops_the_comparison(monkeypatch):
    began, stopped = threading.Event(), []

    def compared(_prepared, halted):
        began.set()
        stopped.append(halted.wait(PATIENCE_S))
        return {}

    def interrupted(_planned):
        assert began.wait(PATIENCE_S)
        raise KeyboardInterrupt

    monkeypatch.setenv(THREADS_VARIABLE, "2")
    monkeypatch.setattr(facts, "what_if", lambda *_: None)
    monkeypatch.setattr(facts, "_compared", compared)
    monkeypatch.setattr(facts, "plan_pictures", interrupted)
    with pytest.raises(KeyboardInterrupt):
        facts._drawn_and_compared(None, None, None)
    assert stopped == [True]
