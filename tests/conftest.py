"""Fixtures all tests share."""

from __future__ import annotations

import os
import shutil
import tempfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import settings

from tests.shared import FOLDER

# Same examples in every run, and no time limit: the first call of a compiled kernel is slow.
settings.register_profile("house", derandomize=True, deadline=None)
settings.load_profile("house")

ROOT = Path(__file__).resolve().parents[1]


def pytest_addoption(parser: pytest.Parser) -> None:
    """--thorough."""
    parser.addoption("--thorough", action="store_true", help="run the slow repetitions of what other tests check too")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leaves the thorough tests out unless they are wanted, and says so."""
    if not config.getoption("--thorough"):
        for item in items:
            if item.get_closest_marker("thorough"):
                item.add_marker(pytest.mark.skip(reason="thorough: python3 scripts/test.py --thorough runs it"))


def pytest_configure(config: pytest.Config) -> None:
    """Makes the folder of what this run's workers share, before they start."""
    config.addinivalue_line("markers", "thorough: slow, of another side, level or door of what quicker tests check")
    if not hasattr(config, "workerinput"):
        os.environ[FOLDER] = tempfile.mkdtemp(prefix="canalwise-tests-")


def pytest_unconfigure(config: pytest.Config) -> None:
    """Takes it away when all are done."""
    if not hasattr(config, "workerinput"):
        shutil.rmtree(os.environ.pop(FOLDER), ignore_errors=True)


@pytest.fixture(scope="session")
def data_dir() -> Path:
    """Folder of real images under open licences; skips where it is absent."""
    folder = Path(os.environ.get("CANALWISE_DATA", ROOT.parent / "shared" / "data"))
    if not folder.is_dir():
        pytest.skip("real data is not on this machine; set CANALWISE_DATA to its folder")
    return folder


@pytest.fixture
def rng() -> np.random.Generator:
    """The same random numbers in every run."""
    return np.random.default_rng(20260101)
