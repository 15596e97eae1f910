"""The spine is found in a whole trunk, whatever else is in view and however the voxels are stored."""

from functools import cache

import numpy as np
import pytest
from scipy import ndimage
from scipy.spatial.transform import Rotation

from canalwise.phantoms.anatomy.spine import spine_of
from canalwise.phantoms.imaging.grids import natural_grid
from canalwise.phantoms.imaging.render import blocks
from canalwise.phantoms.spec import SpineSpec
from canalwise.recon.grid import Box, Grid
from canalwise.recon.image.volume import Volume, canonical
from canalwise.recon.intake.reader import scan_of
from canalwise.recon.labels import Tissue, bone_mask
from canalwise.recon.scan import Scan
from canalwise.recon.spine.region_of_interest import AIR_MM, canal_line_mm, coarse, spine_box

STEP_MM = 1.5
TRUNK_MM = (330.0, 220.0)
SPEC = SpineSpec(scoliosis_deg=8.0)


@cache
def trunk() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """HU, labels and affine of a spine in a trunk: bone of 90 HU within a rim of 450 HU, air all round."""
    small = natural_grid(SPEC, STEP_MM)
    labels = np.zeros(small.shape, dtype=np.uint16)
    spine = spine_of(SPEC)
    for box in blocks(small):
        part = small.cropped(box)
        labels[box] = spine.label_and_depth(part.voxel_centres_mm().reshape(-1, 3))[0].reshape(part.shape)
    wide = [(round(110 / STEP_MM),) * 2, (40, round(90 / STEP_MM)), (0, 0)]
    labels = np.pad(labels, wide)
    affine = small.affine_ras_mm.copy()
    affine[:3, 3] = small.world_mm([-wide[0][0], -wide[1][0], 0])
    x, y = (affine[axis, 3] + np.arange(labels.shape[axis]) * STEP_MM for axis in (0, 1))
    skin_y = affine[1, 3] + STEP_MM * np.flatnonzero((labels > 0).any(axis=(0, 2)))[0]
    half = np.array(TRUNK_MM) / 2
    inside = (x[:, None] / half[0]) ** 2 + ((y - skin_y - half[1]) / half[1]) ** 2 <= 1
    hu = np.where(inside[:, :, None] | (labels > 0), 50.0, -1000.0)
    bone = bone_mask(labels)
    hu[bone] = 450.0
    hu[ndimage.binary_erosion(bone)] = 90.0
    hu[(labels >= Tissue.CANAL) & (labels <= Tissue.ROOT)] = 10.0
    return hu, labels, affine


def scan(hu: np.ndarray, affine: np.ndarray) -> Scan:
    return Scan(np.rint(hu).astype(np.int16), Grid(hu.shape, affine), "CT")


def hollow(shape: tuple[int, ...], centre: tuple[float, float], radii: tuple[float, float]) -> tuple[np.ndarray, ...]:
    """(rim, inside) of an upright elliptical tube through all slices; centre and radii in voxels."""
    i, j, _ = np.ogrid[: shape[0], : shape[1], : shape[2]]
    reach = np.hypot((i - centre[0]) / radii[0], (j - centre[1]) / radii[1]) + np.zeros(shape)
    return (reach <= 1) & (reach > 0.7), reach <= 0.7


def with_bystanders(hu: np.ndarray) -> np.ndarray:
    """Table, iliac wings and femora, a contrast-filled aorta and bowel, metal, noise of 60 HU and padding."""
    hu = hu.copy()
    middle = hu.shape[0] // 2
    front = int(np.flatnonzero((hu > 0).any(axis=(0, 2)))[-1])
    hu[10:-10, 6:10] = 200.0  # the table, two of its shells
    for side in (-1, 1):
        wing, marrow = hollow(hu.shape, (middle + side * 65, front - 70), (7, 30))
        hu[..., :60][wing[..., :60]], hu[..., :60][marrow[..., :60]] = 600.0, 30.0
        shaft, marrow = hollow(hu.shape, (middle + side * 80, front - 60), (10, 10))
        hu[..., 60:][shaft[..., 60:]], hu[..., 60:][marrow[..., 60:]] = 1200.0, -60.0
    for across, half, value in ((-10, 7, 350.0), (30, 12, 500.0)):
        wall, lumen = hollow(hu.shape, (middle + across, front - 25), (half, half))
        hu[wall], hu[lumen] = value, value * 0.3
    hu[middle - 30 : middle - 20, front - 40 : front - 30, 40:50] = 3071.0
    hu += np.random.default_rng(5).normal(0, 60, hu.shape)
    corner = (
        np.hypot(
            *(np.linspace(-1, 1, n).reshape(shape) for n, shape in ((hu.shape[0], (-1, 1)), (hu.shape[1], (1, -1))))
        )
        > 1.2
    )
    hu[corner] = -2000.0
    return np.clip(hu, -2000, 3071)


