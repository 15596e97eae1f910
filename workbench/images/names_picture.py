"""A picture to count vertebrae on: coronal and sagittal maximum projections with the likely names at every vertebra."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from canalwise.recon.anatomy import Naming
from canalwise.recon.grid import Grid
from canalwise.recon.scan import Scan
from canalwise.recon.serialization import write_bytes_atomic
from canalwise.recon.spine.region_of_interest import coarse
from canalwise.workbench.style.data_uris import drawing_style, png_bytes
from canalwise.workbench.style.palette import MARK

FILE_NAME = "names.png"

MIDLINE_HALF_MM = 20.0
"""The sagittal projection holds this much on either side of the vertebrae: with hips in it no vertebra is seen."""

LEAST_SHOWN = 0.02
"""Names less probable than this are not written."""


def names_figure(scan: Scan, naming: Naming) -> Figure:
    """Both projections, cranial up, with the candidates' names and probabilities at each vertebra.

    The coronal one is seen from the front, the patient's right on the left; in the sagittal one the front is left.
    """
    small = coarse(scan) if scan.kind.calibrated else scan
    values, grid = _upright(small)
    places = np.array(naming.places_ras_mm).reshape(-1, 3)
    figure = Figure(figsize=(8.0, 5.4), layout="constrained")
    coronal, sagittal = figure.subplots(1, 2)
    low, high = scan.kind.display_window(scan.voxels)
    ends = grid.world_mm(np.array([(0, 0, 0), tuple(n - 1 for n in grid.shape)]))
    near = slice(None)
    if len(places):
        x = grid.world_mm(np.column_stack([np.arange(grid.shape[0]), *[np.zeros(grid.shape[0])] * 2]))[:, 0]
        index = np.flatnonzero(np.abs(x - float(np.median(places[:, 0]))) <= MIDLINE_HALF_MM)
        near = slice(int(index[0]), int(index[-1]) + 1) if len(index) else near
    for axes, image, axis in ((coronal, values.max(axis=1), 0), (sagittal, values[near].max(axis=0), 1)):
        span = (ends[0, axis], ends[1, axis], ends[0, 2], ends[1, 2])
        axes.imshow(image.T, cmap="gray", vmin=low, vmax=high, origin="lower", extent=span, aspect="equal")
        _mark(axes, places, axis, naming)
    coronal.set_xlim(*sorted(ends[:, 0], reverse=True))
    sagittal.set_xlim(*sorted(ends[:, 1], reverse=True))
    coronal.set_title("from the front; the patient's right is on the left")
    sagittal.set_title("from the side; the front is on the left")
    return figure


def names_at(naming: Naming, place: int) -> str:
    """The likely names of the n-th vertebra in view, counted from the cranial end, with their probabilities.

    >>> from canalwise.recon.anatomy import NamesCandidate
    >>> two = (NamesCandidate(("L3", "L4"), 0.6), NamesCandidate(("L4", "L5"), 0.3))
    >>> names_at(Naming("unknown", 0.6, "", candidates=two), 1)
    'L4 0.60, L5 0.30'
    """
    likely: dict[str, float] = {}
    for each in naming.candidates:
        name = each.names[place] or "sacral"
        likely[name] = likely.get(name, 0.0) + each.probability
    return ", ".join(f"{name} {probability:.2f}" for name, probability in likely.items() if probability >= LEAST_SHOWN)


def write_names_picture(folder: Path, scan: Scan, naming: Naming) -> Path:
    """Draws the picture into a case folder; the path of the file."""
    path = folder / FILE_NAME
    with drawing_style():
        write_bytes_atomic(path, png_bytes(names_figure(scan, naming)))
    return path


def _mark(axes: Axes, places: npt.NDArray[np.float64], axis: int, naming: Naming) -> None:
    for n, point in enumerate(places):
        axes.plot(point[axis], point[2], "+", color=MARK, markersize=7)
        if axis == 0:
            axes.annotate(
                names_at(naming, n),
                (point[axis], point[2]),
                xytext=(14, 0),
                textcoords="offset points",
                color=MARK,
                fontsize=9,
                va="center",
            )
    axes.set_ylabel("RAS z, mm")
    axes.set_xlabel(("RAS x, mm", "RAS y, mm")[axis])


def _upright(scan: Scan) -> tuple[npt.NDArray[np.float32], Grid]:
    """The voxels with every axis rising in RAS, and their grid."""
    turned = tuple(slice(None, None, -1) if scan.grid.affine_ras_mm[n, n] < 0 else slice(None) for n in range(3))
    affine = scan.grid.affine_ras_mm.copy()
    last = np.array(scan.grid.shape) - 1
    corner = scan.grid.world_mm([int(last[n]) if affine[n, n] < 0 else 0 for n in range(3)])
    affine[:3, :3] *= np.where(np.diag(affine)[:3] < 0, -1.0, 1.0)
    affine[:3, 3] = corner
    return np.asarray(scan.voxels, dtype=np.float32)[turned], Grid(scan.grid.shape, affine)
