"""The room a level needs, against closed forms of a round canal, and on a spine."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from canalwise.estimator.decompression.decompression_set import LIGAMENT
from canalwise.estimator.decompression.room_needed import BREADTHS, CENTRAL
from canalwise.estimator.decompression.rules import ResectionRules
from canalwise.estimator.resection.resection import resection_level_of
from canalwise.recon.errors import AnatomyNotFound, WrongUse
from tests.estimator.resection.toy_canal import FREE_MM, HALF_MM, half_ring_mm2, toy_level


@pytest.mark.parametrize("turn_deg", [(0, 0, 0), (12, 7, -9)])
@pytest.mark.parametrize("spacing_mm", [0.5, 0.8])
def test_set_of_a_round_canal_is_half_a_ring(spacing_mm, turn_deg):
    at = resection_level_of(toy_level(spacing_mm, turn_deg))
    at = replace(at, breadth="central")
    section = at.room.section
    assert section.source == "own"
    assert section.area_mm2(np.array([0.0]))[0] == pytest.approx(np.pi * FREE_MM**2, rel=0.03)
    stations = at.room.stations
    assert len(stations.z_mm) == pytest.approx(2 * HALF_MM, abs=1)
    middle = at.wanted.by_station_mm2(at.wanted.mm3)[2:-2]
    assert middle == pytest.approx(half_ring_mm2(), rel=0.05)
    assert at.wanted.total_mm3 == pytest.approx(half_ring_mm2() * 2 * HALF_MM, rel=0.06)
    assert set(at.wanted.kind) == {LIGAMENT}


def test_breadths_hold_one_another(prepared):
    shares = []
    for breadth in BREADTHS:
        at = replace(resection_level_of(prepared), breadth=breadth)
        share = np.zeros(at.level_bone.labels.size)
        share[at.room.voxels] = at.room.share
        shares.append(share)
    for narrower, broader in pairwise(shares):
        assert (broader - narrower).min() >= -1e-9
        assert broader.sum() > narrower.sum()


def test_stations_areas_sum_to_the_volume(prepared):
    wanted = resection_level_of(prepared).wanted
    # ligament beyond the outermost slabs is in no station and not in the room
    assert wanted.by_station_mm2(wanted.mm3).sum() == pytest.approx(wanted.total_mm3, rel=0.02)


def test_unpressed_section_is_as_large_as_at_the_pedicles(prepared):
    """Griffith 2016 and Steurer 2011 measure sac and canal where nothing presses; here the phantom's own is asked."""
    section = resection_level_of(prepared).room.section
    assert section.source == "own"
    z = resection_level_of(prepared).room.stations.z_mm
    assert (section.area_mm2(z) > 120).all()
    assert (section.area_mm2(z) < 230).all()


def test_zones_are_freed_in_order(prepared):
    assert resection_level_of(prepared).wanted.zone.min() == CENTRAL


def test_published_area_stands_in_where_no_pedicle_is_in_view():
    at = resection_level_of(toy_level())
    at = replace(at, level=replace(at.level, landmarks_ras_mm={}), breadth="central")
    assert at.room.section.source == "published"
    published = ResectionRules().records["sac_area_mm2"]
    assert published.evidence == "READ"
    assert at.room.section.area_mm2(np.zeros(1))[0] == pytest.approx(published.value)


def test_no_ligament_and_no_sac_are_said():
    with pytest.raises(AnatomyNotFound, match="ligamentum flavum"):
        _ = resection_level_of(toy_level(0.8, ligament=False)).room
    with pytest.raises(AnatomyNotFound, match="dural sac"):
        _ = resection_level_of(toy_level(0.8, sac=False)).room


def test_unknown_breadth_is_refused(prepared):
    with pytest.raises(WrongUse, match="breadth"):
        _ = replace(resection_level_of(prepared), breadth="wide").room  # type: ignore[arg-type]


def test_records_name_their_source_and_refuse_others():
    rules = ResectionRules()
    assert all(record.source and record.unit for record in rules.records.values())
    with pytest.raises(WrongUse, match="rules"):
        rules.changed(reach_mm=3.0)
