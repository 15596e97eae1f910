"""An MR beside a CT: laid on it vertebra by vertebra; its sac, ligament and discs taken over where that went well."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from canalwise.recon.anatomy import Source
from canalwise.recon.case.bone_anatomy import FOUND_IN_MR, GIVEN_ON_MR, BoneAnatomy, MrTissue
from canalwise.recon.errors import UnusableInput
from canalwise.recon.intake.label_maps import GivenLabels
from canalwise.recon.labels import Labels, Part, Tissue
from canalwise.recon.registration.carried_tissue import carried
from canalwise.recon.registration.column import LabelledScan, Progress, laid_on
from canalwise.recon.scan import Scan
from canalwise.recon.segmentation.network import prior_kinds
from canalwise.recon.segmentation.tissue_classes import TissueClass, TissueClassMap

UNNAMED = 100
"""Bone and discs of vertebrae that carry no name: number 1, which no vertebra has."""


def with_mr(bones: BoneAnatomy, scan: Scan, mr: Scan, given: GivenLabels | None, progress: Progress) -> BoneAnatomy:
    """The bones of a CT with what an MR shows of discs and canal.

    Parameters
    ----------
    scan : the CT that the bones are on
    mr, given : the MR, and labels made elsewhere on its grid; found by the network where left out

    Raises
    ------
    UnusableInput : a CT in the MR's place, nothing found in it, or scans that do not belong together
    """
    if mr.kind.calibrated:
        raise UnusableInput("--mr", "must be an MR", got=mr.modality, do="Give the CT as SCAN and the MR with --mr.")
    progress("finding sac and ligament in the MR")
    moving, source = _labelled(mr, given)
    fixed = LabelledScan(scan, bones.labels, scan.grid)
    found = carried(fixed, moving, laid_on(fixed, moving, progress))
    return replace(bones, labels=found.labels, mr=MrTissue(found, source))


def _labelled(mr: Scan, given: GivenLabels | None) -> tuple[LabelledScan, Source]:
    if given is not None:
        if not np.isin(given.labels, (Tissue.SAC, Tissue.FLAVUM)).any():
            raise UnusableInput(
                "the label map of the MR", "must hold sac or ligament", do="Name them in --mr-label-names."
            )
        return LabelledScan(mr, given.labels, mr.grid), GIVEN_ON_MR
    seen = prior_kinds(mr)
    if seen is None or seen.detail is None or not (seen.detail == TissueClass.SAC).any():
        raise UnusableInput(
            "the MR", "shows no dural sac that could be found", do="Give its label map with --mr-labels."
        )
    return LabelledScan(mr, labels_of_kinds(seen), seen.grid), FOUND_IN_MR


def labels_of_kinds(seen: TissueClassMap) -> Labels:
    """(grid shape) array: what the network sees in our numbers, vertebrae without names.

    >>> from canalwise.recon.grid import Grid
    >>> detail = np.array([[[0, 1, 2, 3, 6, 12, 13]]], dtype=np.uint8)
    >>> grid = Grid((1, 1, 7), np.eye(4))
    >>> labels_of_kinds(TissueClassMap(grid, detail, np.zeros((1, 1, 7), np.float32), detail)).ravel().tolist()
    [0, 1, 150, 101, 120, 2, 3]
    """
    table = np.zeros(256, dtype=np.uint16)
    table[TissueClass.CANAL], table[TissueClass.SAC], table[TissueClass.FLAVUM] = (
        Tissue.CANAL,
        Tissue.SAC,
        Tissue.FLAVUM,
    )
    table[TissueClass.DISC] = UNNAMED + Part.DISC
    table[TissueClass.PEDICLE : TissueClass.SACRUM + 1] = UNNAMED + Part.UNDIVIDED
    table[TissueClass.BODY] = UNNAMED + Part.BODY
    assert seen.detail is not None
    return np.asarray(table[seen.detail])
