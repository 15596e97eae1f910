"""Vertebrae separated from a map of kinds: with perfect sight of a phantom they must come out right."""

import numpy as np
import pytest
from scipy import signal

from canalwise.phantoms.anatomy.spine import spine_of
from canalwise.phantoms.imaging.grids import natural_grid
from canalwise.phantoms.imaging.render import blocks
from canalwise.phantoms.spec import LevelKnobs, SpineSpec
from canalwise.recon.errors import AnatomyNotFound
from canalwise.recon.grid import Grid
from canalwise.recon.labels import SACRUM, VERTEBRAE, Labels, Part, canal_mask, label_of
from canalwise.recon.segmentation.instances import NetworkSpine
from canalwise.recon.segmentation.network_instances import _discs, learnt_spine, separate_peaks
from canalwise.recon.segmentation.tissue_classes import MIDDLE_PARTS, PART_NAMES, TissueClass, TissueClassMap
from canalwise.recon.spine.axial_profile import SpineProfile
from canalwise.recon.spine.canal_coordinates import SpineField

PROCESSES = (Part.SUPERIOR_ARTICULAR_LEFT, Part.SUPERIOR_ARTICULAR_RIGHT)
SACRAL, ROOF = VERTEBRAE[SACRUM], (Part.LAMINA_LEFT, Part.LAMINA_RIGHT, Part.SPINOUS_BASE)

RIGHT_DICE = 0.985
"""With perfect sight only voxels between touching processes may change owner."""

SPECS = {
    "normal": SpineSpec(),
    "curved and turned": SpineSpec(scoliosis_deg=28.0, rotation_deg=12.0),
    "slipped": SpineSpec(levels={"L3-L4": LevelKnobs(slip_mm=9.0)}),
    "joints that touch, flat disc": SpineSpec(
        levels={"L3-L4": LevelKnobs(gap_mm=0.3, disc_height_frac=0.4, facet_overgrowth_mm=(2.0, 2.0))}
    ),
}


def labels_of(spec: SpineSpec, grid: Grid) -> Labels:
    """Truth by voxel centre."""
    spine, labels = spine_of(spec), np.zeros(grid.shape, dtype=np.uint16)
    for box in blocks(grid):
        points = grid.cropped(box).voxel_centres_mm().reshape(-1, 3)
        labels[box] = spine.label_and_depth(points)[0].reshape(labels[box].shape)
    return labels


def kinds_of(labels: Labels) -> np.ndarray:
    """What a perfect network would see."""
    kind = np.zeros(labels.shape, dtype=np.uint8)
    kind[canal_mask(labels)] = TissueClass.CANAL
    part = np.where(labels >= 100, labels % 100, 0)
    for one, name in PART_NAMES.items():
        kind[np.isin(part, [Part[f"{name}_LEFT".upper()], Part[f"{name}_RIGHT".upper()]])] = one
    for one, middle in MIDDLE_PARTS.items():
        kind[part == middle] = one
    kind[part == Part.SPINOUS_BASE] = TissueClass.SPINOUS
    kind[part == Part.DISC] = TissueClass.DISC
    return kind


def seen_perfectly(spec: SpineSpec, levels: tuple[str, ...]) -> tuple[NetworkSpine, Labels]:
    grid = natural_grid(spec, 1.0, levels, half_width_mm=42.0)
    labels = labels_of(spec, grid)
    kind = kinds_of(labels)
    found = learnt_spine(TissueClassMap(grid, kind, (kind >= TissueClass.BODY).astype(np.float32)))
    return found, labels[found.field.box]


