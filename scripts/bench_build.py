"""Time and memory of building a case from a whole CT, step by step, each task in a process of its own.

The CT is a phantom's whole lumbar spine in a trunk on a table, 512 x 512 x 400 voxels with noise of their own.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
import threading
import time
from collections import defaultdict
from pathlib import Path

import numpy as np
from scipy import ndimage

from canalwise.phantoms.imaging.grids import natural_grid
from canalwise.phantoms.imaging.render import render_scan
from canalwise.phantoms.spec import SpineSpec
from canalwise.recon.grid import Grid
from canalwise.recon.intake.nifti_writer import write_nifti

SHAPE = (512, 512, 400)
SPACING_MM = (0.75, 0.75, 0.6)
RENDERED_MM = 1.2
"""The spine is rendered on voxels of this edge and interpolated; the noise is added on the fine ones."""

TRUNK_MM = (165.0, 130.0)
"""Half-axes, left to right and front to back, of the trunk round the spine."""

NOISE_HU, GRAIN_VOXELS = 20.0, 0.9
AIR_HU, TABLE_HU, TABLE_MM = -1000.0, -100.0, (7.0, 11.0)
"""The table lies this far behind the skin."""

BONE_HU = 200.0
"""Of the plain passes only."""

LOOK_S = 0.01
"""How often the memory in use is looked at."""

STEPS = {
    "read": "read",
    "locat": "locate",
    "working on": "locate",
    "bone": "bone",
    "vertebrae": "vertebrae",
    "names": "names",
    "parts": "parts",
    "finding level": "frames",
    "laying": "tissue",
    "measuring": "levels",
    "write": "write",
}
"""How a progress sentence begins -> the step it is counted to."""


class Steps:
    """Wall seconds, processor seconds and greatest memory in MB of each step of this process, from now on."""

    def __init__(self) -> None:
        self.wall_s: defaultdict[str, float] = defaultdict(float)
        self.cpu_s: defaultdict[str, float] = defaultdict(float)
        self.peak_mb: defaultdict[str, float] = defaultdict(float)
        self.step, self.since = "read", (time.perf_counter(), time.process_time())
        threading.Thread(target=self._watch, daemon=True).start()

    def begin(self, sentence: str) -> None:
        """End the step in progress and begin the one that a progress sentence names."""
        now = time.perf_counter(), time.process_time()
        self.wall_s[self.step] += now[0] - self.since[0]
        self.cpu_s[self.step] += now[1] - self.since[1]
        self.step, self.since = next(step for start, step in STEPS.items() if sentence.startswith(start)), now

    def _watch(self) -> None:
        while True:
            self.peak_mb[self.step] = max(self.peak_mb[self.step], _used_mb())
            time.sleep(LOOK_S)


def build_figures(spec: SpineSpec) -> dict[str, float]:
    """Keys of the build: seconds, peak MB, each step's, and speed against plain whole-volume passes."""
    with tempfile.TemporaryDirectory() as folder:
        scan = Path(folder) / "scan.nii.gz"
        _write_scan(spec, scan)
        build, plain = _child("build", scan), _child("plain", scan)
    figures = {
        "build_s": sum(build["wall_s"].values()),
        "build_cpu_s": sum(build["cpu_s"].values()),
        "build_peak_mb": max(build["peak_mb"].values()),
        "plain_s": plain["wall_s"]["bone"],
    }
    anatomy_s = figures["build_s"] - build["wall_s"]["read"] - build["wall_s"]["write"]
    figures["build_ratio_vs_plain"] = figures["plain_s"] / anatomy_s
    for step in dict.fromkeys(STEPS.values()):
        figures |= {
            f"build_{step}_s": build["wall_s"][step],
            f"build_{step}_cpu_s": build["cpu_s"][step],
            f"build_{step}_mb": build["peak_mb"].get(step, 0.0),
        }
    return figures


def _write_scan(spec: SpineSpec, path: Path) -> None:
    source = natural_grid(spec, RENDERED_MM)
    coarse = render_scan(spec, source, noise_hu=0.0).ct_hu.astype(np.float32)
    affine = np.diag([*SPACING_MM, 1.0])
    # As much air behind the skin as before it is no matter: the spine stands where trunks have it.
    skin_y = source.affine_ras_mm[1, 3] + 4.0
    affine[:3, 3] = [-SHAPE[0] * SPACING_MM[0] / 2, skin_y - 25.0, source.affine_ras_mm[2, 3]]
    grid = Grid(SHAPE, affine)
    step = np.array(SPACING_MM) / RENDERED_MM
    fine = ndimage.affine_transform(
        coarse, step, source.index_of(grid.world_mm([0, 0, 0])), SHAPE, order=1, mode="nearest"
    )
    x, y = (affine[axis, 3] + np.arange(SHAPE[axis]) * SPACING_MM[axis] for axis in (0, 1))
    behind = skin_y - y
    middle = skin_y + TRUNK_MM[1]
    fine[(x[:, None] / TRUNK_MM[0]) ** 2 + ((y - middle) / TRUNK_MM[1]) ** 2 > 1] = AIR_HU
    fine[:, (behind >= TABLE_MM[0]) & (behind <= TABLE_MM[1])] = TABLE_HU
    noise = np.random.default_rng(0).standard_normal(SHAPE, dtype=np.float32)
    noise = ndimage.gaussian_filter(noise, GRAIN_VOXELS, output=noise)
    fine += noise * np.float32(NOISE_HU / noise.std())
    write_nifti(path, np.clip(np.rint(fine), -1024, 3071).astype(np.int16), grid)


def _child(task: str, scan: Path) -> dict[str, dict[str, float]]:
    command = [sys.executable, str(Path(__file__).with_name("bench.py")), "--child", task, str(scan)]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    found: dict[str, dict[str, float]] = json.loads(done.stdout)
    return found


def child(task: str, path: Path) -> dict[str, dict[str, float]]:
    """Counts of `Steps`, measured in this process: from the scan's file to the case on disk, or the plain passes."""
    from canalwise.recon.case.anatomy_builder import anatomy_of
    from canalwise.recon.case.folder import write_case
    from canalwise.recon.intake.reader import read_scan

    steps = Steps()
    scan = read_scan(path)
    if task == "build":
        anatomy = anatomy_of(scan, progress=steps.begin)
        steps.begin("write")
        write_case(path.with_name("case"), scan, anatomy)
    else:
        steps.begin("bone")
        _plain_passes(scan.voxels, scan.grid)
    steps.begin("read")
    return {"wall_s": steps.wall_s, "cpu_s": steps.cpu_s, "peak_mb": steps.peak_mb}


def _used_mb() -> float:
    """Memory that this process holds now; 0 where the machine does not tell."""
    reported = Path("/proc/self/statm")
    return int(reported.read_text().split()[1]) * 4096 / 1e6 if reported.is_file() else 0.0


def _plain_passes(voxels: np.ndarray, grid: Grid) -> None:
    """The least any build does, by the obvious calls on the whole volume: smooth, threshold, part, measure depth."""
    smooth = ndimage.gaussian_filter(voxels, 1.0, output=np.float32)
    pieces, _ = ndimage.label(smooth > BONE_HU)
    ndimage.distance_transform_edt(pieces > 0, sampling=grid.spacing_mm)
