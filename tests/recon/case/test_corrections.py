"""Structures replaced by a person's maps: what moves, what stays, and what is refused."""

from pathlib import Path

import numpy as np
import pytest

from canalwise.recon.anatomy import Correction
from canalwise.recon.case.corrections import (
    Replacement,
    correction_sentences,
    kept_replacement,
    occupancy_again,
    replacement_of,
    with_replacements,
)
from canalwise.recon.case.structure_names import known_structures, structure_of
from canalwise.recon.errors import BadLabels, WrongUse
from canalwise.recon.grid import Grid, isotropic_grid
from canalwise.recon.intake.nifti_writer import write_nifti
from canalwise.recon.labels import CANAL_CONTENTS, Labels, Mask, Part, Tissue, bone_mask, label_of
from canalwise.recon.scan import Scan

GRID = isotropic_grid((-20.0, -20.0, 0.0), (20.0, 20.0, 30.0), 1.0)
LEFT, RIGHT = label_of("L4", Part.LAMINA_LEFT), label_of("L4", Part.LAMINA_RIGHT)


def labels() -> Labels:
    """L3 above L4 as slabs with a left and a right lamina each, a canal with a sac in front."""
    x, y, z = np.moveaxis(GRID.voxel_centres_mm(), -1, 0)
    out = np.full(GRID.shape, int(Tissue.SOFT), dtype=np.uint16)
    for vertebra, here in (("L4", z < 12), ("L3", z > 18)):
        arch = here & (np.abs(x) < 12) & (y > -15) & (y < -8)
        out[arch & (x < 0)] = label_of(vertebra, Part.LAMINA_LEFT)
        out[arch & (x >= 0)] = label_of(vertebra, Part.LAMINA_RIGHT)
    out[(np.abs(x) < 8) & (y >= -8) & (y < 4)] = Tissue.CANAL
    out[(np.abs(x) < 5) & (y >= -5) & (y < 2)] = Tissue.SAC
    return out


def replacement(name: str, mask: Mask, grid: Grid = GRID) -> Replacement:
    return Replacement(name, mask, grid, Correction("replaced", name, "0" * 64))


@pytest.mark.parametrize("name", ["L4 lamina left", "canal", "sac"])
def test_a_structure_replaced_by_itself_changes_nothing(name: str) -> None:
    before = labels()
    itself = kept_replacement(Correction("replaced", name), before, GRID)
    assert (with_replacements(before, GRID, [itself]) == before).all()


