"""An MR beside a CT: what is carried over, where it comes from, what is said, and what is refused."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canalwise.recon.case.bone_anatomy import (
    GIVEN_ON_MR,
    BoneAnatomy,
    MrTissue,
    mr_sources,
    mr_warnings,
    with_mr_tissue,
)
from canalwise.recon.case.corrected_anatomy import with_mr
from canalwise.recon.errors import UnusableInput
from canalwise.recon.intake.label_maps import GivenLabels
from canalwise.recon.labels import Tissue
from canalwise.recon.registration.carried_tissue import carried
from tests import pairs
from tests.workbench import toy

PAIR = ("L3", "L4")


def tissue() -> MrTissue:
    """The toy's MR on its CT."""
    return MrTissue(carried(*pairs.mr_pair(), pairs.registered_mr()), GIVEN_ON_MR)


def test_a_carried_sac_takes_the_place_of_a_modelled_one():
    found = tissue()
    empty = np.where(toy.labels() == Tissue.SAC, np.uint16(Tissue.CANAL), toy.labels()).astype(np.uint16)
    labels = with_mr_tissue(empty, found)
    carried_over = found.carried.canal > 0
    assert ((labels == Tissue.SAC) & carried_over).sum() == pytest.approx(
        ((toy.labels() == Tissue.SAC) & carried_over).sum(), rel=0.1
    )
    assert (labels[~carried_over] == empty[~carried_over]).all()
    assert (labels[toy.labels() >= 100] == toy.labels()[toy.labels() >= 100]).all()
    assert mr_sources(found) == {"sac": "given (MR)"}


def test_residuals_and_levels_left_out_are_said():
    found = tissue()
    assert "residual L3 0." in mr_warnings(found, [PAIR])[0]
    failed = {name: replace(one, problem="it failed") for name, one in pairs.registered_mr().items()}
    refused = MrTissue(carried(*pairs.mr_pair(), failed), GIVEN_ON_MR)
    assert refused.carried.levels == ()
    assert not refused.carried.canal.any()
    assert "L3-L4: the MR is not used (L3: it failed; L4: it failed)" in mr_warnings(refused, [PAIR])[0]
    assert mr_warnings(None, [PAIR]) == ()


def test_a_ct_in_the_mrs_place_and_a_map_without_sac_are_refused():
    fixed, moving = pairs.mr_pair()
    bones = BoneAnatomy(toy.labels(), toy.anatomy().occupancy, {})
    with pytest.raises(UnusableInput, match="must be an MR"):
        with_mr(bones, fixed.scan, pairs.untouched(), None, str)
    bare = GivenLabels(np.where(moving.labels == Tissue.SAC, 1, moving.labels).astype(np.uint16), frozenset())
    with pytest.raises(UnusableInput, match="must hold sac or ligament"):
        with_mr(bones, fixed.scan, moving.scan, bare, str)
