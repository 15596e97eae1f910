"""The network: what it takes, what it answers, and that a spine can be found without it."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import canalwise.recon.segmentation.network as prior
from canalwise.phantoms.imaging.grids import natural_grid
from canalwise.phantoms.imaging.render import render_scan
from canalwise.phantoms.spec import demo_spec
from canalwise.recon.grid import Grid
from canalwise.recon.image.morphology import nearest_on
from canalwise.recon.labels import canal_mask
from canalwise.recon.scan import Scan
from canalwise.recon.segmentation.network import prior_kinds
from canalwise.recon.segmentation.network_grid import grain_grid, network_input, resampled
from canalwise.recon.segmentation.tissue_classes import TissueClass, TissueClassMap

SEEN_DICE = 0.9
"""The network was trained on this family of shapes and reaches 0.95 and more; a broken input or file does not."""


@pytest.fixture(scope="module")
def phantom() -> tuple[Scan, TissueClassMap, np.ndarray]:
    grid = natural_grid(demo_spec(), 1.2, ("L3-L4",), half_width_mm=40.0)
    made = render_scan(demo_spec(), grid, noise_hu=25.0, seed=4)
    scan = Scan(made.ct_hu, grid, "CT")
    seen = prior_kinds(scan)
    assert seen is not None
    return scan, seen, made.labels


def _dice(a: np.ndarray, b: np.ndarray) -> float:
    return float(2 * (a & b).sum() / (a.sum() + b.sum()))


def test_bone_and_canal_of_a_noisy_phantom_are_seen(phantom: tuple[Scan, TissueClassMap, np.ndarray]) -> None:
    scan, seen, labels = phantom
    kind = nearest_on(scan.grid, seen.kind, seen.grid)
    bone = (labels >= 100) & (labels % 100 != 50)
    assert _dice(kind >= TissueClass.BODY, bone) > SEEN_DICE
    assert _dice(kind == TissueClass.CANAL, canal_mask(labels)) > SEEN_DICE


def test_the_same_scan_gives_the_same_bytes(phantom: tuple[Scan, TissueClassMap, np.ndarray]) -> None:
    scan, seen, _ = phantom
    again = prior_kinds(scan)
    assert again is not None
    assert again.kind.tobytes() == seen.kind.tobytes()
    assert again.bone_frac.tobytes() == seen.bone_frac.tobytes()


def test_without_its_file_the_network_answers_none(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    prior._session.cache_clear()
    monkeypatch.setattr(prior, "FILE", tmp_path / "absent.onnx")
    assert prior_kinds(Scan(np.zeros((8, 8, 8), np.int16), Grid((8, 8, 8), np.eye(4)), "CT")) is None
    prior._session.cache_clear()


@given(layers=st.integers(1, 700))
def test_slabs_keep_every_layer_once_and_see_what_they_keep(layers: int) -> None:
    kept = np.zeros(layers, dtype=int)
    for seen, own, inner in prior._slabs(layers, prior.SLAB):
        kept[own] += 1
        assert np.arange(layers)[seen][inner].tolist() == np.arange(layers)[own].tolist()
    assert (kept == 1).all()


@given(spacing=st.tuples(*[st.floats(0.3, 3.0)] * 3))
def test_a_ramp_stays_a_ramp_at_the_same_places(spacing: tuple[float, float, float]) -> None:
    grid = Grid((12, 14, 10), np.diag([*spacing, 1.0]))
    ramp = 10.0 * grid.voxel_centres_mm()[..., 1].astype(np.float32)
    coarse = grain_grid(grid)
    found = resampled(Scan(ramp, grid, "CT"), coarse)
    inner = (slice(3, -3),) * 3
    if min(coarse.shape) > 8:
        assert np.allclose(found[inner], 10.0 * coarse.voxel_centres_mm()[inner][..., 1], atol=0.5)


@given(gain=st.floats(0.01, 50.0), offset=st.floats(-500.0, 500.0))
def test_an_mr_reaches_the_network_whatever_its_gain_and_offset(gain: float, offset: float) -> None:
    grid = Grid((12, 14, 10), np.diag([0.9, 0.9, 3.0, 1.0]))
    value = np.random.default_rng(0).normal(100.0, 30.0, grid.shape)
    plain, changed = (
        network_input(Scan(v.astype(np.float32), grid, "MR"), grain_grid(grid)) for v in (value, gain * value + offset)
    )
    assert np.allclose(plain, changed, atol=5e-3)
    assert plain.min() >= -0.4 - 1e-6
    assert plain.max() <= 3.6 + 1e-6


def test_a_ct_reaches_the_network_by_its_numbers() -> None:
    grid = Grid((6, 6, 6), np.eye(4))
    assert np.allclose(network_input(Scan(np.full(grid.shape, 400, np.int16), grid, "CT"), grid), 0.8)


def test_what_is_distinguished_finer_is_counted_with_what_it_is_part_of() -> None:
    share = np.full((len(TissueClass), 1, 1, 1), 0.02, np.float32)
    share[[TissueClass.CANAL, TissueClass.SAC, TissueClass.FLAVUM, TissueClass.BODY], 0, 0, 0] = 0.18, 0.2, 0.15, 0.21
    folded = prior._folded(share.copy())
    assert len(folded) == TissueClass.SACRUM + 1
    assert folded.argmax(axis=0).item() == TissueClass.CANAL
    assert share.argmax(axis=0).item() == TissueClass.BODY
    assert np.isclose(folded.sum(), share.sum())


def test_of_an_mr_only_what_lies_near_the_canal_is_kept() -> None:
    grid = Grid((200, 200, 4), np.eye(4))
    kind = np.zeros(grid.shape, np.uint8)
    kind[98:103, 98:103] = TissueClass.CANAL
    kind[60:66, 120:126] = kind[5:11, 120:126] = kind[60:66, 185:191] = TissueClass.BODY
    bone = (kind == TissueClass.BODY).astype(np.float32)
    seen = TissueClassMap(grid, kind, bone)
    line_mm = prior._canal_middle_mm(seen)
    assert line_mm is not None
    assert np.allclose(line_mm[:, :2], 100.0)
    prior._clear_far(seen, line_mm)
    assert (kind[60:66, 120:126] == TissueClass.BODY).all()
    assert (kind == TissueClass.BODY).sum() == bone.sum() == 6 * 6 * 4
    assert (kind == TissueClass.CANAL).sum() == 5 * 5 * 4


@pytest.mark.parametrize("slope_deg", [0.0, 45.0, 60.0])
def test_all_of_a_body_in_front_of_a_steep_canal_is_near_it(slope_deg: float) -> None:
    """Bodies of 40 mm lie square to the canal, however steep; what lies 75 mm before it is no body."""
    grid = Grid((20, 200, 160), np.eye(4))
    ahead = np.array([0.0, np.cos(np.radians(slope_deg)), -np.sin(np.radians(slope_deg))])
    along = np.array([0.0, -ahead[2], ahead[1]])
    line_mm = np.array([10.0, 90.0, 80.0]) + np.arange(-40, 41)[:, None] * along
    near = prior.near_line(grid, line_mm)
    within, beyond = (line_mm[20:60] + mm * ahead for mm in (48.0, 75.0))
    assert near[tuple(np.rint(within).astype(int).T)].all()
    if slope_deg == 0:
        assert not near[tuple(np.rint(beyond).astype(int).T)].any()


def test_an_mr_is_read_as_the_mean_of_itself_and_its_mirror_image() -> None:
    """By a stand-in that calls the left half body, wherever the patient lies."""

    def left_is_body(image: np.ndarray) -> np.ndarray:
        scores = np.zeros((1, len(TissueClass), *image.shape[2:]), np.float32)
        scores[0, TissueClass.BODY, : image.shape[2] // 2] = 20.0
        return scores

    value, grid = np.zeros((32, 16, 16), np.float32), Grid((32, 16, 16), np.eye(4))
    once, both = (prior._seen(left_is_body, value, grid, None, 128, mirrored=each) for each in (False, True))
    assert once.bone_frac[0, 0, 0] > 0.99 > 0.6 > once.bone_frac[-1, 0, 0]
    assert np.allclose(both.bone_frac, both.bone_frac[::-1])
    assert np.isclose(both.bone_frac[0, 0, 0], (once.bone_frac[0, 0, 0] + once.bone_frac[-1, 0, 0]) / 2)
