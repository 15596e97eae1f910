"""Names of levels: counted with evidence, given, or refused."""

import pytest

from recon.errors import AnatomyNotFound, WrongUse
from recon.naming import Signs, names


def test_counted_from_sacrum_to_ribs() -> None:
    found = names(Signs((1, 2, 3, 4, 5, 6, 7), (1,), (7,)))
    assert [found.by_number[n] for n in range(1, 8)] == ["S1", "L5", "L4", "L3", "L2", "L1", "T12"]
    assert found.evidence == "sacrum"


@pytest.mark.parametrize(("lumbar", "first"), [(6, "L6"), (4, "L4")])
def test_transitional_anatomy_is_warned_of(lumbar: int, first: str) -> None:
    found = names(Signs(tuple(range(1, lumbar + 3)), (1,), (lumbar + 2,)))
    assert found.by_number[2] == first
    assert any("transitional" in warning for warning in found.warnings)


def test_counted_from_ribs() -> None:
    found = names(Signs((1, 2, 3), (), (3,)))
    assert found.by_number == {3: "T12", 2: "L1", 1: "L2"}
    assert found.evidence == "ribs"


def test_nothing_to_count_by() -> None:
    with pytest.raises(AnatomyNotFound, match="--levels") as error:
        names(Signs((1, 2, 3), (), ()))
    assert "3 vertebrae" in str(error.value)


def test_as_many_names_as_vertebrae() -> None:
    with pytest.raises(WrongUse, match="must name the 3 vertebrae"):
        names(Signs((1, 2, 3), (), ()), ["L3", "L4"])


def test_a_sliver_may_be_left_out() -> None:
    seen = Signs((1, 2, 3), (), (), slivers=(1,))
    assert names(seen, ["L3", "L4"]).by_number == {3: "L3", 2: "L4"}
    assert names(seen, ["L3", "L4", "L5"]).by_number == {3: "L3", 2: "L4", 1: "L5"}
    assert any("sliver" in warning for warning in names(seen, ["L3", "L4"]).warnings)


def test_contradicting_signs_are_refused() -> None:
    with pytest.raises(AnatomyNotFound, match="contradict"):
        names(Signs((1, 2, 3), (3,), (1,)))


def test_names_in_order() -> None:
    with pytest.raises(WrongUse, match="cranial to caudal"):
        names(Signs((1, 2), (), ()), ["L4", "L3"])


def test_a_given_name_that_the_sacrum_contradicts_is_told() -> None:
    found = names(Signs((1, 2), (1,), ()), ["L4", "L5"])
    assert found.by_number == {2: "L4", 1: "L5"}
    assert any("sacrum" in warning for warning in found.warnings)
