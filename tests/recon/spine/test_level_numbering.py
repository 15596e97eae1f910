"""Names of levels: counted with evidence, given, or refused."""

import numpy as np
import pytest

from canalwise.recon.errors import AnatomyNotFound, WrongUse
from canalwise.recon.grid import isotropic_grid
from canalwise.recon.spine.canal_coordinates import SpineField
from canalwise.recon.spine.level_numbering import SURE, RegionSigns, VertebraPlace, names, places_text, signs


def test_counted_from_sacrum_to_ribs() -> None:
    found = names(RegionSigns((1, 2, 3, 4, 5, 6, 7), (1,), (7,)))
    assert [found.by_number[n] for n in range(1, 8)] == ["S1", "L5", "L4", "L3", "L2", "L1", "T12"]
    assert found.evidence == "both"
    assert not found.naming.transitional
    assert found.naming.value_frac == SURE["both"].value


@pytest.mark.parametrize(("lumbar", "first"), [(6, "L6"), (4, "L4")])
def test_transitional_anatomy_is_warned_of(lumbar: int, first: str) -> None:
    found = names(RegionSigns(tuple(range(1, lumbar + 3)), (1,), (lumbar + 2,)))
    assert found.by_number[2] == first
    assert any("transitional" in warning for warning in found.warnings)
    assert found.naming.transitional
    assert found.naming.value_frac == SURE["transitional"].value


def test_counted_from_ribs() -> None:
    found = names(RegionSigns((1, 2, 3), (), (3,)))
    assert found.by_number == {3: "T12", 2: "L1", 1: "L2"}
    assert found.evidence == "ribs"


def test_nothing_to_count_by() -> None:
    with pytest.raises(AnatomyNotFound, match="--levels") as error:
        names(RegionSigns((1, 2, 3), (), ()))
    assert "3 vertebrae" in str(error.value)


def test_as_many_names_as_vertebrae() -> None:
    with pytest.raises(WrongUse, match="must name the 3 vertebrae"):
        names(RegionSigns((1, 2, 3), (), ()), ["L3", "L4"])


def test_a_sliver_may_be_left_out() -> None:
    seen = RegionSigns((1, 2, 3), (), (), slivers=(1,))
    assert names(seen, ["L3", "L4"]).by_number == {3: "L3", 2: "L4"}
    assert names(seen, ["L3", "L4", "L5"]).by_number == {3: "L3", 2: "L4", 1: "L5"}
    assert any("sliver" in warning for warning in names(seen, ["L3", "L4"]).warnings)


def test_contradicting_signs_are_refused() -> None:
    with pytest.raises(AnatomyNotFound, match="contradict"):
        names(RegionSigns((1, 2, 3), (3,), (1,)))


def test_iliac_crests_beside_the_lowest_two_are_no_ribs() -> None:
    found = names(RegionSigns((1, 2, 3, 4), (1,), (2, 3)))
    assert found.by_number == {1: "S1", 2: "L5", 3: "L4", 4: "L3"}
    assert found.evidence == "sacrum"
    with pytest.raises(AnatomyNotFound, match="contradict"):
        names(RegionSigns((1, 2, 3, 4, 5), (1,), (2, 3, 4)))


def test_names_in_order() -> None:
    with pytest.raises(WrongUse, match="cranial to caudal"):
        names(RegionSigns((1, 2), (), ()), ["L4", "L3"])


def test_a_given_name_that_the_sacrum_contradicts_is_told() -> None:
    found = names(RegionSigns((1, 2), (1,), ()), ["L4", "L5"])
    assert found.by_number == {2: "L4", 1: "L5"}
    assert any("sacrum" in warning for warning in found.warnings)


def test_one_sign_alone_is_less_sure_and_says_so() -> None:
    ends = (((1,), (7,)), ((1,), ()), ((), (7,)))
    both, sacrum, ribs = (names(RegionSigns(tuple(range(1, 8)), *shown)).naming for shown in ends)
    assert both.value_frac > sacrum.value_frac > ribs.value_frac
    assert "no ribs are in view" in sacrum.because
    assert "no sacrum is in view" in ribs.because


