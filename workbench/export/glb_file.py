"""Closed surfaces as one binary glTF file: metres, Y up, as the format asks.

glTF 2.0 specification, section 3.3 (coordinate system and units): right-handed, +Y up, +Z forward, -X right, metres.
The patient stands and faces forward: x of the file is the patient's left, y up, z ventral.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import trimesh

from canalwise.recon.disclaimer import CAUTION
from canalwise.workbench.export.structures import NamedSurface
from canalwise.workbench.style.palette import rgb_frac

METRES_FROM_RAS_MM = np.array([[-1, 0, 0], [0, 0, 1], [0, 1, 0]]) / 1000.0
"""(3, 3) matrix: RAS mm to the file's metres. Turns, never mirrors."""


def glb_file(made: Sequence[NamedSurface]) -> bytes:
    """All surfaces as named nodes; frame and caution stand in `extras`."""
    scene = trimesh.Scene()
    for one in made:
        points = one.surface.vertices_ras_mm @ METRES_FROM_RAS_MM.T
        material = trimesh.visual.material.PBRMaterial(
            name=one.name, baseColorFactor=[*rgb_frac(one.colour), 1.0], metallicFactor=0.0, roughnessFactor=0.8
        )
        mesh = trimesh.Trimesh(points, one.surface.faces, process=False)
        mesh.visual = trimesh.visual.TextureVisuals(material=material)
        mesh.metadata = {"about": one.about}
        scene.add_geometry(mesh, node_name=one.name, geom_name=one.name)
    content: bytes = trimesh.exchange.gltf.export_glb(scene, tree_postprocessor=_with_frame, include_normals=False)
    return content


def _with_frame(tree: dict[str, Any]) -> None:
    matrix = np.eye(4)
    matrix[:3, :3] = np.linalg.inv(METRES_FROM_RAS_MM)
    tree["asset"]["generator"] = "canalwise"
    tree["asset"]["extras"] = {
        "frame": "metres, Y up; x is the patient's left, y superior, z anterior; the origin is the scan's RAS origin",
        "ras_mm_from_file": matrix.tolist(),
        "caution": CAUTION,
    }
