"""Names of levels: the most probable counting with its probability, given, or asked for; never refused."""

from collections.abc import Mapping

import pytest

from canalwise.recon.errors import WrongUse
from canalwise.recon.naming.column_cues import ColumnCues, RibReach, VertebraCues
from canalwise.recon.naming.level_names import CONTRADICTED, GIVEN, Column, VertebraPlace, names, places_text
from canalwise.recon.naming.posterior import CONFIRMED

FREE, RIBBED, UNSEEN = RibReach(44.0, 46.0), RibReach(84.0, 86.0), RibReach(None, None)
LONG = RibReach(110.0, 112.0, runs_out=True)


def column(kinds: str, **others: object) -> Column:
    """A column, caudal to cranial, of S sacrum, L lumbar, R with a short and W with a long rib; ? shows nothing."""
    seen: Mapping[str, tuple[float | None, tuple[float, float] | None, RibReach]] = {
        "S": (0.9, (0.9, 0.92), UNSEEN),
        "L": (0.0, (0.05, 0.1), FREE),
        "R": (0.0, (0.0, 0.0), RIBBED),
        "W": (0.0, (0.0, 0.0), LONG),
        "?": (None, None, UNSEEN),
    }
    cues = tuple(VertebraCues(n, seen[k][0], seen[k][1], None, seen[k][2]) for n, k in enumerate(kinds, start=1))
    places = {n: VertebraPlace((0.0, 0.0, -80.0 + 30.0 * n), 10 * n) for n in range(1, len(kinds) + 1)}
    return Column(tuple(range(1, len(kinds) + 1)), ColumnCues(cues), places=places, **others)  # type: ignore[arg-type]


def test_counted_from_sacrum_to_ribs() -> None:
    found = names(column("SLLLLLR"))
    assert [found.by_number[n] for n in range(1, 8)] == ["S1", "L5", "L4", "L3", "L2", "L1", "T12"]
    assert found.evidence == "both"
    assert found.naming.confirmed
    assert not found.naming.transitional
    assert found.naming.value_frac > 0.98


@pytest.mark.parametrize(("kinds", "lowest", "evidence"), [("SLLL", "S1", "sacrum"), ("LLRW", "L2", "ribs")])
def test_one_end_is_enough_and_less_sure_than_both(kinds: str, lowest: str, evidence: str) -> None:
    one, both = names(column(kinds)), names(column("SLLLLLR"))
    assert one.by_number[1] == lowest
    assert one.evidence == evidence
    assert CONFIRMED.value <= one.naming.value_frac < both.naming.value_frac


def test_nothing_to_count_by_is_asked_about_not_refused() -> None:
    found = names(column("???"))
    assert not found.naming.confirmed
    assert found.naming.value_frac < 0.5
    assert len(found.by_number) == 3
    assert "--levels" in found.naming.question
    assert "slice 10" in found.naming.question
    assert found.naming.question in found.warnings
    assert len(found.naming.candidates) > 1


@pytest.mark.parametrize(("kinds", "alternatives"), [("SLLLLLLR", {"L6", "L5"}), ("SLLLLR", {"L5", "L4"})])
def test_six_or_four_lumbar_vertebrae_are_asked_about(kinds: str, alternatives: set[str]) -> None:
    found = names(column(kinds))
    assert not found.naming.confirmed
    at_second = {candidate.names[-2] for candidate in found.naming.candidates}
    assert alternatives <= at_second


def test_names_sure_but_for_what_the_other_end_would_tell_carry_the_condition() -> None:
    both, sacrum = names(column("SLLLLLR")), names(column("SLLL"))
    assert both.naming.condition == ""
    assert "five lumbar vertebrae" in sacrum.naming.condition
    assert any(sacrum.naming.condition in text for text in sacrum.warnings)
    # six free vertebrae in view speak for an anatomy that one end hides: no condition may cover it
    assert names(column("SLLLLLLR")).naming.condition == ""


