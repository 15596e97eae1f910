"""A whole spine as implicit functions: what lies at a point, and how deep in bone.

`Spine.label_and_depth` is the one truth that the scan, the label map and every
published number are made from. It is fastest on spatially compact batches of points,
because solids far from the batch are skipped.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from phantoms.arch import SACRUM, lamina_mm, pars, pedicle, spinous_process, transverse_process
from phantoms.body import body_mm, disc_mm
from phantoms.curve import patient_pose, spine_poses
from phantoms.joint import JointSurface, inferior_process, joint_surface, superior_process
from phantoms.pose import Pose
from phantoms.shapes import Capsule, RoundedBox, Solid, smooth_min
from phantoms.soft import SKIN_BEHIND_SPINOUS_MM, Skin, calcified_mm, flavum_mm, root, sac_mm
from phantoms.spec import SpineSpec
from phantoms.tube import Canal, tube_of
from phantoms.vertebra import LevelSize, VertebraSize, level_size, vertebra_size
from recon.grid import Float
from recon.labels import SIDES, Labels, Part, Side, Tissue, label_of, level_vertebrae, sided

FAR_MM = 9.0
"""Distance reported for solids whose box is farther than this from every point asked for."""

UNION_MM = 2.5
"""Width of the fillet where parts of one vertebra meet."""

MIDLINE_HALF_MM = 5.0
"""Midline bone lies within this of the mid-sagittal plane (definition of the spinous base)."""

BASE_DEPTH_MM = 7.0
"""The spinous base reaches this far behind the canal's border (definition)."""

Index = npt.NDArray[np.intp]


@dataclass(frozen=True, eq=False)
class Batch:
    """Points asked together, with their box, so that solids far from all of them are skipped."""

    points_mm: Float
    low_mm: Float
    high_mm: Float
    known: dict[tuple[str, Side, bool], Float] = field(default_factory=dict)

    def far_from(self, low_mm: Float, high_mm: Float) -> bool:
        """Are all points farther than FAR_MM from a box?"""
        return bool((self.low_mm > high_mm + FAR_MM).any() or (self.high_mm < low_mm - FAR_MM).any())

    def distance_mm(self, solid: Solid) -> Float:
        """(N,) array: the solid's distance, FAR_MM at most."""
        if self.far_from(*solid.box_mm()):
            return np.full(len(self.points_mm), FAR_MM)
        return np.minimum(solid.distance_mm(self.points_mm), FAR_MM)


def batch_of(points_mm: Float) -> Batch:
    """(N, 3) world points, N >= 1, as a batch."""
    return Batch(points_mm, points_mm.min(axis=0), points_mm.max(axis=0))


@dataclass(frozen=True, eq=False)
class Arch:
    """The solids of one vertebra's arch in the world, by part; laminae are computed from the canal."""

    size: VertebraSize
    pose: Pose
    solids: tuple[tuple[Part, Solid], ...]
    box_mm: tuple[Float, Float]


