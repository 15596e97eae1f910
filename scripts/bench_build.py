"""Time and peak memory of building a case from a whole CT, each in a process of its own."""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy import ndimage

from phantoms.render import render_scan
from phantoms.spec import SpineSpec
from recon.grid import Grid
from recon.nifti_out import write_nifti

SHAPE = (512, 512, 400)
FIELD_MM = (300.0, 300.0, 240.0)
RENDERED_FRAC = 0.25
"""The phantom is rendered on this share of the voxels per axis and interpolated: what counts here is their number."""

BONE_HU = 200.0
"""Of the plain passes only."""


@dataclass(frozen=True)
class Run:
    """What one child process took."""

    wall_s: float
    peak_mb: float


def build_figures(spec: SpineSpec) -> dict[str, float]:
    """Keys of the build: seconds, peak MB, and speed against plain whole-volume passes."""
    with tempfile.TemporaryDirectory() as folder:
        scan = Path(folder) / "scan.nii.gz"
        _write_scan(spec, scan)
        build, plain = _child("build", scan), _child("plain", scan)
    ratio = plain.wall_s / build.wall_s
    return {"build_s": build.wall_s, "build_peak_mb": build.peak_mb, "build_ratio_vs_plain": ratio}


def _write_scan(spec: SpineSpec, path: Path) -> None:
    shape = np.rint(np.array(SHAPE) * RENDERED_FRAC).astype(int)
    spacing = np.array(FIELD_MM) / SHAPE
    affine = np.diag([*spacing / RENDERED_FRAC, 1.0])
    # The spine stands near the world's origin; the skin behind it lies at about y = -90.
    affine[:3, 3] = [-FIELD_MM[0] / 2, -110.0, -FIELD_MM[2] / 2]
    i, j, k = (int(n) for n in shape)
    coarse = render_scan(spec, Grid((i, j, k), affine)).ct_hu
    fine = ndimage.zoom(coarse, 1 / RENDERED_FRAC, order=1, mode="nearest", grid_mode=True)
    affine[:3, :3] *= RENDERED_FRAC
    write_nifti(path, fine, Grid(SHAPE, affine))


def _child(task: str, scan: Path) -> Run:
    command = [sys.executable, str(Path(__file__).with_name("bench.py")), "--child", task, str(scan)]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    return Run(**json.loads(done.stdout))


def child(task: str, path: Path) -> dict[str, float]:
    """Fields of `Run`, measured in this process."""
    from recon.intake import read_scan

    scan = read_scan(path)
    start_s = time.perf_counter()
    if task == "build":
        from recon.build import anatomy_of

        anatomy_of(scan, vertebrae=None)
    else:
        _plain_passes(scan.voxels, scan.grid)
    wall_s = time.perf_counter() - start_s
    return {"wall_s": wall_s, "peak_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024}


def _plain_passes(voxels: np.ndarray, grid: Grid) -> None:
    """The least any build does, by the obvious calls on the whole volume: smooth, threshold, part, measure depth."""
    smooth = ndimage.gaussian_filter(voxels, 1.0, output=np.float32)
    pieces, _ = ndimage.label(smooth > BONE_HU)
    ndimage.distance_transform_edt(pieces > 0, sampling=grid.spacing_mm)