@pytest.mark.parametrize("name", SPECS)
def test_every_vertebra_keeps_its_bone(name: str) -> None:
    found, labels = seen_perfectly(SPECS[name], ("L2-L3", "L3-L4"))
    for vertebra in (21, 22, 23):
        truth = (labels // 100 == vertebra) & (labels % 100 != Part.DISC)
        numbers, counts = np.unique(found.number[truth & (found.number > 0)], return_counts=True)
        own = found.number == numbers[counts.argmax()]
        assert 2 * (own & truth).sum() / (own.sum() + truth.sum()) > RIGHT_DICE, vertebra


def test_parts_get_the_patients_sides() -> None:
    found, labels = seen_perfectly(SpineSpec(), ("L3-L4",))
    part = np.where(labels >= 100, labels % 100, 0)
    for side in ("LEFT", "RIGHT"):
        for name in ("PEDICLE", "SUPERIOR_ARTICULAR", "INFERIOR_ARTICULAR", "TRANSVERSE"):
            truth = part == Part[f"{name}_{side}"]
            assert (found.part[truth & (found.number > 0)] == Part[f"{name}_{side}"]).mean() > 0.99


def test_discs_lie_above_the_vertebra_they_are_numbered_by() -> None:
    found, labels = seen_perfectly(SpineSpec(), ("L2-L3", "L3-L4"))
    above_l4 = (labels == 2250) & (found.disc > 0)
    lower = np.unique(found.number[(labels == 2301)])
    assert set(np.unique(found.disc[above_l4])) == set(lower[lower > 0])


def test_the_sacrums_roof_belongs_to_it_where_nothing_joins_it_to_the_body() -> None:
    """As on MR, whose network calls all of the sacrum one kind, and whose slices may not show what joins them."""
    grid = natural_grid(SpineSpec(), 1.0, ("L4-L5", "L5-S1"), half_width_mm=42.0)
    labels = labels_of(SpineSpec(), grid)
    kind, part = kinds_of(labels), labels % 100
    sacrum, roof = labels // 100 == SACRAL, np.isin(part, ROOF)
    kind[sacrum] = np.where(roof | (part == Part.BODY), TissueClass.SACRUM, TissueClass.OTHER)[sacrum]
    found = learnt_spine(TissueClassMap(grid, kind, (kind >= TissueClass.BODY).astype(np.float32)))
    inside = (sacrum & roof)[found.field.box]
    assert (found.number[inside] == 1).mean() > 0.95
    assert found.number.max() > 1


@pytest.mark.parametrize("lordosis_deg", [72.0, 85.0])
def test_l5_and_s1_are_whole_about_a_steep_lumbosacral_joint(lordosis_deg: float) -> None:
    """Heights along the canal are those of both L5 and S1 there."""
    steep = SpineSpec(lordosis_deg=lordosis_deg)
    grid = natural_grid(steep, 1.0, ("L4-L5", "L5-S1"), half_width_mm=42.0)
    labels = labels_of(steep, grid)
    kind = kinds_of(labels)
    kind[(labels // 100 == SACRAL) & ~np.isin(labels % 100, PROCESSES)] = TissueClass.SACRUM
    found = learnt_spine(TissueClassMap(grid, kind, (kind >= TissueClass.BODY).astype(np.float32)))
    labels = labels[found.field.box]
    number = np.bincount(found.number[labels == label_of("L5", Part.PEDICLE_LEFT)]).argmax()
    body, disc = (labels == label_of("L5", part) for part in (Part.BODY, Part.DISC))
    assert (found.number[body] == number).mean() > 0.99
    assert (found.disc[disc] == number - 1).mean() > 0.97
    for part in (*PROCESSES, Part.PEDICLE_LEFT, Part.PEDICLE_RIGHT, Part.LAMINA_LEFT):
        assert (found.number[labels == label_of(SACRUM, part)] == number - 1).mean() > 0.95, part


def test_a_disc_reaches_further_along_the_canal_the_further_it_lies_in_front_of_it() -> None:
    """Discs at heights 0 to 10 and 40 to 50; in front of a bend heights run together or apart."""
    places = {(12.0, 0.0): 1, (22.0, 0.0): 0, (22.0, -30.0): 1, (27.0, -60.0): 2, (90.0, -30.0): 0}
    along_mm, back_mm = (np.array([[row]], dtype=np.float32) for row in np.array(list(places)).T)
    grid = Grid((1, 1, len(places)), np.eye(4))
    box = (slice(0, 1), slice(0, 1), slice(0, len(places)))
    field = SpineField(box, grid, 0 * back_mm, back_mm, along_mm, 0 * back_mm, 0 * back_mm)
    kind = np.full(grid.shape, TissueClass.DISC, dtype=np.uint8)
    found = _discs(field, kind, SpineProfile((25.0,), ((0.0, 10.0), (40.0, 50.0)), 100.0))
    assert found.ravel().tolist() == list(places.values())


def test_a_scan_without_canal_is_refused() -> None:
    grid = Grid((20, 20, 20), np.eye(4))
    with pytest.raises(AnatomyNotFound, match="canal"):
        learnt_spine(
            TissueClassMap(grid, np.full(grid.shape, TissueClass.BODY, np.uint8), np.ones(grid.shape, np.float32))
        )


def test_peaks_are_those_of_a_general_library(rng: np.random.Generator) -> None:
    """Rough profiles with level tops, no two of one height: which of such stays is a matter of taste."""
    for _ in range(200):
        heights = rng.permutation(int(rng.integers(2, 60))) + 1.0
        profile = np.concatenate([[0.0], np.repeat(heights, rng.integers(1, 4, len(heights))), [0.0]])
        apart, least = int(rng.integers(1, 12)), float(rng.integers(0, 20))
        expected, _ = signal.find_peaks(profile, distance=apart, height=least)
        assert separate_peaks(profile, least, apart) == expected.tolist()
