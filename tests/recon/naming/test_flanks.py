"""Alae fill the flank of a sacrum of any size; transverse processes and psoas leave a lumbar vertebra's empty."""

import numpy as np
import pytest

from canalwise.recon.naming.flanks import flank_fracs
from canalwise.recon.naming.straightened import Straightened
from canalwise.recon.segmentation.tissue_classes import TissueClass

X, Y, Z = np.arange(-112.0, 114.0, 2.0), np.arange(-70.0, 62.0, 2.0), np.arange(0.0, 120.0, 2.0)
SACRUM_MM, LUMBAR_MM = 30.0, 70.0


def spine(size: float, low_mm: float = 0.0) -> tuple[Straightened, np.ndarray]:
    """A sacrum with high alae and a lumbar vertebra with transverse processes, of some size, in view from a height."""
    x, y, z = np.meshgrid(X / size, Y / size, Z, indexing="ij")
    up = (z - LUMBAR_MM) / size
    kind = np.zeros(x.shape, np.uint8)
    kind[(np.abs(x) < 22) & (y < -8) & (y > -42) & (np.abs(up) < 16)] = TissueClass.BODY
    kind[(np.abs(x) < 44) & (np.abs(x) > 20) & (np.abs(y) < 6) & (np.abs(up) < 5)] = TissueClass.TRANSVERSE
    up = (z - SACRUM_MM) / size
    kind[(np.abs(x) < 48) & (y < -8) & (y > -32) & (up > 0) & (up < 14)] = TissueClass.SACRUM
    view = np.broadcast_to(low_mm <= Z, kind.shape)
    return Straightened(np.zeros(kind.shape, np.float32), view, np.zeros((*kind.shape, 3), np.float32), X, Y, Z), kind


@pytest.mark.parametrize("size", [0.88, 1.0, 1.12])
def test_alae_fill_the_flank_in_small_and_large_patients(size: float) -> None:
    sacrum, lumbar = flank_fracs(*spine(size), [SACRUM_MM, LUMBAR_MM])
    assert sacrum is not None
    assert lumbar is not None
    assert sacrum[0] > 0.7
    assert lumbar[1] < 0.1


def test_a_flank_out_of_view_says_nothing() -> None:
    sacrum, lumbar = flank_fracs(*spine(1.0, low_mm=SACRUM_MM + 6.0), [SACRUM_MM, LUMBAR_MM])
    assert sacrum is None
    assert lumbar is not None
