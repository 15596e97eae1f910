"""The table of measurements: unique keys, sourced limits, and nothing recorded that is not in it."""

from __future__ import annotations

import pytest

from canalwise.recon.case.motion_segments import levels_of
from canalwise.recon.measurement.kinds import KINDS, SCALES, measured
from tests.recon.shapes import case


def test_rows_are_unique_and_a_range_belongs_to_one_quantity_in_one_unit() -> None:
    rows = [(kind.quantity, kind.unit, kind.structure, kind.at) for kind in KINDS.values()]
    assert len(set(rows)) == len(rows)
    by_quantity = {(kind.quantity, kind.unit): kind.plausible for kind in KINDS.values() if kind.plausible}
    for kind in KINDS.values():
        assert kind.plausible in (None, by_quantity.get((kind.quantity, kind.unit)))


def test_every_threshold_has_the_unit_of_its_measurement() -> None:
    for kind in KINDS.values():
        assert kind.scale is None or {limit.unit for limit in kind.scale.thresholds} == {kind.unit}


def test_a_quantity_has_one_scale() -> None:
    scales = [kind.scale for kind in KINDS.values() if kind.scale is not None]
    assert all(SCALES[scale.quantity] is scale for scale in scales)


def test_a_value_is_recorded_with_band_source_and_structure() -> None:
    (found,) = measured("lateral recess height", 2.5, source="canal given", side="left")
    # Ciric et al. 1980: below 3 mm stenosis of the recess is likely (docs/published-values.md#canal)
    assert (found.structure, found.unit, found.band) == ("left lateral recess", "mm", "recess stenosis likely")
    assert found.source.startswith("canal given; bands: recess stenosis < 2 mm: Ciric")
    assert measured("lateral recess height", None, side="left") == ()


def test_only_kinds_of_the_table_are_recorded() -> None:
    with pytest.raises(KeyError):
        measured("unheard of", 1.0)


def test_what_a_level_reports_stands_in_the_table() -> None:
    _, labels, share, grid = case("plain")
    known = {(kind.quantity, kind.unit, kind.at) for kind in KINDS.values()}
    (level,) = levels_of(labels, share, grid)
    assert {(m.name, m.unit, m.at) for m in level.measurements} <= known
    assert len({m.name for m in level.measurements}) > 15
