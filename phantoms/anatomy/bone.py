"""The bone of a spine: solids of every vertebra, cut by the canal and by the joint gaps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from canalwise.phantoms.anatomy.arch import lamina_mm
from canalwise.phantoms.anatomy.body import body_mm
from canalwise.phantoms.anatomy.canal import Canal
from canalwise.phantoms.anatomy.joint import JointSurface
from canalwise.phantoms.solid.canal_section import Tube
from canalwise.phantoms.solid.dimensions import VertebraSize
from canalwise.phantoms.solid.point_batch import FAR_MM, Batch, Box
from canalwise.phantoms.solid.pose import Pose
from canalwise.phantoms.solid.signed_distance import Capsule, RoundedBox, Solid, smooth_min
from canalwise.recon.grid import Float
from canalwise.recon.labels import Part, Side, level_vertebrae, sided

UNION_MM = 2.5
"""Width of the fillet where parts of one vertebra meet."""

MIDLINE_HALF_MM = 5.0
"""Midline bone lies within this of the mid-sagittal plane (definition of the spinous base)."""

BASE_DEPTH_MM = 7.0
"""The spinous base reaches this far behind the canal's border (definition)."""

BELOW_JOINT_MM = 3.0
"""The joint's surface cuts the processes up to this far beyond the joint's ends."""

RIM_MM = 1.0
"""Bony overgrowth starts this far outside the normal canal's wall, to join the process that it grows from (choice)."""

RIM_X_MM, RIM_Y_MM = 4.0, 3.0
"""It stays this far lateral of the midline and dorsal of the disc's dorsal border: window and foramen stay open."""

Parts = npt.NDArray[np.uint16]
Process = tuple[RoundedBox, Capsule]
Piece = tuple[Part, Float, bool]
"""A part, its (N,) signed distance, and whether it is the head of an articular process."""


@dataclass(frozen=True, eq=False)
class Vertebra:
    """One vertebra in the world: solids of the arch by part, the body's box, the lamina's box and the box of all.

    Body and laminae are not solids but fields of the vertebra's frame.
    """

    size: VertebraSize
    pose: Pose
    tube: Tube
    solids: tuple[tuple[Part, Solid], ...]
    body_box: Box
    lamina_box: Box
    box: Box


