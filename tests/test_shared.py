"""What tests share is made once for each set of arguments, also when another worker asks."""

from __future__ import annotations

import numpy as np

from tests.shared import FOLDER, shared


def test_made_once_for_each_set_of_arguments(tmp_path, monkeypatch):
    monkeypatch.setenv(FOLDER, str(tmp_path))
    made: list[float] = []

    def halves(value: float) -> np.ndarray:
        made.append(value)
        return np.full(3, value / 2)

    worker, other_worker = shared(halves), shared(halves)
    assert worker(3.0) is worker(3.0)
    assert other_worker(3.0).tolist() == worker(3.0).tolist() == [1.5] * 3
    assert made == [3.0]
    assert worker(5.0).tolist() == [2.5] * 3
    assert made == [3.0, 5.0]


def test_without_a_folder_each_worker_makes_its_own(monkeypatch):
    monkeypatch.delenv(FOLDER)
    assert shared(lambda value: [value])(4) == [4]
