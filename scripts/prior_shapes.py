#!/usr/bin/env python3
"""Turn a folder of vertebra surfaces into the label map that `scripts/train_prior.py` paints its images from.

    .venv/bin/python scripts/prior_shapes.py MESH_FOLDER --out FOLDER/mean.npz

The surfaces give the bones; canal and parts are found by the build, and the discs are what lies between two bodies
inside their common hull.
"""

from __future__ import annotations

import argparse
import sys
from itertools import pairwise
from pathlib import Path

import numpy as np
from scipy.spatial import Delaunay

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from canalwise.phantoms.imaging.mesh_scans import bones_only, mesh_scan, read_meshes
from canalwise.recon.case.anatomy_builder import anatomy_of
from canalwise.recon.intake.label_maps import GivenLabels
from canalwise.recon.labels import Labels, Part, label_of, vertebrae_in
from canalwise.recon.scan import Scan

MAP_MM = 0.6
"""Voxel edge, as `scripts/train_prior.py` expects."""

FACING_MM = 8.4
"""Depth of body behind an end plate that spans the disc's hull."""

HULL_POINTS = 3000


def with_discs(labels: Labels) -> Labels:
    """The label map with a disc below every body but the last."""
    out = labels.copy()
    for upper, lower in pairwise(vertebrae_in(labels)):
        bodies = [np.argwhere(labels == label_of(name, Part.BODY)).astype(float) for name in (upper, lower)]
        axis = bodies[0].mean(axis=0) - bodies[1].mean(axis=0)
        axis /= np.linalg.norm(axis)
        middle = (np.percentile(bodies[0] @ axis, 3) + np.percentile(bodies[1] @ axis, 97)) / 2
        facing = np.concatenate([body[np.abs(body @ axis - middle) < FACING_MM / MAP_MM] for body in bodies])
        chosen = np.random.default_rng(0).choice(len(facing), min(HULL_POINTS, len(facing)), replace=False)
        low, high = facing.min(axis=0).astype(int), facing.max(axis=0).astype(int) + 2
        box = tuple(slice(a, b) for a, b in zip(low, high, strict=True))
        places = np.moveaxis(np.indices(high - low), 0, -1) + low
        inside = Delaunay(facing[chosen]).find_simplex(places.reshape(-1, 3)).reshape(places.shape[:3]) >= 0
        soft = (out[box] < 100) & ~np.isin(out[box], (1, 2, 3))
        out[box][inside & soft] = label_of(upper, Part.DISC)
    return out


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=str(__doc__).splitlines()[0])
    parser.add_argument("meshes", type=Path, metavar="MESH_FOLDER")
    parser.add_argument("--out", type=Path, required=True, metavar="FILE")
    options = parser.parse_args()
    scan = mesh_scan(read_meshes(options.meshes), MAP_MM)
    given = GivenLabels(bones_only(scan.labels), frozenset({"vertebrae"}))
    labels = anatomy_of(Scan(scan.ct_hu, scan.grid, "CT"), given=given).labels
    options.out.parent.mkdir(parents=True, exist_ok=True)
    np.savez_compressed(options.out, labels=with_discs(labels))


if __name__ == "__main__":
    main()