@dataclass(frozen=True, eq=False)
class Bone:
    """All vertebrae of a spine with the joints between them."""

    vertebrae: dict[str, Vertebra]
    joints: dict[tuple[str, Side], JointSurface]
    superior: dict[tuple[str, Side], Process]
    inferior: dict[tuple[str, Side], Process]
    canal: Canal

    def near(self, batch: Batch) -> list[str]:
        """Names of the vertebrae whose box is near a batch."""
        return [name for name, vertebra in self.vertebrae.items() if not batch.far_from(vertebra.box)]

    def vertebra_mm(self, name: str, batch: Batch, normal_mm: Float, wall_mm: Float) -> tuple[Float, Parts]:
        """Signed distance bound to one vertebra's bone, and the part each point belongs to, (N,) arrays.

        `normal_mm` and `wall_mm` are the distances to the canal's wall without and with encroachment.
        """
        local = self.vertebrae[name].pose.to_local_mm(batch.points_mm)
        united, nearest = batch.far(), batch.far()
        part = np.full(len(united), Part.UNDIVIDED, dtype=np.uint16)
        for this, distance, is_head in self._parts_mm(self.vertebrae[name], batch, local, normal_mm):
            # the head of an articular process is that process, however deep other parts reach into it
            rank = np.where(distance < 0, distance - FAR_MM, distance) if is_head else distance
            closer = rank < nearest
            nearest[closer], part[closer] = rank[closer], this
            united = smooth_min(united, distance, UNION_MM)
        united = np.maximum(united, np.maximum(self._kept_clear_mm(name, batch), -wall_mm))
        return united, _with_spinous_base(part, local, wall_mm)

    def _parts_mm(self, vertebra: Vertebra, batch: Batch, local_mm: Float, normal_mm: Float) -> list[Piece]:
        """The parts near a batch, before they are cut by the canal and by their neighbours' joints."""
        near = [(part, solid) for part, solid in vertebra.solids if not batch.far_from(solid.box_mm())]
        found: list[Piece] = [(part, batch.distance_mm(solid), False) for part, solid in near]
        if not batch.far_from(vertebra.body_box):
            found.append((Part.BODY, np.minimum(body_mm(vertebra.size, local_mm), FAR_MM), False))
        if not batch.far_from(vertebra.lamina_box):
            lamina = np.minimum(lamina_mm(vertebra.size, vertebra.tube, local_mm, normal_mm), FAR_MM)
            left = local_mm[:, 0] > 0
            found += [
                (Part.LAMINA_LEFT, np.where(left, lamina, FAR_MM), False),
                (Part.LAMINA_RIGHT, np.where(left, FAR_MM, lamina), False),
            ]
        for level, side in self.joints:
            upper, lower = level_vertebrae(level)
            superior = vertebra.size.name == lower
            if vertebra.size.name in (upper, lower) and not self._far_from_process(
                level, side, batch, superior=superior
            ):
                found += self._process_parts_mm(level, side, batch, superior=superior)
        return found

    def _process_parts_mm(self, level: str, side: Side, batch: Batch, *, superior: bool) -> list[Piece]:
        """Head and stem of an articular process with the parts they belong to: an inferior process's stem is lamina."""
        _, stem = (self.superior if superior else self.inferior)[level, side]
        cut = self._joint_cut_mm(level, side, batch, superior=superior)
        head_part = sided("superior_articular" if superior else "inferior_articular", side)
        stem_part = head_part if superior else sided("lamina", side)
        return [
            (head_part, np.maximum(self._head_mm(level, side, batch, superior=superior), cut), True),
            (stem_part, np.maximum(batch.distance_mm(stem), cut), False),
        ]

    def _far_from_process(self, level: str, side: Side, batch: Batch, *, superior: bool) -> bool:
        return all(
            batch.far_from(solid.box_mm()) for solid in (self.superior if superior else self.inferior)[level, side]
        )

    def _kept_clear_mm(self, name: str, batch: Batch) -> Float:
        """(N,) array, positive within a joint's gap of a neighbour's facing articular process."""
        clear = -batch.far()
        for (level, side), joint in self.joints.items():
            if name in level_vertebrae(level):
                facing = self.process_mm(level, side, batch, superior=name == level_vertebrae(level)[0])
                z = self._in_joint_mm(level, side, batch)[:, 2] if joint.fused_frac else np.zeros(1)
                clear = np.maximum(clear, joint.gap_at_mm(z) - facing)
        return clear

    def process_mm(self, level: str, side: Side, batch: Batch, *, superior: bool) -> Float:
        """(N,) array: signed distance bound to one articular process, cut half the gap from the joint's mid-surface."""
        return batch.once(
            ("process", level, side, superior), lambda: self._process_mm(level, side, batch, superior=superior)
        )

    def _process_mm(self, level: str, side: Side, batch: Batch, *, superior: bool) -> Float:
        if self._far_from_process(level, side, batch, superior=superior):
            return batch.far()
        _, stem = (self.superior if superior else self.inferior)[level, side]
        blob = smooth_min(self._head_mm(level, side, batch, superior=superior), batch.distance_mm(stem), UNION_MM)
        return np.maximum(blob, self._joint_cut_mm(level, side, batch, superior=superior))

    def _head_mm(self, level: str, side: Side, batch: Batch, *, superior: bool) -> Float:
        return batch.once(
            ("head", level, side, superior), lambda: self._uncut_head_mm(level, side, batch, superior=superior)
        )

    def _uncut_head_mm(self, level: str, side: Side, batch: Batch, *, superior: bool) -> Float:
        """(N,) array: a process's head, with what the canal lost to it where its overgrowth is bony.

        That is the normal canal's dorsolateral rim at the joint's height; the wall as encroached on cuts it later.
        """
        found = batch.distance_mm((self.superior if superior else self.inferior)[level, side][0])
        joint = self.joints[level, side]
        if not self.canal.levels[level].knobs.bony:
            return found
        local = self._in_joint_mm(level, side, batch)
        lateral = local[:, 0] if side == "left" else -local[:, 0]
        rim = np.maximum(self.canal.walls_mm(batch)[0] - RIM_MM, np.maximum(RIM_X_MM - lateral, RIM_Y_MM - local[:, 1]))
        rim = np.maximum(rim, np.abs(local[:, 2] - joint.centre_mm[2]) - joint.half_height_mm)
        return smooth_min(found, np.minimum(rim, FAR_MM), UNION_MM)

    def _joint_cut_mm(self, level: str, side: Side, batch: Batch, *, superior: bool) -> Float:
        return batch.once(("cut", level, side, superior), lambda: self._cut_mm(level, side, batch, superior=superior))

    def _cut_mm(self, level: str, side: Side, batch: Batch, *, superior: bool) -> Float:
        """(N,) array, positive where a process would cross the joint's face, to BELOW_JOINT_MM beyond its ends."""
        joint = self.joints[level, side]
        local = self._in_joint_mm(level, side, batch)
        sign = 1.0 if superior else -1.0
        beyond = joint.half_height_mm + BELOW_JOINT_MM + sign * (local[:, 2] - joint.centre_mm[2])
        found: Float = np.minimum(joint.gap_at_mm(local[:, 2]) / 2 - sign * joint.height_mm(local), beyond)
        return found

    def _in_joint_mm(self, level: str, side: Side, batch: Batch) -> Float:
        """(N, 3) array: the batch in a joint's frame."""
        return batch.once(("joint", level, side), lambda: self.joints[level, side].pose.to_local_mm(batch.points_mm))


def _with_spinous_base(part: Parts, local_mm: Float, wall_mm: Float) -> Parts:
    """Midline bone of laminae and spinous process renamed by the definition of base and process."""
    arch = (part == Part.LAMINA_LEFT) | (part == Part.LAMINA_RIGHT) | (part == Part.SPINOUS_PROCESS)
    midline = arch & (np.abs(local_mm[:, 0]) <= MIDLINE_HALF_MM)
    part[midline] = np.where(wall_mm[midline] <= BASE_DEPTH_MM, Part.SPINOUS_BASE, Part.SPINOUS_PROCESS)
    return part
