#!/usr/bin/env python3
"""Write a CT and a label map of a folder of vertebra surfaces, for `canalwise build` to make a case of.

    .venv/bin/python scripts/mesh_case.py MESH_FOLDER --out FOLDER
    canalwise build FOLDER/ct.nii.gz --labels FOLDER/labels.nii.gz --out CASE

The labels say which vertebra each voxel belongs to and nothing more; parts, canal, sac and ligament are found by the
build. The tissue around the bones is a stand-in.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from canalwise.phantoms.imaging.mesh_scans import bones_only, mesh_scan, read_meshes
from canalwise.phantoms.imaging.write import write_labels, write_nifti
from canalwise.recon.errors import CanalwiseError


def main() -> int:
    """Exit status: 0 done, 2 the folder cannot be used."""
    parser = argparse.ArgumentParser(description="Write a CT and a label map of vertebra surfaces.")
    parser.add_argument("meshes", type=Path, metavar="MESH_FOLDER", help="one watertight STL per vertebra, mm")
    parser.add_argument("--out", type=Path, required=True, metavar="FOLDER", help="folder to write")
    parser.add_argument("--spacing-mm", type=float, default=0.5, help="voxel edge [%(default)s]")
    options = parser.parse_args()
    try:
        scan = mesh_scan(read_meshes(options.meshes), options.spacing_mm)
    except CanalwiseError as problem:
        print(problem, file=sys.stderr)
        return 2
    write_nifti(scan.ct_hu, scan.grid, options.out / "ct.nii.gz")
    write_labels(replace(scan, labels=bones_only(scan.labels)), options.out / "labels.nii.gz")
    return 0


if __name__ == "__main__":
    sys.exit(main())
