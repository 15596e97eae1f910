"""The label map as NIfTI, and the file of names with which `canalwise build --labels` reads one back."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt

from canalwise.recon.disclaimer import CAUTION
from canalwise.recon.grid import Grid
from canalwise.recon.intake.label_names import SCHEMA
from canalwise.recon.intake.nifti_writer import write_nifti
from canalwise.recon.labels import CANAL_CONTENTS, Labels, Tissue, label_names, vertebra_mask, vertebra_number


def nifti_bytes(values: npt.NDArray[np.generic], grid: Grid) -> bytes:
    """A label map as NIfTI-1, .nii.gz.

    `values` (nx, ny, nz) on `grid`; the file's affine is that grid's, RAS mm.
    """
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "labels.nii.gz")
        write_nifti(path, values, grid)
        return path.read_bytes()


def names_toml(names: Sequence[Mapping[int, str]]) -> bytes:
    """The file of label names for some maps, in the order in which they will be given.

    >>> print(names_toml([{2: "sac"}]).decode().splitlines()[-1])
    2 = "sac"
    """
    lines = [*(f"# {line}" for line in CAUTION.split(". ")), f'schema = "{SCHEMA}"']
    for table in names:
        lines += ["", "[[file]]", *(f'{value} = "{name}"' for value, name in sorted(table.items()))]
    return "\n".join([*lines, ""]).encode()


def names_in(labels: Labels) -> dict[int, str]:
    """Value -> name of each label there is.

    >>> names_in(np.array([0, 2206], np.uint16))
    {2206: 'L3 lamina left'}
    """
    known = label_names()
    return {int(value): known[int(value)] for value in np.unique(labels) if value != Tissue.OUTSIDE}


def of_structures(labels: Labels, structures: frozenset[str] | None) -> Labels:
    """The labels of some structures, 0 elsewhere; all where none are named.

    A vertebra brings its parts, 'canal' all that lies in it, 'dural_sac' the sac.

    >>> of_structures(np.array([2, 3, 2206, 2306], np.uint16), frozenset({"L4", "dural_sac"})).tolist()
    [2, 0, 0, 2306]
    """
    if structures is None:
        return labels
    kept = np.zeros(labels.shape, dtype=bool)
    for name in structures:
        if name == "canal":
            kept |= np.isin(labels, CANAL_CONTENTS)
        elif name == "dural_sac":
            kept |= labels == Tissue.SAC
        elif name[0].isupper():
            kept |= vertebra_mask(labels, vertebra_number(name))
    return np.where(kept, labels, np.uint16(0))
