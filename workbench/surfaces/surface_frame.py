"""What the page draws of one level: its bone, canal, sac, ligament, disc, joints and skin as triangles."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import numpy.typing as npt

from canalwise.recon.anatomy import Anatomy, Joint, Level
from canalwise.recon.grid import Float
from canalwise.recon.labels import SIDES, Mask, Part, Tissue, canal_mask, label_names, label_of
from canalwise.recon.level.joint_midsurface import plane_axes
from canalwise.workbench.surfaces.binary_frames import frame_bytes
from canalwise.workbench.surfaces.triangle_surfaces import (
    TriangleSurface,
    box_in,
    labels_on,
    lighter,
    sheet_through,
    shell_of,
    skin_behind_mm,
    softened,
)

SCHEMA = "canalwise.scene/1"

BONE_TRIANGLES = 310_000
"""The most the bone is drawn with: what a machine without a graphics card still draws at rest."""

PROXY_TRIANGLES = 18_000
"""What it is drawn with while something moves: on a processor corners cost as much as pixels then (`bench_page.py`)."""

SOFT_TRIANGLES = 5_000
"""The most each of canal, sac, ligament and disc is drawn with."""

FINEST_VOXELS = 0.75
"""The bone is not meshed finer than this share of a voxel: between voxels the scan says nothing."""

FIRST_STEP_MM = 1.0
"""Step of the mesh from which the step of the full one is found, and the light one is made."""

SOFT_STEP_MM = 1.0
"""Step of the meshes of canal, sac, ligament and disc, which are smooth."""

JOINT_STEP_MM = 0.5
"""Between the points of a joint's surfaces, where its own points lie as close."""

JOINT_LIFT_MM = 0.25
"""A joint's surfaces are drawn this far off their bone, into the gap, to be seen against it."""

SKIN_STEP_MM, SKIN_HALF_MM = 2.5, 70.0
"""Between the points of the skin, where voxels are no larger, and how far it is drawn from the level to all sides."""

NO_PART = "bone without a name"

Meshes = dict[str, TriangleSurface]


def level_scene(anatomy: Anatomy, level: Level, bone_triangles: int) -> bytes:
    """The frame of a level, its bone drawn with no more than about so many triangles."""
    meshes = dict(_meshes(anatomy, level, bone_triangles))
    box = box_in(anatomy.grid, level.frame)
    names = {
        name: labels_on(meshes[name].points_mm, anatomy.labels[box], anatomy.grid.cropped(box), level.frame)
        for name in ("bone", "bone_proxy")
        if name in meshes
    }
    known = sorted({int(label) for found in names.values() for label in np.unique(found)})
    arrays: dict[str, npt.NDArray[Any]] = {}
    for name, shell in meshes.items():
        arrays |= {f"{name}.points": shell.points_mm, f"{name}.triangles": shell.triangles}
        if name in names:
            arrays[f"{name}.part"] = np.searchsorted(known, names[name]).astype(np.uint8)
    words = label_names() | {0: NO_PART}
    header = {"schema": SCHEMA, "level": level.name, "meshes": list(meshes), "parts": [words[n] for n in known]}
    return frame_bytes(header | _marks(level) | {"sac": anatomy.sources.get("sac", "source not stated")}, arrays)


def _meshes(anatomy: Anatomy, level: Level, bone_triangles: int) -> Iterator[tuple[str, TriangleSurface]]:
    """(name, surface) of everything in view."""
    yield from _bone(anatomy, level, bone_triangles)
    yield from _contents(anatomy, level)
    for side in SIDES:
        if side in level.joints and len(level.joints[side].area_mm2):
            yield f"joint_{side}", joint_shell(level.joints[side], level)
    skin = skin_shell(anatomy, level)
    if skin is not None:
        yield "skin", skin


