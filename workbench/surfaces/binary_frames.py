"""Binary frames of arrays for the page: a JSON header and the numbers behind it, in one run of bytes.

uint32 little-endian length of the header; the header as JSON in UTF-8, padded with spaces to a multiple of four; then
the arrays, each starting at a multiple of four. The header's `arrays` tells type, shape and place of each, the place
counted from the end of the header. Numbers are little-endian; an array of more than one axis is ordered as its `shape`
is written, the last axis fastest, unless the header says otherwise.
"""

from __future__ import annotations

import json
import struct
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from canalwise.recon.anatomy import Frame
from canalwise.recon.errors import BadFile
from canalwise.recon.grid import Grid

DTYPES = ("float32", "uint32", "uint16", "int16", "uint8")
"""What a page can read without a copy."""

ALIGNED = 4
"""Arrays start at a multiple of this many bytes."""

Arrays = Mapping[str, npt.NDArray[Any]]


def frame_bytes(header: Mapping[str, Any], arrays: Arrays) -> bytes:
    """One frame; the same header and arrays give the same bytes.

    >>> header, arrays = frame_of(frame_bytes({"level": "L3-L4"}, {"part": np.array([1, 2, 3], np.uint8)}))
    >>> header["arrays"]["part"], arrays["part"].tolist()
    ({'dtype': 'uint8', 'shape': [3], 'offset': 0}, [1, 2, 3])
    """
    blocks = {name: _aligned(name, array) for name, array in arrays.items()}
    places, offset = {}, 0
    for name, array in arrays.items():
        places[name] = {"dtype": array.dtype.name, "shape": list(array.shape), "offset": offset}
        offset += len(blocks[name])
    text = json.dumps({**header, "arrays": places}, ensure_ascii=False, allow_nan=False).encode()
    text += b" " * (-len(text) % ALIGNED)
    return b"".join([struct.pack("<I", len(text)), text, *blocks.values()])


def _aligned(name: str, array: npt.NDArray[Any]) -> bytes:
    if array.dtype.name not in DTYPES:
        raise TypeError(f"{name} must be one of {', '.join(DTYPES)}, not {array.dtype.name}")
    numbers = array.astype(array.dtype.newbyteorder("<"), copy=False).tobytes()
    return numbers + b"\0" * (-len(numbers) % ALIGNED)


def frame_of(frame: bytes) -> tuple[dict[str, Any], dict[str, npt.NDArray[Any]]]:
    """(header, name -> array) of a frame; raises BadFile where it is cut short."""
    (length,) = struct.unpack_from("<I", frame)
    header = json.loads(frame[4 : 4 + length])
    found = {}
    for name, place in header["arrays"].items():
        kind, start = np.dtype(place["dtype"]).newbyteorder("<"), 4 + length + place["offset"]
        count = int(np.prod(place["shape"], dtype=int))
        if start + count * kind.itemsize > len(frame):
            raise BadFile(f"the frame's {name}", f"must hold {count} numbers", got=f"{len(frame) - start} bytes")
        found[name] = np.frombuffer(frame, kind, count, start).reshape(place["shape"])
    return header, found


def index_of_level(grid: Grid, frame: Frame, first: Sequence[int] = (0, 0, 0)) -> list[float]:
    """The 4x4 matrix, row by row, that takes level mm to a fractional index, counted from a first voxel.

    >>> index_of_level(Grid((9, 9, 9), np.diag([2.0, 2.0, 2.0, 1.0])), Frame(np.zeros(3), np.eye(3)), (3, 0, 0))[:4]
    [0.5, 0.0, 0.0, -3.0]
    """
    matrix = np.linalg.inv(grid.affine_ras_mm) @ frame.matrix_ras
    matrix[:3, 3] -= first
    flat: list[float] = matrix.ravel().tolist()
    return flat