def test_the_scans_own_end_is_no_evidence() -> None:
    """The same three vertebrae, cut off below or going on out of view, are named alike."""
    cut = names(column("LLL"))
    assert not cut.naming.confirmed
    # a free lowest vertebra is no L5 for being the lowest: no name of it reaches a half
    likely: dict[str, float] = {}
    for each in cut.naming.candidates:
        likely[each.names[-1]] = likely.get(each.names[-1], 0.0) + each.probability
    assert max(likely.values()) < 0.5


def test_contradicting_signs_lower_the_probability() -> None:
    assert not names(column("RLLLLLS")).naming.confirmed
    assert not names(column("SLR")).naming.confirmed


def test_a_probability_for_every_level() -> None:
    found = names(column("SLLLLLR"))
    assert set(found.naming.level_probability) == {"L5-S1", "L4-L5", "L3-L4", "L2-L3", "L1-L2", "T12-L1"}
    assert all(found.naming.value_frac <= p <= 1.0 for p in found.naming.level_probability.values())


def test_fourteen_vertebrae_have_names() -> None:
    found = names(column("SLLLLLRWWWWWWW"))
    assert found.by_number[14] == "T5"
    assert names(column("SLLLLLRW"), ["T11", "T12", "L1", "L2", "L3", "L4", "L5", "S1"]).by_number[8] == "T11"


def test_fewer_names_than_vertebrae_are_placed_where_the_evidence_puts_them() -> None:
    found = names(column("SLLLLLRW"), ["L1", "L2", "L3", "L4", "L5", "S1"])
    assert found.by_number == {6: "L1", 5: "L2", 4: "L3", 3: "L4", 2: "L5", 1: "S1"}
    assert any("2 vertebrae" in warning for warning in found.warnings)
    with pytest.raises(WrongUse, match="must name the 3 vertebrae"):
        names(column("???"), ["L3", "L4"])


def test_a_sliver_may_be_left_out() -> None:
    seen = column("???", slivers=(1,))
    assert names(seen, ["L3", "L4"]).by_number == {3: "L3", 2: "L4"}
    assert names(seen, ["L3", "L4", "L5"]).by_number == {3: "L3", 2: "L4", 1: "L5"}


def test_names_in_order() -> None:
    with pytest.raises(WrongUse, match="cranial to caudal"):
        names(column("??"), ["L4", "L3"])


def test_given_names_win_and_a_contradiction_is_reported() -> None:
    agreed, against = (
        names(column("SLLLLLR"), ["T12", "L1", "L2", "L3", "L4", "L5", "S1"]),
        names(column("SLLLLLR"), ["T11", "T12", "L1", "L2", "L3", "L4", "L5"]),
    )
    assert (agreed.naming.value_frac, agreed.warnings) == (GIVEN.value, ())
    assert against.by_number[1] == "L5"
    assert against.naming.value_frac == CONTRADICTED.value
    assert any("contradict" in warning for warning in against.warnings)


def test_places_say_where_each_vertebra_lies() -> None:
    reported = "3 vertebrae with bodies at RAS z 10.0 mm (slice 30), -20.0 mm (slice 20), -50.0 mm (slice 10), cut"
    assert places_text(column("???", slivers=(1,))).startswith(reported)


def test_counted_from_a_vertebra_pointed_at() -> None:
    found = names(column("SLLL"), seeded={2: "L5"})
    assert found.by_number == {4: "L3", 3: "L4", 2: "L5", 1: "S1"}
    assert found.evidence == "given"
    assert names(column("???"), seeded={2: "T12"}).by_number == {3: "T11", 2: "T12", 1: "L1"}
    six = names(column("SLL"), seeded={2: "L6"})
    assert six.by_number == {3: "L5", 2: "L6", 1: "S1"}


@pytest.mark.parametrize("seeded", [{1: "L4", 2: "L5"}, {1: "S1", 3: "L3"}])
def test_seeds_that_cannot_be_counted_from(seeded: dict[int, str]) -> None:
    with pytest.raises(WrongUse, match="--seed vertebra"):
        names(column("???"), seeded=seeded)
