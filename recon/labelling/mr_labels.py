"""Labels of an MR: from a label map of it, or from what the network sees."""

from __future__ import annotations

import numpy as np

from canalwise.recon.errors import UnusableInput
from canalwise.recon.image.morphology import linear_on
from canalwise.recon.labelling.mr_contents import contents_of
from canalwise.recon.labels import Labels, Part, Tissue
from canalwise.recon.registration.column import LabelledScan
from canalwise.recon.scan import Scan
from canalwise.recon.segmentation.network import prior_kinds
from canalwise.recon.segmentation.tissue_classes import TissueClass, TissueClassMap

UNNAMED = 100
"""Bone and discs of vertebrae that carry no name: number 1, which no vertebra has."""


def labelled_mr(mr: Scan, given: Labels | None) -> LabelledScan:
    """An MR with what it shows; `given` are labels on its own grid, found by the network where left out.

    `given` (nx, ny, nz) array with the shape of the scan's voxels.

    Raises UnusableInput where there is neither sac nor ligament.
    """
    if given is not None:
        if not np.isin(given, (Tissue.SAC, Tissue.FLAVUM)).any():
            raise UnusableInput(
                "the label map of the MR", "must hold sac or ligament", do="Name them in --mr-label-names."
            )
        return LabelledScan(mr, given, mr.grid)
    seen = prior_kinds(mr)
    if seen is None or seen.detail is None or not (seen.detail == TissueClass.SAC).any():
        raise UnusableInput(
            "the MR", "shows no dural sac that could be found", do="Give its label map with --mr-labels."
        )
    labels = labels_of_kinds(seen)
    values = linear_on(seen.grid, mr.voxels.astype(np.float32), mr.grid)
    contents = contents_of(lambda one: seen.frac[one], values, labels, seen.grid)
    labels[contents.sac], labels[contents.flavum] = Tissue.SAC, Tissue.FLAVUM
    return LabelledScan(mr, labels, seen.grid)


def labels_of_kinds(seen: TissueClassMap) -> Labels:
    """(grid shape) array: what the network sees in our numbers, vertebrae without names, the canal as a whole.

    >>> from canalwise.recon.grid import Grid
    >>> detail = np.array([[[0, 1, 2, 3, 6, 12, 13]]], dtype=np.uint8)
    >>> grid = Grid((1, 1, 7), np.eye(4))
    >>> labels_of_kinds(TissueClassMap(grid, detail, np.zeros((1, 1, 7), np.float32), detail)).ravel().tolist()
    [9, 1, 150, 101, 120, 1, 1]
    """
    table = np.full(256, Tissue.SOFT, dtype=np.uint16)
    table[[TissueClass.CANAL, TissueClass.SAC, TissueClass.FLAVUM]] = Tissue.CANAL
    table[TissueClass.DISC] = UNNAMED + Part.DISC
    table[TissueClass.PEDICLE : TissueClass.SACRUM + 1] = UNNAMED + Part.UNDIVIDED
    table[TissueClass.BODY] = UNNAMED + Part.BODY
    assert seen.detail is not None
    return np.asarray(table[seen.detail])
