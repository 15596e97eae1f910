"""Compiled readers of arrays against the general resampler of scipy."""

import numpy as np
from scipy import ndimage
from scipy.spatial.transform import Rotation

from canalwise.recon.image.sampling import linear_box


def test_what_is_nearly_empty_is_read_as_the_general_resampler_reads_it(rng: np.random.Generator) -> None:
    """Single voxels at ends and corners of the blocks that are skipped where they hold nothing."""
    field = np.zeros((19, 26, 33), np.float32)
    for at in ((0, 0, 0), (7, 8, 15), (8, 7, 16), (18, 25, 32), (16, 24, 8), (3, 15, 32)):
        field[at] = rng.random() + 0.1
    field[9:14, 10:18, 20:29] = rng.random((5, 8, 9))
    matrix = Rotation.from_euler("xyz", rng.normal(0, 0.3, 3)).as_matrix() * 0.37
    offset, shape = np.array([-1.0, 2.0, 1.0]), (60, 70, 80)
    index = np.moveaxis(np.indices(shape), 0, -1) @ matrix.T + offset
    inside = ((index >= 0) & (index <= np.array(field.shape) - 1)).all(axis=-1)
    expected = ndimage.map_coordinates(field, np.moveaxis(index, -1, 0), order=1, mode="nearest") * inside
    found = linear_box(field, matrix, offset, shape)
    assert (expected > 0).sum() > 1000
    assert np.abs(found - expected).max() < 1e-5
