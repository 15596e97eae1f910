"""Probability of level names on hand-checkable numbers."""

import numpy as np
import pytest

from canalwise.recon.naming.column_cues import ColumnCues, RibReach, VertebraCues
from canalwise.recon.naming.countings import ANATOMIES, WITHOUT_LUMBAR_FRAC, countings
from canalwise.recon.naming.cues import spacing_frac
from canalwise.recon.naming.likelihoods import BENDS, CREST, FLANK, LOPSIDED, RIBS, SACRAL, BinnedLikelihood
from canalwise.recon.naming.posterior import TEMPER, crest_likelihood, miscounted, names_posterior


@pytest.mark.parametrize("table", [SACRAL, FLANK, LOPSIDED], ids=lambda t: t.quantity)
def test_every_row_is_a_probability(table: BinnedLikelihood) -> None:
    for row in table.by_sort.values():
        assert len(row) == len(table.edges) + 1
        assert sum(row) == pytest.approx(1.0)
        # no single piece of evidence may decide alone
        assert min(row) >= 0.001


def test_shares_of_anatomies_sum_to_one_and_hold_the_published_transitional_ones() -> None:
    shares = {anatomy.name: anatomy.frac for anatomy in ANATOMIES}
    assert sum(shares.values()) == pytest.approx(1.0)
    # French et al. 2014 (READ, docs/published-values.md#vertebrae): sacralised L5 4.1 %, lumbarised S1 5.8 %
    assert shares["L5 sacralised"] + shares["L5 within the sacrum"] == pytest.approx(0.041)
    free = shares["S1 lumbarised and free"] + shares["six lumbar vertebrae, the last one free"]
    assert shares["S1 lumbarised"] + free == pytest.approx(0.058, abs=0.006)


def test_no_evidence_leaves_the_prior() -> None:
    posterior = names_posterior(ColumnCues((VertebraCues(1),)))
    total = sum(counting.prior for counting in countings(1))
    one = next(
        p
        for counting, p in posterior.countings
        if counting.anatomy == "five lumbar vertebrae" and counting.names == ("L3",)
    )
    prior = next(
        counting.prior
        for counting in countings(1)
        if counting.anatomy == "five lumbar vertebrae" and counting.names == ("L3",)
    )
    assert one == pytest.approx((1 - miscounted(())) * prior / total, rel=1e-6)


def test_two_countings_are_weighed_by_their_likelihood_ratio() -> None:
    """One vertebra with a short rib: T12 against L3, by the table's ratio and how rare scans without L1 are."""
    posterior = names_posterior(ColumnCues((VertebraCues(1, rib=RibReach(80.0, 82.0)),)))
    share = {counting.names[0]: p for counting, p in posterior.countings if counting.anatomy == "five lumbar vertebrae"}
    ratio = (RIBS["short rib"].of(82.0) / RIBS["lumbar"].of(82.0)) ** TEMPER * WITHOUT_LUMBAR_FRAC
    assert share["T12"] / share["L3"] == pytest.approx(ratio, rel=1e-6)


def test_a_strut_that_leaves_the_view_counts_as_at_least_so_long() -> None:
    millimetres = np.arange(0.0, 400.0, 0.05)
    for rib in RIBS.values():
        beyond = millimetres >= 70.0
        normal = np.exp(-0.5 * ((millimetres - rib.mean) / rib.sd) ** 2) / rib.sd / np.sqrt(2 * np.pi)
        stray = (millimetres >= rib.stray_from) & (millimetres <= rib.stray_from + rib.stray_range)
        density = (1 - rib.stray_frac) * normal + rib.stray_frac * stray / rib.stray_range
        assert rib.of(70.0, at_least=True) == pytest.approx(density[beyond].sum() * 0.05, abs=2e-3)


def test_a_millimetre_of_a_rib_never_decides() -> None:
    """A twelfth rib of 104 mm was read as an eleventh: fourteen to one on one side of a border, one to seven beyond."""
    short, long = RIBS["short rib"], RIBS["long rib"]
    ratios = np.array([long.of(mm) / short.of(mm) for mm in range(40, 140)])
    assert np.abs(np.diff(np.log(ratios))).max() < 0.3


def test_a_missed_vertebra_leaves_no_name_sure() -> None:
    lumbar = [VertebraCues(n, 0.0, (0.05, 0.1), None, RibReach(44.0, 44.0)) for n in range(2, 6)]
    cues = (VertebraCues(1, 0.9, (0.9, 0.9)), *lumbar)
    even = names_posterior(ColumnCues(cues, spacing_frac=spacing_frac((0, 34, 69, 104, 138))))
    gap = names_posterior(ColumnCues(cues, spacing_frac=spacing_frac((0, 34, 103, 138, 172))))
    assert even.ranked()[0][1] > 0.95
    assert gap.ranked()[0][1] <= 0.5


def test_crests_speak_for_l4() -> None:
    five = next(counting.elements for counting in countings(4) if counting.names == ("S1", "L5", "L4", "L3"))
    four = next(counting.elements for counting in countings(4) if counting.names == ("L5", "L4", "L3", "L2"))
    assert crest_likelihood(five, 2.8) == pytest.approx(CREST.of(-0.2))
    assert crest_likelihood(five, 2.8) > 3 * crest_likelihood(four, 2.8)


def test_bends_are_densities() -> None:
    degrees = np.arange(-90.0, 110.0, 0.1)
    for bend in BENDS.values():
        normal = sum(bend.of(d) - bend.stray_frac / bend.stray_range for d in degrees) * 0.1
        assert normal == pytest.approx(1 - bend.stray_frac, abs=1e-3)
