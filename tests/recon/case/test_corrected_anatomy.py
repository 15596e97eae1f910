"""An anatomy corrected: all that follows from a replaced structure is found anew, and earlier corrections stay."""

from functools import cache

import numpy as np
import pytest

from canalwise.recon.anatomy import Anatomy, Correction
from canalwise.recon.case.anatomy_builder import anatomy_of
from canalwise.recon.case.corrected_anatomy import anatomy_with, corrected_anatomy
from canalwise.recon.case.corrections import Replacement
from canalwise.recon.errors import WrongUse
from canalwise.recon.intake.label_maps import GivenLabels
from canalwise.recon.labels import CANAL_CONTENTS, Labels, Mask, Part, Tissue, canal_mask, label_of
from canalwise.recon.scan import Scan
from canalwise.recon.segmentation.seed_points import Seed, Seeds
from tests.recon.shapes import case

PROCESS = "L4 superior articular left"


@cache
def scan_and_labels() -> tuple[Scan, Labels]:
    _, labels, share, grid = case("plain")
    return Scan(np.rint(40 + 660 * share).astype(np.int16), grid, "CT"), labels


@cache
def plain() -> Anatomy:
    scan, labels = scan_and_labels()
    return anatomy_of(scan, given=GivenLabels(labels, frozenset({"vertebrae", "parts", "canal", "discs", "soft"})))


def replaced(name: str, mask: Mask, anatomy: Anatomy) -> Replacement:
    return Replacement(name, mask, anatomy.grid, Correction("replaced", name, "0" * 64))


@cache
def with_narrow_canal() -> Anatomy:
    """The canal cut off 4 mm left of the middle."""
    anatomy = plain()
    x = anatomy.levels[0].frame.to_level_mm(anatomy.grid.voxel_centres_mm())[..., 0]
    mask = canal_mask(anatomy.labels) & (x < 4.0)
    return corrected_anatomy(scan_and_labels()[0], anatomy, replaced=[replaced("canal", mask, anatomy)])


def canal_area_mm2(anatomy: Anatomy) -> float:
    return next(m.value for m in anatomy.levels[0].measurements if m.name == "canal area")


def test_a_replaced_canal_changes_its_area_and_the_sac_in_it() -> None:
    anatomy, narrow = plain(), with_narrow_canal()
    assert canal_area_mm2(narrow) < 0.9 * canal_area_mm2(anatomy)
    assert (narrow.labels == Tissue.SAC).sum() < (anatomy.labels == Tissue.SAC).sum()
    assert narrow.sources["canal"] == "given"
    assert narrow.sources["sac"] == "modelled"
    assert [c.what for c in narrow.corrections] == ["canal"]


def test_a_further_correction_keeps_the_earlier_one() -> None:
    narrow = with_narrow_canal()
    left = narrow.labels == label_of("L4", Part.SUPERIOR_ARTICULAR_LEFT)
    half = left & (np.indices(narrow.grid.shape)[2] > np.argwhere(left)[:, 2].mean())
    again = corrected_anatomy(scan_and_labels()[0], narrow, replaced=[replaced(PROCESS, half, narrow)])
    assert [c.what for c in again.corrections] == ["canal", PROCESS]
    assert canal_area_mm2(again) == pytest.approx(canal_area_mm2(narrow), rel=0.02)
    assert ((again.labels == label_of("L4", Part.SUPERIOR_ARTICULAR_LEFT)) == half).all()
    assert again.levels[0].joints["left"].area_mm2.sum() < 0.8 * narrow.levels[0].joints["left"].area_mm2.sum()
    right = [anatomy.levels[0].joints["right"].area_mm2.sum() for anatomy in (again, narrow)]
    assert right[0] == pytest.approx(right[1], rel=0.02)


def test_the_same_correction_at_the_build_and_afterwards() -> None:
    scan, labels = scan_and_labels()
    given = GivenLabels(labels, frozenset({"vertebrae", "parts", "canal", "discs", "soft"}))
    narrow = with_narrow_canal()
    at_once = anatomy_with(
        scan, given=given, replaced=[replaced("canal", np.isin(narrow.labels, CANAL_CONTENTS), narrow)]
    )
    assert (at_once.labels == narrow.labels).all()
    assert at_once.corrections == narrow.corrections


def test_a_canal_of_given_bones_is_found_through_a_point() -> None:
    scan, anatomy = scan_and_labels()[0], plain()
    middle = anatomy.levels[0].frame.origin_ras_mm
    seeds = Seeds((Seed("canal", (float(middle[0]), float(middle[1]), float(middle[2]))),))
    found = corrected_anatomy(scan, anatomy, seeds=seeds)
    assert canal_mask(found.labels)[tuple(np.rint(found.grid.index_of(middle)).astype(int))]
    assert canal_area_mm2(found) == pytest.approx(canal_area_mm2(anatomy), rel=0.15)
    assert found.corrections[0].kind == "seed"


def test_what_cannot_be_corrected_is_said() -> None:
    scan, anatomy = scan_and_labels()[0], plain()
    with pytest.raises(WrongUse, match="must change something"):
        corrected_anatomy(scan, anatomy)
    with pytest.raises(WrongUse, match="given with a label map"):
        corrected_anatomy(scan, anatomy, seeds=Seeds((Seed("vertebra:L4", (0.0, 0.0, 0.0)),)))
    bone = anatomy.grid.world_mm(np.argwhere(anatomy.labels == label_of("L4", Part.LAMINA_LEFT))[0])
    with pytest.raises(WrongUse, match="not in bone"):
        corrected_anatomy(
            scan, anatomy, seeds=Seeds((Seed("canal", (float(bone[0]), float(bone[1]), float(bone[2]))),))
        )
