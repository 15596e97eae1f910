"""Dividing arches: against phantom truth, the rules of docs/numbers.md#anatomical-definitions, and given parts kept."""

import numpy as np
import pytest

from canalwise.phantoms.imaging.grids import natural_grid
from canalwise.phantoms.imaging.render import render_scan
from canalwise.phantoms.imaging.scanner import PhantomScan
from canalwise.phantoms.spec import SpineSpec
from canalwise.recon.canal.tube import CanalTube, canal_from_bone
from canalwise.recon.labels import SACRUM, VERTEBRAE, Labels, Part, bone_mask, label_of
from canalwise.recon.spine.arch_parts import divide_arches
from tests.labelled_phantoms import labels_on

LEAST_DICE = {
    "BODY": 0.95,
    "SPINOUS_PROCESS": 0.9,
    "SPINOUS_BASE": 0.8,
    "LAMINA_LEFT": 0.6,
    "LAMINA_RIGHT": 0.6,
    "SUPERIOR_ARTICULAR_LEFT": 0.75,
    "SUPERIOR_ARTICULAR_RIGHT": 0.75,
    "TRANSVERSE_LEFT": 0.75,
    "TRANSVERSE_RIGHT": 0.75,
}
"""Least overlap with the phantom's parts of L4; the borders between parts are conventions, so it cannot be 1."""


@pytest.fixture(scope="module")
def phantom() -> PhantomScan:
    """One level, 1 mm."""
    return render_scan(SpineSpec(), natural_grid(SpineSpec(), 1.0, ("L3-L4",)))


@pytest.fixture(scope="module")
def tube(phantom: PhantomScan) -> CanalTube:
    """Its canal from the true bone."""
    return canal_from_bone(bone_mask(phantom.labels), phantom.grid)


def undivided(labels: Labels) -> Labels:
    """The labels with every bone's parts forgotten."""
    return np.where(bone_mask(labels), labels // 100 * 100 + Part.UNDIVIDED, labels).astype(np.uint16)


@pytest.fixture(scope="module")
def divided(phantom: PhantomScan, tube: CanalTube) -> Labels:
    """The undivided phantom, divided."""
    return divide_arches(undivided(phantom.labels), phantom.grid, tube)


def test_nothing_stays_undivided_and_bone_stays_bone(phantom: PhantomScan, divided: Labels) -> None:
    bone = bone_mask(phantom.labels)
    assert not (divided[bone] % 100 == Part.UNDIVIDED).any()
    assert np.array_equal(divided[bone] // 100, phantom.labels[bone] // 100)
    assert np.array_equal(divided[~bone], phantom.labels[~bone])


@pytest.mark.parametrize("part", LEAST_DICE)
def test_parts_agree_with_the_phantoms(part: str, phantom: PhantomScan, divided: Labels) -> None:
    label = label_of("L4", Part[part])
    truth, found = phantom.labels == label, divided == label
    assert 2 * (truth & found).sum() / (truth.sum() + found.sum()) >= LEAST_DICE[part]


def test_a_sacrum_has_neither_pars_nor_inferior_processes() -> None:
    grid = natural_grid(SpineSpec(), 1.0, ("L5-S1",))
    truth = labels_on(SpineSpec(), grid)
    found = divide_arches(undivided(truth), grid, canal_from_bone(bone_mask(truth), grid))
    sacral = {Part(label % 100) for label in np.unique(found) if label // 100 == VERTEBRAE[SACRUM]}
    assert not {part for part in sacral if part.name.startswith(("PARS", "INFERIOR"))}
    for side in ("LEFT", "RIGHT"):
        lamina = truth == label_of(SACRUM, Part[f"LAMINA_{side}"])
        assert (found[lamina] == label_of(SACRUM, Part[f"LAMINA_{side}"])).mean() > 0.7
    assert (found == label_of("L5", Part.PARS_LEFT)).any()


def test_sides_are_the_patients(phantom: PhantomScan, divided: Labels) -> None:
    left = np.argwhere(divided == label_of("L4", Part.LAMINA_LEFT))
    right = np.argwhere(divided == label_of("L4", Part.LAMINA_RIGHT))
    assert phantom.grid.world_mm(left)[:, 0].mean() < phantom.grid.world_mm(right)[:, 0].mean()


def test_given_parts_are_kept_but_for_the_spinous_base(phantom: PhantomScan, tube: CanalTube) -> None:
    given = phantom.labels.copy()
    base, process = label_of("L4", Part.SPINOUS_BASE), label_of("L4", Part.SPINOUS_PROCESS)
    given[given == base] = process
    divided = divide_arches(given, phantom.grid, tube)
    moved = divided != given
    assert (divided[moved] % 100 == Part.SPINOUS_BASE).all()
    assert (given[moved] % 100 == Part.SPINOUS_PROCESS).all()
    assert (divided == base).sum() > 0.6 * (phantom.labels == base).sum()


def test_mirrored_patient_has_mirrored_parts(phantom: PhantomScan, tube: CanalTube, divided: Labels) -> None:
    # The array flipped along x about its middle is the mirror image: left parts become right parts.
    flipped = np.ascontiguousarray(undivided(phantom.labels)[::-1])
    grid = phantom.grid
    mirrored = divide_arches(flipped, grid, canal_from_bone(bone_mask(flipped), grid))[::-1]
    for one, other in (("LAMINA_LEFT", "LAMINA_RIGHT"), ("SUPERIOR_ARTICULAR_LEFT", "SUPERIOR_ARTICULAR_RIGHT")):
        a, b = divided == label_of("L4", Part[one]), mirrored == label_of("L4", Part[other])
        assert 2 * (a & b).sum() / (a.sum() + b.sum()) > 0.85