def test_a_part_takes_what_it_claims_and_gives_the_rest_to_its_neighbour() -> None:
    before = labels()
    smaller = (before == LEFT) & (np.indices(GRID.shape)[0] < 15)
    after = with_replacements(before, GRID, [replacement("L4 lamina left", smaller)])
    assert ((after == LEFT) == smaller).all()
    assert (after[(before == LEFT) & ~smaller] == RIGHT).all()
    assert (bone_mask(after) == bone_mask(before)).all()
    assert (after[before // 100 != 23] == before[before // 100 != 23]).all()


def test_a_vertebra_gives_up_bone_and_keeps_its_parts() -> None:
    before = labels()
    mask = (before // 100 == 23) & (np.indices(GRID.shape)[2] > 4)
    taller = mask | ((np.indices(GRID.shape)[2] == 12) & np.isin(np.roll(before, 1, axis=2), (LEFT, RIGHT)))
    after = with_replacements(before, GRID, [replacement("L4", taller)])
    assert (after[mask] == before[mask]).all()
    assert (after[(before // 100 == 23) & ~mask] == Tissue.SOFT).all()
    assert (after[:, :, 12] == np.where(taller[:, :, 12], before[:, :, 11], before[:, :, 12])).all()


def test_a_vertebra_that_was_found_wrongly_waits_to_be_divided() -> None:
    before = labels()
    mask = np.roll(before // 100 == 23, 4, axis=1)
    after = with_replacements(before, GRID, [replacement("L4", mask)])
    assert (after[mask] == label_of("L4", Part.UNDIVIDED)).all()
    assert (after[(before // 100 == 23) & ~mask] == Tissue.SOFT).all()


def test_the_canal_keeps_the_sac_that_lies_in_it() -> None:
    before = labels()
    mask = np.isin(before, CANAL_CONTENTS) & (np.indices(GRID.shape)[0] < 22)
    after = with_replacements(before, GRID, [replacement("canal", mask)])
    assert (np.isin(after, CANAL_CONTENTS) == mask).all()
    assert ((after == Tissue.SAC) == (mask & (before == Tissue.SAC))).all()


def test_a_sac_smaller_than_before_leaves_canal() -> None:
    before = labels()
    mask = (before == Tissue.SAC) & (np.indices(GRID.shape)[0] < 20)
    after = with_replacements(before, GRID, [replacement("sac", mask)])
    assert ((after == Tissue.SAC) == mask).all()
    assert (after[(before == Tissue.SAC) & ~mask] == Tissue.CANAL).all()


def test_order_of_the_call_does_not_matter() -> None:
    before = labels()
    whole = replacement("L4", before // 100 == 23)
    part = replacement("L4 lamina left", (before == LEFT) & (np.indices(GRID.shape)[0] < 15))
    one, other = (with_replacements(before, GRID, order) for order in ([whole, part], [part, whole]))
    assert (one == other).all()
    assert (one == LEFT).any()


def test_a_map_on_a_part_of_the_grid_is_placed_where_it_belongs() -> None:
    before = labels()
    box = (slice(5, 30), slice(0, 41), slice(2, 20))
    smaller = replacement("sac", (before == Tissue.SAC)[box], GRID.cropped(box))
    assert (smaller.on(GRID)[box] == (before == Tissue.SAC)[box]).all()
    assert smaller.on(GRID).sum() == (before == Tissue.SAC)[box].sum()


@pytest.mark.parametrize("shift_mm", [0.3, 0.5])
def test_a_map_between_the_voxels_is_refused(shift_mm: float) -> None:
    affine = GRID.affine_ras_mm.copy()
    affine[:3, 3] += shift_mm
    with pytest.raises(BadLabels, match="must lie on the scan's voxels"):
        replacement("sac", labels() == Tissue.SAC, Grid(GRID.shape, affine)).on(GRID)


def test_maps_that_cannot_be_right_are_refused() -> None:
    before = labels()
    with pytest.raises(BadLabels, match="outside bone"):
        with_replacements(before, GRID, [replacement("canal", bone_mask(before))])
    swapped = [
        replacement(f"{v} lamina {a}", before == label_of(v, Part[f"LAMINA_{b}"]))
        for v in ("L3", "L4")
        for a, b in (("left", "RIGHT"), ("right", "LEFT"))
    ]
    with pytest.raises(BadLabels, match="left"):
        with_replacements(before, GRID, swapped)
    far = isotropic_grid((500.0, 0.0, 0.0), (510.0, 5.0, 5.0), 1.0)
    with pytest.raises(BadLabels, match="within the scan"):
        with_replacements(before, GRID, [replacement("sac", np.ones(far.shape, dtype=bool), far)])


def test_bone_shares_change_only_about_bone_that_came_or_went() -> None:
    before = labels()
    after = before.copy()
    after[9:12, 8:12, 2:4] = Tissue.SOFT
    scan = Scan(np.where(bone_mask(before), 700, 40).astype(np.int16), GRID, "MR")
    share = bone_mask(before).astype(np.float32) * np.float32(0.875)
    found = occupancy_again(after, before, share, scan)
    assert (found[9:12, 8:12, 2:4] == 0).all()
    assert (found[:, :, 8:] == share[:, :, 8:]).all()
    assert occupancy_again(before, before, share, scan) is share


def test_unknown_structures_are_answered_with_near_names() -> None:
    with pytest.raises(WrongUse, match="Did you mean") as error:
        structure_of("L4 superior articluar left")
    assert "L4 superior articular left" in error.value.do
    with pytest.raises(WrongUse, match="must name a structure"):
        structure_of("lamina left")
    assert all(structure_of(name) for name in known_structures())


def test_a_map_from_disk_with_its_checksum(tmp_path: Path) -> None:
    path = tmp_path / "smith.nii.gz"
    write_nifti(path, (labels() == Tissue.SAC).astype(np.uint8), GRID)
    found = replacement_of(f"sac={path}")
    assert (found.on(GRID) == (labels() == Tissue.SAC)).all()
    assert len(found.record.sha256) == 64
    assert found.record.file_name == ""
    assert replacement_of(f"sac={path}", keep_name=True).record.file_name == "smith.nii.gz"
    assert correction_sentences([found.record])[0].startswith("sac was replaced by a label map (sha256 ")


def test_maps_that_say_nothing_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "empty.nii.gz"
    write_nifti(path, np.zeros(GRID.shape, dtype=np.uint8), GRID)
    with pytest.raises(BadLabels, match="at least one voxel"):
        replacement_of(f"sac={path}")
    with pytest.raises(WrongUse, match="WHAT=FILE"):
        replacement_of("sac")
