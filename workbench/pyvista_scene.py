"""Case and plan as a pyvista scene, in RAS mm, for those who script: needs `pip install canalwise[scene]`.

>>> from canalwise.recon.case.folder import read_case
>>> from canalwise.workbench.pyvista_scene import plotter_of, scene_blocks
>>> case = read_case("case")                                   # doctest: +SKIP
>>> plotter_of(scene_blocks(case, plan)).show()                # doctest: +SKIP
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from canalwise.estimator.approach.approach import Approach, PlacedPhase, placed_phases
from canalwise.estimator.estimate.estimate import estimate
from canalwise.estimator.removal.bone_removal import Removal
from canalwise.recon.case.folder import Case
from canalwise.recon.case.meshes import structure_meshes
from canalwise.recon.errors import WrongUse
from canalwise.recon.image.isosurface import ClosedSurface
from canalwise.workbench.style.palette import CANAL, INK, PALE_BONE, REMOVED, SAC, phase_colour

if TYPE_CHECKING:
    import pyvista

CHANNEL_SIDES = 48
"""Faces round a drawn tube: smooth to the eye."""

VERTEBRA: dict[str, Any] = {"color": PALE_BONE, "smooth_shading": True}
LOOKS: dict[str, dict[str, Any]] = {
    "canal": {"color": CANAL, "opacity": 0.15}, "dural_sac": {"color": SAC, "opacity": 0.5},
    "bone to remove": {"color": REMOVED}, "targets": {"color": INK, "point_size": 8, "render_points_as_spheres": True},
}  # fmt: skip
"""How a block is drawn, by its name; vertebrae and phases have looks of their own."""


def scene_blocks(case: Case, approach: Approach) -> pyvista.MultiBlock:
    """Named meshes, RAS mm: each vertebra, 'canal', 'dural_sac', 'bone to remove' (task), 'targets', 'sleeve NAME' and
    'tool NAME' of each phase lying along its axis.

    Raises what `estimator.estimate.estimate.estimate` raises, and WrongUse where pyvista is not installed.
    """
    pv = _pyvista()
    found = estimate(case.anatomy, approach)
    blocks = {name: _poly(pv, surface) for name, surface in structure_meshes(case.anatomy)}
    blocks["bone to remove"] = _removed(pv, found.task.removal)
    blocks["targets"] = pv.PolyData(np.concatenate(list(found.task_targets_ras_mm.values())))
    for phase in placed_phases(approach, found.level.frame):
        blocks |= _channel(pv, phase)
    return pv.MultiBlock(blocks)


def plotter_of(blocks: pyvista.MultiBlock, **options: Any) -> pyvista.Plotter:
    """A plotter with all blocks in the project's colours; `options` go to pyvista.Plotter."""
    plotter = _pyvista().Plotter(**options)
    names = [str(name) for name in blocks.keys()]  # noqa: SIM118  (iterating gives the blocks)
    phases = list(dict.fromkeys(name.partition(" ")[2] for name in names if _is_channel(name)))
    for name, block in zip(names, blocks, strict=True):
        if block is not None and block.n_points:
            plotter.add_mesh(block, name=name, **_looks(name, phases))
    return plotter


def _is_channel(name: str) -> bool:
    return name.startswith(("sleeve ", "tool "))


def _looks(name: str, phases: list[str]) -> dict[str, Any]:
    if _is_channel(name):
        return {"color": phase_colour(phases.index(name.partition(" ")[2])), "opacity": 0.5}
    return dict(LOOKS.get(name, VERTEBRA))


def _pyvista() -> Any:
    try:
        import pyvista
    except ImportError:
        raise WrongUse("a scene", "needs pyvista", do="Install it: pip install canalwise[scene]") from None
    return pyvista


def _poly(pv: Any, surface: ClosedSurface) -> Any:
    return pv.PolyData.from_regular_faces(surface.vertices_ras_mm, surface.faces)


def _removed(pv: Any, removal: Removal) -> Any:
    """The surface at half of the removed share, computed on the grid's own axes and then transformed to RAS."""
    grid, level_bone = removal.level_bone.grid, removal.level_bone
    image = pv.ImageData(dimensions=grid.shape)
    image.point_data["taken"] = (removal.taken_frac * level_bone.bone_mm3 / grid.voxel_mm3).ravel(order="F")
    return image.contour([0.5], scalars="taken").transform(grid.affine_ras_mm, inplace=False)


def _channel(pv: Any, phase: PlacedPhase) -> dict[str, Any]:
    return {
        f"sleeve {phase.name}": _tube(pv, phase, phase.sleeve_radius_mm, phase.sleeve_depth_mm),
        f"tool {phase.name}": _tube(pv, phase, phase.tool_radius_mm, phase.tip_depth_mm),
    }


def _tube(pv: Any, phase: PlacedPhase, radius_mm: float, depth_mm: float) -> Any:
    if depth_mm <= 0 or radius_mm <= 0:
        return pv.PolyData()
    line = pv.Line(phase.pivot_ras_mm, phase.pivot_ras_mm + depth_mm * phase.axis_ras)
    return line.tube(radius=radius_mm, n_sides=CHANNEL_SIDES)
