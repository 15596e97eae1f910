"""One hard case: a spine or a set of vertebra surfaces, what of it is in view, and the scanner that takes it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from canalwise.phantoms.anatomy.bystanders import Bystander, vessels
from canalwise.phantoms.anatomy.spine import spine_of
from canalwise.phantoms.imaging.grids import GridRequest
from canalwise.phantoms.imaging.mesh_scans import AIR_MM, MARGIN_MM, foramen_axis_mm
from canalwise.phantoms.imaging.render import scan_of
from canalwise.phantoms.imaging.scanner import PhantomScan, Scanner
from canalwise.phantoms.imaging.voxelise import SKIN_BEHIND_MM, CanalPath, Mesh, voxelised_scan
from canalwise.phantoms.imaging.warp import Warp, middle_mm, warped
from canalwise.phantoms.solid.pose import Pose
from canalwise.phantoms.spec import SpineSpec
from canalwise.recon.grid import Float, Grid
from canalwise.recon.labels import Labels, Part, Side, level_vertebrae, vertebra_name

UPRIGHT_AXES = np.diag([-1.0, -1.0, 1.0])

IN_VIEW_FRAC = 0.2
"""A person counts a vertebra as in view when at least this share of the largest body is (choice)."""


@dataclass(frozen=True, eq=False)
class HardCase:
    """A named case with its severity (1 mild .. 3 as bad as it gets) and the axes along which it is hard.

    Parameters
    ----------
    levels : that the grid covers, cranial to caudal
    level, side : planned on
    named : are the vertebrae's names given? Otherwise the scan's own signs must do
    nameless : does the scan show no sign to name them by, so that a build must refuse?
    trim_mm : cut off the grid's caudal and cranial end
    warp : of the meshes named `surfaces`; () is a parametric spine
    """

    name: str
    severity: int
    axes: tuple[str, ...]
    spec: SpineSpec
    levels: tuple[str, ...]
    level: str
    side: Side = "left"
    grid_request: GridRequest = field(default_factory=lambda: GridRequest((1.0, 1.0, 1.0)))
    scanner: Scanner = field(default_factory=Scanner)
    named: bool = True
    nameless: bool = False
    trim_mm: tuple[float, float] = (0.0, 0.0)
    surfaces: tuple[str, ...] = ()
    warp: Warp = field(default_factory=Warp)

    @property
    def is_mesh(self) -> bool:
        """Is it made of vertebra surfaces, whose parts and joints are not known?"""
        return bool(self.surfaces)

    def grid(self) -> Grid:
        """The grid of a parametric case."""
        return trimmed(self.grid_request.grid(self.spec, *self.levels), self.trim_mm)

    def scan(self, meshes: Mapping[str, Mesh] | None = None) -> PhantomScan:
        """The scan of the case; a mesh case needs the surfaces."""
        if not self.is_mesh:
            return scan_of(spine_of(self.spec), self.grid(), self.scanner)
        return _mesh_scan(self, {name: (meshes or {})[name] for name in self.surfaces})


def trimmed(grid: Grid, trim_mm: tuple[float, float]) -> Grid:
    """The grid less so many mm at the start and the end of its third axis.

    >>> trimmed(Grid((4, 4, 30), np.eye(4)), (10.0, 5.0)).shape
    (4, 4, 15)
    """
    low, high = (round(mm / float(grid.spacing_mm[2])) for mm in trim_mm)
    return grid.cropped((slice(None), slice(None), slice(low, grid.shape[2] - high)))


def _mesh_scan(case: HardCase, mean: Mapping[str, Mesh]) -> PhantomScan:
    meshes = warped(mean, case.warp)
    canal = CanalPath(case.warp.points_mm(_canal_points_mm(mean), middle_mm(mean)))
    corners = np.concatenate([mesh.vertices_mm for mesh in meshes.values()])
    low, high = corners.min(axis=0) - MARGIN_MM, corners.max(axis=0) + MARGIN_MM
    low[1] -= SKIN_BEHIND_MM + AIR_MM - MARGIN_MM
    high[1] += case.grid_request.ventral_mm
    grid = trimmed(case.grid_request.over(low, high), case.trim_mm)
    beside = _vessels_of(meshes) if case.spec.bystanders.vessel_hu is not None else []
    return voxelised_scan(meshes, grid, canal=canal, scanner=case.scanner, spec=case.spec, bystanders=beside)


def _canal_points_mm(meshes: Mapping[str, Mesh]) -> Float:
    """(N, 3) array: the middles of the foramina, cranial to caudal, and as far again beyond the outer two."""
    middles = np.array([foramen_axis_mm(mesh).mean(axis=0) for mesh in meshes.values()])
    found: Float = np.concatenate([[2 * middles[0] - middles[1]], middles, [2 * middles[-1] - middles[-2]]])
    return found


def _vessels_of(meshes: Mapping[str, Mesh]) -> list[Bystander]:
    """Vessels along the most ventral points of the surfaces."""
    fronts = []
    for mesh in meshes.values():
        low, high = mesh.vertices_mm.min(axis=0), mesh.vertices_mm.max(axis=0)
        front = mesh.vertices_mm[:, 1] > high[1] - 5.0
        x, z = mesh.vertices_mm[front][:, [0, 2]].mean(axis=0)
        fronts.append(Pose(np.array([x, high[1], np.clip(z, low[2], high[2])]), UPRIGHT_AXES))
    return vessels(fronts)


def names_in_view(labels: Labels, least_frac: float = IN_VIEW_FRAC) -> tuple[str, ...]:
    """Names that a person would give, cranial to caudal: vertebrae with enough of their body (or bone) in view.

    >>> names_in_view(np.array([2201] * 10 + [2301] * 10 + [2401], np.uint16))
    ('L3', 'L4')
    """
    bone = labels[(labels >= 100) & (labels % 100 != Part.DISC)]
    body = bone[(bone % 100 == Part.BODY) | (bone % 100 == Part.UNDIVIDED)] // 100
    counts = np.bincount(body)
    return tuple(vertebra_name(int(n)) for n in np.flatnonzero(counts >= max(least_frac * counts.max(), 1)))


def levels_in_view(case: HardCase, labels: Labels) -> tuple[str, ...]:
    """Those of a case's levels whose two vertebrae are in view.

    >>> case = HardCase("cut", 1, ("view",), SpineSpec(), ("L3-L4", "L4-L5"), "L3-L4")
    >>> levels_in_view(case, np.array([2201, 2301], np.uint16))
    ('L3-L4',)
    """
    there = names_in_view(labels)
    return tuple(level for level in case.levels if set(level_vertebrae(level)) <= set(there))