@dataclass(frozen=True, eq=False)
class Spine:
    """A spine ready to be asked. Build it with `spine_of`."""

    spec: SpineSpec
    poses: dict[str, Pose]
    vertebrae: dict[str, VertebraSize]
    levels: dict[str, LevelSize]
    canal: Canal
    joints: dict[tuple[str, Side], JointSurface]
    arches: dict[str, Arch]
    superior: dict[tuple[str, Side], tuple[RoundedBox, Capsule]]
    inferior: dict[tuple[str, Side], tuple[RoundedBox, Capsule]]
    skin: Skin

    def label_and_depth(self, points_mm: Float) -> tuple[Labels, Float]:
        """Label of each point and its depth under the bone's surface.

        Parameters
        ----------
        points_mm : (N, 3) array of RAS mm

        Returns
        -------
        labels : (N,) uint16 array, values of `recon.labels`
        depth_mm : (N,) array, positive in bone (a bound from below), else 0
        """
        labels = np.full(len(points_mm), Tissue.SOFT, dtype=np.uint16)
        depth = np.zeros(len(points_mm))
        near = _near_column(self, points_mm)
        if near.any():
            labels[near], depth[near] = self._column(points_mm[near])
        labels[self.skin.distance_mm(points_mm) > 0] = Tissue.OUTSIDE
        return labels, depth

    def _column(self, points_mm: Float) -> tuple[Labels, Float]:
        labels = np.full(len(points_mm), Tissue.SOFT, dtype=np.uint16)
        depth = np.zeros(len(points_mm))
        normal = self.canal.blended(points_mm, "distance_mm")
        wall = normal + self.canal.encroached(points_mm)
        self._fill_discs(points_mm, labels)
        batch = batch_of(points_mm)
        for name, arch in self.arches.items():
            if batch.far_from(*arch.box_mm):
                continue
            distance, part = self.vertebra(name, batch, normal, wall)
            inside = distance < 0
            labels[inside] = 100 * (label_of(name, Part.BODY) // 100) + part[inside]
            depth[inside] = -distance[inside]
        self._fill_canal(points_mm, wall, labels)
        return labels, depth

    def _fill_discs(self, points_mm: Float, labels: Labels) -> None:
        for level, size in self.levels.items():
            upper, lower = level_vertebrae(level)
            local = self.poses[level].to_local_mm(points_mm)
            inside = disc_mm(self.vertebrae[upper], self.vertebrae[lower], size.disc_height_mm, size.knobs.disc_bulge_mm, local) < 0
            labels[inside] = label_of(upper, Part.DISC)

    def _fill_canal(self, points_mm: Float, wall_mm: Float, labels: Labels) -> None:
        inside = wall_mm < 0
        if not inside.any():
            return
        points, wall = points_mm[inside], wall_mm[inside]
        ligament, calcified, roots = self.ligaments(points)
        content = np.full(len(points), Tissue.CANAL, dtype=np.uint16)
        content[(roots < 0) & (wall < -0.3)] = Tissue.ROOT
        content[sac_mm(self.canal.blended(points, "sac_mm"), wall, ligament) < 0] = Tissue.SAC
        content[wall > -ligament] = Tissue.FLAVUM
        content[wall > -calcified] = Tissue.CALCIFIED
        labels[inside] = content

    def sac_distance_mm(self, points_mm: Float) -> Float:
        """(N,) array: signed distance bound to the dural sac."""
        ligament, _, _ = self.ligaments(points_mm)
        wall = self.canal.distance_mm(points_mm)
        return sac_mm(self.canal.blended(points_mm, "sac_mm"), wall, ligament)

    def ligaments(self, points_mm: Float) -> tuple[Float, Float, Float]:
        """Thickness of ligament and calcified sheet at points, and signed distance to the nearest root; (N,) arrays."""
        ligament, calcified = np.zeros(len(points_mm)), np.zeros(len(points_mm))
        roots = np.full(len(points_mm), FAR_MM)
        for level, size in self.levels.items():
            local = self.poses[level].to_local_mm(points_mm)
            ligament = np.maximum(ligament, flavum_mm(size, local))
            calcified = np.maximum(calcified, calcified_mm(size, local))
            half_width = self.canal.tubes[level_vertebrae(level)[1]].half_width_mm
            for side in SIDES:
                roots = np.minimum(roots, root(size, half_width, side).distance_mm(local))
        return ligament, calcified, roots

    def vertebra(self, name: str, batch: Batch, normal_mm: Float, wall_mm: Float) -> tuple[Float, npt.NDArray[np.uint16]]:
        """Signed distance bound to one vertebra's bone, and the part each point belongs to, (N,) arrays.

        `normal_mm` and `wall_mm` are the distances to the canal's wall without and with encroachment.
        """
        arch = self.arches[name]
        local = arch.pose.to_local_mm(batch.points_mm)
        parts = _part_distances(self, arch, batch, local, normal_mm)
        order = list(parts)
        part = np.array(order, dtype=np.uint16)[np.argmin(np.stack([parts[p] for p in order]), axis=0)]
        posterior = np.full(len(batch.points_mm), FAR_MM)
        for distance in parts.values():
            posterior = smooth_min(posterior, distance, UNION_MM)
        posterior = np.maximum(posterior, self._kept_clear(name, batch))
        distance = np.maximum(posterior, -wall_mm)
        return distance, _with_spinous_base(part, local, wall_mm)

    def _kept_clear(self, name: str, batch: Batch) -> Float:
        """(N,) array, positive within a gap of a neighbour's facing articular process."""
        clear = np.full(len(batch.points_mm), -FAR_MM)
        for (level, side), joint in self.joints.items():
            upper, lower = level_vertebrae(level)
            if name == upper:
                facing = self.process_mm(level, side, batch, superior=True)
            elif name == lower:
                facing = self.process_mm(level, side, batch, superior=False)
            else:
                continue
            clear = np.maximum(clear, joint.gap_mm - facing)
        return clear

    def process_mm(self, level: str, side: Side, batch: Batch, *, superior: bool) -> Float:
        """(N,) array: signed distance bound to one articular process, cut at half the gap from the joint's mid-surface."""
        key = (level, side, superior)
        if key not in batch.known:
            batch.known[key] = self._process_mm(level, side, batch, superior=superior)
        return batch.known[key]

    def _process_mm(self, level: str, side: Side, batch: Batch, *, superior: bool) -> Float:
        solids = (self.superior if superior else self.inferior)[level, side]
        if all(batch.far_from(*solid.box_mm()) for solid in solids):
            return np.full(len(batch.points_mm), FAR_MM)
        blob = smooth_min(batch.distance_mm(solids[0]), batch.distance_mm(solids[1]), UNION_MM)
        joint = self.joints[level, side]
        local = joint.pose.to_local_mm(batch.points_mm)
        sign = 1.0 if superior else -1.0
        reach = joint.half_height_mm + 3.0 + sign * (local[:, 2] - joint.centre_mm[2])
        return np.maximum(blob, np.minimum(joint.gap_mm / 2 - sign * joint.height_mm(local), reach))


def _part_distances(spine: Spine, arch: Arch, batch: Batch, local_mm: Float, normal_mm: Float) -> dict[Part, Float]:
    """Part -> (N,) signed distance bound, before the parts are cut by canal and joints."""
    name, tube = arch.size.name, spine.canal.tubes[arch.size.name]
    parts = {Part.BODY: body_mm(arch.size, local_mm)}
    for part, solid in arch.solids:
        if batch.far_from(*solid.box_mm()):
            continue
        distance = batch.distance_mm(solid)
        parts[part] = np.minimum(parts[part], distance) if part in parts else distance
    lamina = lamina_mm(arch.size, tube, local_mm, normal_mm)
    left = local_mm[:, 0] > 0
    parts[Part.LAMINA_LEFT] = np.where(left, lamina, FAR_MM)
    parts[Part.LAMINA_RIGHT] = np.where(left, FAR_MM, lamina)
    for level, side in spine.joints:
        upper, lower = level_vertebrae(level)
        if name == upper:
            parts[sided("inferior_articular", side)] = spine.process_mm(level, side, batch, superior=False)
        elif name == lower:
            parts[sided("superior_articular", side)] = spine.process_mm(level, side, batch, superior=True)
    return parts


def _with_spinous_base(part: npt.NDArray[np.uint16], local_mm: Float, wall_mm: Float) -> npt.NDArray[np.uint16]:
    """Midline bone of laminae and spinous process renamed by the definition of base and process."""
    arch = np.isin(part, (Part.LAMINA_LEFT, Part.LAMINA_RIGHT, Part.SPINOUS_PROCESS))
    midline = arch & (np.abs(local_mm[:, 0]) <= MIDLINE_HALF_MM)
    part[midline] = np.where(wall_mm[midline] <= BASE_DEPTH_MM, Part.SPINOUS_BASE, Part.SPINOUS_PROCESS)
    return part


def _near_column(spine: Spine, points_mm: Float) -> npt.NDArray[np.bool_]:
    """Points within the reach of any vertebra's frame box."""
    near = np.zeros(len(points_mm), dtype=bool)
    for name, size in spine.vertebrae.items():
        x, y, z = spine.poses[name].to_local_mm(points_mm).T
        half_span = max(size.transverse_span_mm / 2, 58.0) + 3.0
        near |= (np.abs(x) < half_span) & (y > -size.depth_mm - 6) & (y < 75) & (np.abs(z) < 48)
    return near


def spine_of(spec: SpineSpec) -> Spine:
    """The spine a spec asks for.

    >>> spine = spine_of(SpineSpec())
    >>> spine.label_and_depth(np.array([[0.0, 15.0, 0.0], [0.0, -8.0, 0.0]]))[0].tolist()
    [2201, 2]
    """
    poses = spine_poses(spec)
    vertebrae = {name: vertebra_size(spec, name) for name in spec.vertebrae}
    levels = {name: level_size(spec, name) for name in spec.level_names}
    canal = Canal(poses, {name: tube_of(size) for name, size in vertebrae.items()}, levels)
    joints = {(level, side): joint_surface(size, side, poses[level]) for level, size in levels.items() for side in SIDES}
    superior, inferior = {}, {}
    for (level, side), joint in joints.items():
        upper, lower = level_vertebrae(level)
        superior[level, side] = superior_process(joint, levels[level], vertebrae[lower], poses[lower])
        inferior[level, side] = inferior_process(joint, levels[level], canal.tubes[upper], poses[upper])
    arches = {name: _arch(size, poses[name], canal, joints) for name, size in vertebrae.items()}
    return Spine(spec, poses, vertebrae, levels, canal, joints, arches, superior, inferior, _skin(spec, poses, vertebrae, canal))


def _arch(size: VertebraSize, pose: Pose, canal: Canal, joints: dict[tuple[str, Side], JointSurface]) -> Arch:
    tube = canal.tubes[size.name]
    left = [("pedicle", pedicle(size)), *(("transverse", solid) for solid in transverse_process(size))]
    solids: list[tuple[Part, Solid]] = []
    for side in SIDES:
        for part, solid in left:
            solids.append((sided(part, side), (solid if side == "left" else solid.mirrored()).placed(pose)))
    for (level, side), joint in joints.items():
        if level_vertebrae(level)[0] == size.name:
            top = joint.centre_mm - 3.8 * joint.normal + [0.0, 0.0, joint.half_height_mm - 3.0]
            end = pose.to_local_mm(joint.pose.to_world_mm(top))
            isthmus = pars(size, end if side == "left" else end * [-1.0, 1.0, 1.0])
            solids.append((sided("pars", side), (isthmus if side == "left" else isthmus.mirrored()).placed(pose)))
    solids += [(Part.SPINOUS_PROCESS, solid.placed(pose)) for solid in spinous_process(size, tube)]
    if size.name == SACRUM:
        second = RoundedBox(np.array([0.0, -11.0, -28.0]), np.eye(3), np.array([18.0, 11.0, 18.0]), 6.0)
        solids.append((Part.BODY, second.placed(pose)))
    return Arch(size, pose, tuple(solids), _box(size, pose, solids, canal, joints))


def _box(size: VertebraSize, pose: Pose, solids: list[tuple[Part, Solid]], canal: Canal,
         joints: dict[tuple[str, Side], JointSurface]) -> tuple[Float, Float]:
    """The world box of all solids, the body and the joints of a vertebra."""
    half, depth = size.width_lower_mm / 2 + 4.0, size.depth_mm + 4.0
    corners = [pose.to_world_mm([x, y, z]) for x in (-half, half) for y in (-depth, 36.0) for z in (-22.0, 22.0)]
    for (level, _), joint in joints.items():
        if size.name in level_vertebrae(level):
            centre = joint.pose.to_world_mm(joint.centre_mm)
            corners += [centre - 16.0, centre + 16.0]
    corners += [corner for _, solid in solids for corner in solid.box_mm()]
    return np.min(corners, axis=0), np.max(corners, axis=0)


def _skin(spec: SpineSpec, poses: dict[str, Pose], vertebrae: dict[str, VertebraSize], canal: Canal) -> Skin:
    patient = patient_pose(spec)
    knots = []
    for name, size in vertebrae.items():
        tip = [0.0, canal.tubes[name].depth_mm + 4.0 + max(size.spinous_length_mm, 24.0) + SKIN_BEHIND_SPINOUS_MM, -8.0]
        knots.append(patient.to_local_mm(poses[name].to_world_mm(tip)))
    z, y = np.array(knots)[::-1, 2], np.array(knots)[::-1, 1]
    return Skin(patient, z, y)
