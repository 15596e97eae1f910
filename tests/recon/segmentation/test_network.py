"""The network: what it takes, what it answers, and that a spine can be told without it."""

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
from canalwise.recon.segmentation.network_grid import grain_grid, resampled
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
    for seen, own, inner in prior._slabs(layers):
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