@pytest.mark.parametrize(
    "seen",
    [RegionSigns((1, 2, 3), (1, 2), ()), RegionSigns((1, 2, 3), (1,), (), half_winged=(2,))],
    ids=["disc within the sacrum", "wing on one side"],
)
def test_hints_of_a_transitional_vertebra(seen: RegionSigns) -> None:
    found = names(seen)
    assert found.naming.transitional
    assert any("transitional" in warning for warning in found.warnings)


def test_a_wrong_count_says_where_the_vertebrae_lie() -> None:
    seen = RegionSigns((1, 2, 3), (), (), (1,), places={n: VertebraPlace(-80.0 + 30 * n, 10 * n) for n in (1, 2, 3)})
    reported = "3 vertebrae with pedicles at RAS z 10.0 mm (slice 30), -20.0 mm (slice 20), -50.0 mm (slice 10), cut"
    assert places_text(seen).startswith(reported)
    with pytest.raises(WrongUse, match="slice 30") as error:
        names(seen, ["L1", "L2", "L3", "L4"])
    assert reported in str(error.value)


def test_counted_from_a_vertebra_pointed_at() -> None:
    found = names(RegionSigns((1, 2, 3, 4), (1,), ()), seeded={2: "L5"})
    assert found.by_number == {4: "L3", 3: "L4", 2: "L5", 1: "S1"}
    assert found.evidence == "given"
    assert names(RegionSigns((1, 2, 3), (), ()), seeded={2: "T12"}).by_number == {2: "T12", 1: "L1"}
    six = names(RegionSigns((1, 2, 3), (1,), ()), seeded={2: "L6"})
    assert six.by_number == {3: "L5", 2: "L6", 1: "S1"}


@pytest.mark.parametrize("seeded", [{1: "L4", 2: "L5"}, {1: "S1", 3: "L3"}])
def test_seeds_that_cannot_be_counted_from(seeded: dict[int, str]) -> None:
    with pytest.raises(WrongUse, match="--seed vertebra"):
        names(RegionSigns((1, 2, 3), (), ()), seeded=seeded)


def field_and_bone(left: bool, right: bool, cut_mm: float = 70.0) -> tuple[SpineField, np.ndarray]:
    """A straight canal along z, and blocks where a sacrum's wings lie, on the sides asked for; cut off on the right."""
    grid = isotropic_grid((-70.0, -30.0, 0.0), (cut_mm, 30.0, 40.0), 2.0)
    x, y, z = (v.astype(np.float32) for v in np.moveaxis(grid.voxel_centres_mm(), -1, 0))
    box = (slice(0, grid.shape[0]), slice(0, grid.shape[1]), slice(3, 3 + grid.shape[2]))
    field = SpineField(box, grid, -x, -y, z, np.abs(x) - 12, -y - 15)
    wing = (np.abs(x) > 28) & (np.abs(x) < 45) & (np.abs(y) < 25) & (np.abs(z - 20) < 12)
    return field, wing & (((x < 0) & left) | ((x > 0) & right))


def test_wings_on_both_sides_make_a_sacrum_and_on_one_a_hint() -> None:
    both, one, none = (
        signs(*field_and_bone(left, right), {1: 9000.0}, (20.0,))
        for left, right in ((True, True), (True, False), (False, False))
    )
    assert (both.winged, both.half_winged) == ((1,), ())
    assert (one.winged, one.half_winged) == ((), (1,))
    assert (none.winged, none.half_winged) == ((), ())


def test_a_wing_that_the_scan_cuts_off_is_no_hint() -> None:
    seen = signs(*field_and_bone(True, False, cut_mm=32.0), {1: 9000.0}, (20.0,))
    assert (seen.winged, seen.half_winged) == ((), ())


def test_places_are_those_of_the_scan() -> None:
    seen = signs(*field_and_bone(False, False), {1: 9000.0}, (20.0,))
    assert seen.places[1].z_ras_mm == pytest.approx(20.0)
    # the box starts at the scan's fourth slice; slices are 2 mm apart and counted from 1
    assert seen.places[1].slice_number == 3 + 10 + 1
