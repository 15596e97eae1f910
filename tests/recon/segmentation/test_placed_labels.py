"""A segmentation as a label map: ribs are not part of the vertebrae that bear them."""

from types import SimpleNamespace
from typing import Any

import numpy as np

from canalwise.recon.grid import Grid
from canalwise.recon.labels import Part, Tissue, label_of
from canalwise.recon.segmentation.placed_labels import PROCESS_END, without_ribs


def test_ribs_end_where_thoracic_transverse_processes_do_and_lumbar_processes_are_whole() -> None:
    grid = Grid((61, 2, 1), np.diag([-1.0, 1.0, 1.0, 1.0]))
    labels = np.empty(grid.shape, dtype=np.uint16)
    labels[:, 0], labels[:, 1] = label_of("T12", Part.TRANSVERSE_LEFT), label_of("L1", Part.TRANSVERSE_LEFT)
    labels[50, 0] = label_of("T12", Part.BODY)
    tube: Any = SimpleNamespace(local_mm=lambda points: np.abs(points))
    kept = labels.copy()
    without_ribs(kept, grid, tube)
    aside = np.arange(61)
    assert ((kept[:, 0, 0] == Tissue.SOFT) == ((aside > PROCESS_END.value) & (aside != 50))).all()
    assert (kept[:, 1] == labels[:, 1]).all()
