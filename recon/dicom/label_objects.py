"""Common parts of DICOM objects that hold labels: how they are distinguished, and layers for what overlaps."""

from __future__ import annotations

import warnings
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pydicom

from canalwise.recon.labels import Labels

PREAMBLE_BYTES = 132


def dicom_class(path: Path) -> str:
    """The SOP class of a DICOM file; empty for anything else.

    >>> dicom_class(Path(__file__))
    ''
    """
    if not path.is_file():
        return ""
    with path.open("rb") as file:
        if file.read(PREAMBLE_BYTES)[-4:] != b"DICM":
            return ""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return str(pydicom.filereader.read_file_meta_info(path).get("MediaStorageSOPClassUID") or "")
    except Exception:
        # A header that cannot be parsed is refused, with its reason, by whoever reads it as an image.
        return ""


def with_room(layers: list[Labels], values: npt.NDArray[Any], number: int) -> None:
    """Adds `number` times the values to the first layer with room for them, or to a new one.

    Parameters
    ----------
    layers : arrays of one shape; changed in place
    values : array of that shape, 0 or False where nothing is to be added

    >>> layers = [np.array([1, 0], np.uint16)]
    >>> with_room(layers, np.array([False, True]), 2); with_room(layers, np.array([True, False]), 3)
    >>> [layer.tolist() for layer in layers]
    [[1, 2], [3, 0]]
    """
    added = values.astype(np.uint16) * np.uint16(number)
    home = next((layer for layer in layers if not ((layer > 0) & (added > 0)).any()), None)
    if home is None:
        layers.append(added)
    else:
        home += added
