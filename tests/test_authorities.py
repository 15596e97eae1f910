"""The published values are whole, and agree with each other where they must."""

from __future__ import annotations

import pytest

from tests.authorities import FOLDER, entry_angles, value, values
from tests.closed_forms import entry_angle_deg

FILES = sorted(path.stem for path in FOLDER.glob("*.toml"))
TABLE_ROUNDING_DEG = 0.05
"""The table is printed to 0.1 deg."""


@pytest.mark.parametrize("file", FILES)
def test_every_row_says_its_value_source_and_evidence(file):
    for row in values(file):
        assert all((row.quantity, row.unit, row.source)), row
        assert row.evidence in ("READ", "CALC", "MEM")
        assert row.mean is not None or row.low < row.high, row


@pytest.mark.parametrize("file", FILES)
def test_no_value_is_given_twice(file):
    keys = [(row.quantity, row.level) for row in values(file)]
    assert len(keys) == len(set(keys))


@pytest.mark.parametrize(("entry_mm", "target_mm", "depth_mm", "angle_deg"), entry_angles())
def test_entry_angles_are_plane_trigonometry(entry_mm, target_mm, depth_mm, angle_deg):
    assert entry_angle_deg(entry_mm, target_mm, depth_mm) == pytest.approx(angle_deg, abs=TABLE_ROUNDING_DEG + 1e-9)


def test_a_value_from_memory_may_not_be_asserted():
    with pytest.raises(KeyError, match="0 rows"):
        value("canal", "dural sac area, absolute stenosis")