def held(box: Box, mask: np.ndarray) -> float:
    return float(mask[box].sum() / mask.sum())


def check_holds_spine_and_skin(found: Scan, labels: np.ndarray) -> None:
    box = spine_box(found)
    assert box is not None
    assert held(box, bone_mask(labels)) > 0.998
    assert held(box, (labels >= Tissue.CANAL) & (labels <= Tissue.ROOT)) == 1.0
    part = found.cropped(box)
    assert part.voxels.size < 0.6 * found.voxels.size
    # Air is in view behind the skin: the dorsal end of the box shows hardly anything else.
    axis = int(np.argmax(np.abs(found.grid.affine_ras_mm[1, :3])))
    assert float((np.take(part.voxels, 0, axis) < -500).mean()) > 0.9


def test_whole_trunk() -> None:
    hu, labels, affine = trunk()
    check_holds_spine_and_skin(scan(hu, affine), labels)


def test_bystanders_noise_metal_and_padding() -> None:
    hu, labels, affine = trunk()
    check_holds_spine_and_skin(scan(with_bystanders(hu), affine), labels)


@pytest.mark.parametrize(
    ("order", "flips"), [((0, 1, 2), (0, 1)), ((2, 0, 1), ()), ((1, 2, 0), (2,)), ((2, 1, 0), (0, 1, 2))]
)
def test_any_order_and_direction_of_the_stored_axes(order: tuple[int, ...], flips: tuple[int, ...]) -> None:
    hu, labels, affine = trunk()
    stored, names, placed = np.transpose(hu, order), np.transpose(labels, order), affine.copy()
    placed[:, :3] = affine[:, list(order)]
    for axis in flips:
        placed[:3, 3] += placed[:3, axis] * (stored.shape[axis] - 1)
        placed[:3, axis] *= -1
    stored, names = np.flip(stored, flips), np.flip(names, flips)
    found = scan_of(Volume(np.rint(stored).astype(np.int16), placed))
    # The labels, turned as the scan is.
    check_holds_spine_and_skin(found, canonical(Volume(names, placed)).voxels)


@pytest.mark.parametrize("turn_deg", [(12.0, 0.0, 0.0), (-10.0, 8.0, 15.0)])
def test_oblique_patients(turn_deg: tuple[float, float, float]) -> None:
    hu, labels, affine = trunk()
    turned = affine.copy()
    turned[:3] = Rotation.from_euler("xyz", turn_deg, degrees=True).as_matrix() @ affine[:3]
    check_holds_spine_and_skin(scan(hu, turned), labels)


def test_the_line_runs_through_the_canal() -> None:
    hu, labels, affine = trunk()
    line = canal_line_mm(coarse(scan(hu, affine)))
    assert line is not None
    assert np.ptp(line[:, 2]) > 100.0
    index = np.rint(Grid(hu.shape, affine).index_of(line)).astype(int)
    inside = (labels >= Tissue.CANAL) & (labels <= Tissue.ROOT)
    assert inside[tuple(index.T)].mean() > 0.9


def test_small_scans_pass_unharmed() -> None:
    hu, labels, affine = trunk()
    i, j, k = ndimage.find_objects(bone_mask(labels).astype(int))[0]
    assert spine_box(scan(hu[i, j, k], Grid(hu.shape, affine).cropped((i, j, k)).affine_ras_mm)) is None


def test_nothing_to_go_by() -> None:
    hu, _, affine = trunk()
    soft = scan(np.minimum(hu, 50.0), affine)
    assert spine_box(soft) is None
    assert spine_box(Scan(soft.voxels, soft.grid, "MR")) is None


def test_a_point_in_the_canal_is_held_too() -> None:
    hu, _, affine = trunk()
    found = scan(hu, affine)
    far = found.grid.world_mm([20, 60, 50])
    box = spine_box(found, far[None])
    plain = spine_box(found)
    assert box is not None
    assert plain is not None
    assert box[0].start == 0 < plain[0].start
    assert AIR_MM > 5.0  # `recon.image.skin.AIR_MM`: this much air must go on behind the skin
