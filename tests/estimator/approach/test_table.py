"""A table's rows are the approaches they were made of, and its packed phases lie where `placed_phases` places them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from canalwise.estimator.approach.approach import IPSILATERAL, OVER_THE_TOP, Approach, Phase, placed_phases
from canalwise.estimator.approach.instrument import Channel
from canalwise.estimator.approach.table import ApproachTable, joined, packed_phases, table_of
from canalwise.recon.anatomy import Frame
from canalwise.recon.errors import WrongUse

SINGLE_TOL = 2e-5  # packed phases are in single precision: 60 mm to about 4e-6 mm
FRAME = Frame(np.zeros(3), np.eye(3))

angles = st.floats(-60, 60)
depths = st.floats(-30, 60)
shifts = st.tuples(*[st.floats(-10, 10)] * 3)


@st.composite
def phases(draw, name):
    return Phase(name, draw(angles), draw(angles), draw(st.floats(0, 20)), draw(depths), draw(depths), draw(shifts))


@st.composite
def approaches(draw):
    side = draw(st.sampled_from(["left", "right"]))
    channel = Channel(9.0, 8.0, draw(st.floats(0.1, 8)), draw(st.floats(60, 200)), 12.0)
    docking = draw(st.tuples(*[st.floats(-20, 20)] * 3))
    pair = (draw(phases(IPSILATERAL)), draw(phases(OVER_THE_TOP)))
    return Approach("L3-L4", side, docking, draw(st.floats(20, 80)), pair, channel)


@given(st.lists(approaches(), min_size=1, max_size=4))
def test_rows_are_the_approaches_they_were_made_of(made):
    table = table_of(made)
    assert [table.approach(row) for row in range(len(table))] == made
    assert joined([table, table.rows(np.array([0]))]).approach(len(made)) == made[0]


@given(approaches())
def test_packed_phases_lie_where_they_are_placed(approach):
    for packed, placed in zip(packed_phases(table_of([approach]))[0], placed_phases(approach, FRAME), strict=True):
        assert packed[:3] == pytest.approx(placed.pivot_ras_mm, abs=SINGLE_TOL)
        assert packed[3:6] == pytest.approx(placed.axis_ras, abs=SINGLE_TOL)
        assert packed[[6, 9, 10, 13]] == pytest.approx(
            [placed.sleeve_depth_mm, placed.sleeve_radius_mm, placed.tip_depth_mm, placed.tool_radius_mm],
            abs=SINGLE_TOL,
        )
        assert packed[11] == pytest.approx(placed.tip_depth_mm * np.tan(np.radians(placed.sweep_deg)), abs=SINGLE_TOL)


def test_columns_of_another_length_are_refused():
    table = table_of([Approach("L3-L4", "left", (0, 0, 0), 40.0, (Phase("a", 0.0),))])
    columns = {name: getattr(table, name) for name in table.__dataclass_fields__}
    with pytest.raises(WrongUse, match="medial_deg"):
        ApproachTable(**columns | {"medial_deg": np.zeros((2, 1))})