def _bone(anatomy: Anatomy, level: Level, most: int) -> Iterator[tuple[str, TriangleSurface]]:
    box = box_in(anatomy.grid, level.frame)
    bone, grid = anatomy.occupancy[box], anatomy.grid.cropped(box)
    first = shell_of(bone, grid, level.frame, FIRST_STEP_MM)
    if first is None:
        return
    # as many triangles as the square of the step is smaller
    allowed_mm = FIRST_STEP_MM * float(np.sqrt(1.03 * len(first.triangles) / most))
    full = shell_of(bone, grid, level.frame, max(allowed_mm, FINEST_VOXELS * float(grid.spacing_mm.min())))
    assert full is not None, "a finer step loses no bone"
    yield "bone", full
    yield "bone_proxy", lighter(first, PROXY_TRIANGLES)


def _contents(anatomy: Anatomy, level: Level) -> Iterator[tuple[str, TriangleSurface]]:
    box = box_in(anatomy.grid, level.frame)
    labels, grid = anatomy.labels[box], anatomy.grid.cropped(box)
    masks: dict[str, Mask] = {
        "canal": canal_mask(labels),
        "sac": labels == Tissue.SAC,
        "flavum": labels == Tissue.FLAVUM,
        "disc": labels == label_of(level.upper, Part.DISC),
    }
    for name, mask in masks.items():
        shell = shell_of(softened(mask), grid, level.frame, SOFT_STEP_MM)
        if shell is not None:
            yield name, lighter(shell, SOFT_TRIANGLES)


def joint_shell(joint: Joint, level: Level) -> TriangleSurface:
    """Both surfaces of a joint, each a little off its bone and turned to the other."""
    faces = [level.frame.to_level_mm(f) for f in (joint.inferior_face_ras_mm, joint.superior_face_ras_mm)]
    middle = (faces[0] + faces[1]) / 2
    # what touches in the labels tells no direction across; from medial to lateral is near enough then
    axes = plane_axes(middle, joint.area_mm2, (faces[1] - faces[0]).mean(axis=0))
    centre = np.average(middle, axis=0, weights=joint.area_mm2)
    sheets, step_mm = [], max(JOINT_STEP_MM, float(np.sqrt(joint.area_mm2.mean())))
    for face, toward in zip(faces, (1.0, -1.0), strict=True):
        flat = (face - centre) @ axes.T
        points, triangles = sheet_through(flat[:, :2], flat[:, 2] + toward * JOINT_LIFT_MM, step_mm)
        turned = triangles if toward > 0 else triangles[:, ::-1]
        sheets.append(TriangleSurface((points @ axes + centre).astype(np.float32), turned))
    first, second = sheets
    return TriangleSurface(
        np.concatenate([first.points_mm, second.points_mm]),
        np.concatenate([first.triangles, second.triangles + np.uint32(len(first.points_mm))]),
    )


def skin_shell(anatomy: Anatomy, level: Level) -> TriangleSurface | None:
    """The skin behind the level, seen from outside; None where the scan does not show it."""
    seen = skin_behind_mm(anatomy, level.frame, SKIN_HALF_MM)
    if seen is None:
        return None
    step_mm = max(SKIN_STEP_MM, float(anatomy.grid.spacing_mm.max()))
    sheet, triangles = sheet_through(seen[:, [2, 0]], seen[:, 1], step_mm)
    points = sheet[:, [1, 2, 0]].astype(np.float32)
    return TriangleSurface(points, triangles) if len(triangles) else None


def _marks(level: Level) -> dict[str, Any]:
    """Targets, landmarks and windows, mm of the level frame."""
    frame = level.frame
    windows = {
        side: {"centre": _reported(frame.to_level_mm(window.centre_ras_mm)),
               "normal": _reported(frame.direction_level(window.normal_ras), 6),
               "width_mm": window.width_mm, "height_mm": window.height_mm}
        for side, window in level.windows.items()
    }  # fmt: skip
    targets = {
        f"{side} {name}": _reported(frame.to_level_mm(points))
        for side, found in level.targets.items()
        for name, points in found.points_ras_mm.items()
    }
    landmarks = {name: _reported(frame.to_level_mm(point)) for name, point in level.landmarks_ras_mm.items()}
    return {"targets": targets, "landmarks": landmarks, "windows": windows}


def _reported(points: Float, digits: int = 3) -> list[Any]:
    return list(np.round(points, digits).tolist())
