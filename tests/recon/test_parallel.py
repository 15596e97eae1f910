"""Two tasks at once: both answers, the first error, nothing left running, no task that waits for ever."""

from __future__ import annotations

import os
import time

import pytest

from canalwise.recon.parallel import THREADS_VARIABLE, both, side_by_side


@pytest.fixture(autouse=True)
def two_threads(monkeypatch):
    monkeypatch.setenv(THREADS_VARIABLE, "2")


def halves(depth: int) -> int:
    """2 ** depth, by tasks within tasks."""
    return sum(both(lambda: halves(depth - 1), lambda: halves(depth - 1))) if depth else 1


def test_tasks_within_tasks_all_end():
    assert halves(6) == 64
    assert list(side_by_side(halves, [5, 3, 4])) == [32, 8, 16]


@pytest.mark.parametrize("first", [True, False])
def test_an_error_of_either_is_raised_and_the_next_two_are_done(first):
    def fails():
        raise KeyError("one")

    with pytest.raises(KeyError, match="one"):
        both(*((fails, list) if first else (list, fails)))
    assert both(lambda: 1, lambda: 2) == (1, 2)


def test_nothing_runs_on_after_an_error():
    """What the other thread had begun is waited for: its arrays may be gone afterwards."""
    began, ended = [], []

    def slow():
        began.append(True)
        time.sleep(0.1)
        ended.append(True)

    def fails():
        while not began:
            time.sleep(0.001)
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        both(fails, slow)
    assert ended


@pytest.mark.skipif(not hasattr(os, "fork"), reason="no fork on this system")
@pytest.mark.filterwarnings("ignore:.*fork.*:DeprecationWarning")
def test_a_fork_without_the_other_thread_still_answers():
    assert both(lambda: 1, lambda: 2) == (1, 2)
    child = os.fork()
    if not child:
        os._exit(0 if both(lambda: 3, lambda: 4) == (3, 4) else 1)
    assert os.waitpid(child, 0)[1] == 0
