"""The DICOM objects of an export: which there are, and what each holds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt
from pydicom.dataset import Dataset

from canalwise.estimator.outcome.label_maps import room_map
from canalwise.recon.grid import Grid
from canalwise.recon.labels import Labels, Mask, Part, Tissue, bone_mask, canal_mask
from canalwise.workbench.dicom.frame_stack import FrameStack
from canalwise.workbench.dicom.identity import OWN_SCHEME, StudyIdentity
from canalwise.workbench.dicom.segmentation import binary_object, label_map_object, numbered_object
from canalwise.workbench.dicom.segments import PLANNED, NamedSegment, segments_in, whole_vertebra
from canalwise.workbench.dicom.structure_set import Region, structure_set
from canalwise.workbench.export.structures import PlannedBone
from canalwise.workbench.style.palette import FEASIBLE, REMOVED

PLAN_SEGMENTS = (
    (91, "room", "Room that sac and roots need", FEASIBLE),
    (92, "tissue to take", "Tissue that stands in the room needed", "#e69f00"),
    (93, "resection", "Bone that the plan takes", REMOVED),
)
"""Number, name, meaning and colour; numbers that no label has."""


def labels_segmentation(labels: Labels, own: Grid, stack: FrameStack, identity: StudyIdentity) -> Dataset:
    """Every label as a binary segment.

    `labels` (nx, ny, nz) on the grid `own`.
    """
    return numbered_object(
        stack.placed_on_frames(labels, own), segments_in(labels), stack, identity, "Anatomy of the case"
    )


def labels_label_map(labels: Labels, own: Grid, stack: FrameStack, identity: StudyIdentity) -> Dataset:
    """Every label as the number it is.

    `labels` (nx, ny, nz) on the grid `own`.
    """
    return label_map_object(stack.placed_on_frames(labels, own), segments_in(labels), stack, identity)


def plan_segmentation(bone: PlannedBone, stack: FrameStack, identity: StudyIdentity) -> Dataset:
    """Room needed, tissue to take and resection, which overlap."""
    regions = plan_regions(bone, stack)
    planes = np.stack([mask for _, mask in regions], axis=-1)
    what = f"Plan {bone.resection.at.level.name} from the {bone.resection.approach.side}"
    return binary_object(planes, [segment for segment, _ in regions], stack, identity, what)


def contours(
    labels: Labels, own: Grid, bone: PlannedBone | None, stack: FrameStack, identity: StudyIdentity
) -> Dataset:
    """Vertebrae, discs and what lies in the canal as contours, and the plan's room and resection.

    `labels` (nx, ny, nz) on the grid `own`.
    """
    regions = [(segment, stack.placed_on_frames(mask, own)) for segment, mask in _whole_structures(labels)]
    regions += [] if bone is None else plan_regions(bone, stack)
    return structure_set([region for region in regions if region[1].any()], stack, identity, "canalwise")


def plan_regions(bone: PlannedBone, stack: FrameStack) -> list[Region]:
    """The plan's segments with their masks on the planes, empty ones left out."""
    at, grid = bone.resection.at, bone.resection.at.anatomy.grid
    room = room_map(at)
    masks: Sequence[Mask] = (bone.on_case(bone.room), room > 1, bone.on_case(bone.taken))
    segments = [
        NamedSegment(number, name, PLANNED, (str(number), OWN_SCHEME, meaning), None, colour)
        for number, name, meaning, colour in PLAN_SEGMENTS
    ]
    placed: list[npt.NDArray[np.bool_]] = [stack.placed_on_frames(mask, grid) for mask in masks]
    return [(segment, mask) for segment, mask in zip(segments, placed, strict=True) if mask.any()]


def _whole_structures(labels: Labels) -> list[tuple[NamedSegment, Mask]]:
    bone, canal = bone_mask(labels), canal_mask(labels)
    found = [(whole_vertebra(int(n)), bone & (labels // 100 == n)) for n in np.unique(labels[bone] // 100)]
    for segment in segments_in(labels):
        if segment.number == Tissue.CANAL:
            continue
        if segment.number % 100 == Part.DISC or Tissue.SAC <= segment.number <= Tissue.ROOT:
            found.append((segment, labels == segment.number))
    if canal.any():
        whole = segments_in(np.array([Tissue.CANAL], dtype=np.uint16))[0]
        found.append((replace(whole, name="canal"), canal))
    return found
