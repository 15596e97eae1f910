"""The numbers of a voxel file whose header said all about them: plain or deflated bytes, read without guessing.

Compressed bytes are zlib's or gzip's (RFC 1950, RFC 1952), one member or several, and are unpacked no further than the
header promises.
"""

from __future__ import annotations

import re
import zlib
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from canalwise.recon.errors import BadFile
from canalwise.recon.grid import Index3
from canalwise.recon.image.volume import Voxels

EITHER_KIND = 47
"""Tells zlib to take its own format or gzip's, whichever the bytes begin with (zlib.h, inflateInit2)."""

CHUNK_BYTES = 1 << 20

PLAIN_NAME = re.compile(r"[^/\\:*?\"<>|%]+")
"""A file name without a folder, a drive, or a pattern that stands for several files."""


@dataclass(frozen=True)
class RawVoxels:
    """Where the numbers of a volume lie.

    Parameters
    ----------
    who : the header, as messages name it
    path : the file that holds them
    begin : bytes before the first of them; -1 counts from the file's end
    dtype : with its byte order
    shape : first index fastest
    deflated : are they compressed?
    """

    who: str
    path: Path
    begin: int
    dtype: np.dtype[np.generic]
    shape: Index3
    deflated: bool

    @property
    def size_bytes(self) -> int:
        """Bytes of all numbers, unpacked."""
        return int(np.prod([int(n) for n in self.shape], dtype=object)) * self.dtype.itemsize


def beside(header: Path, name: str, who: str) -> Path:
    """The file of voxels that a header names; it must lie in the header's own folder.

    A header from elsewhere could name any file of this machine, and its bytes would be read as voxels.
    Raises BadFile.
    """
    path = header.parent / name
    plain = PLAIN_NAME.fullmatch(name) and name not in (".", "..")
    if not plain or path.resolve().parent != header.parent.resolve():
        raise BadFile(
            who,
            "must name one file of voxels in its own folder",
            got="another place or several files",
            do="Put header and voxels into one folder, or export them as one file.",
        )
    if not path.is_file():
        raise BadFile(
            who, "must have its file of voxels beside it", got="no such file", do="Copy both files into one folder."
        )
    return path


def read_raw(raw: RawVoxels) -> Voxels:
    """(nx, ny, nz) array in the machine's byte order; raises BadFile where the numbers are not all there."""
    try:
        packed = inflated(raw.path, max(raw.begin, 0), raw.size_bytes) if raw.deflated else _plain(raw)
    except (OSError, zlib.error, MemoryError):
        packed = b""
    if len(packed) != raw.size_bytes:
        raise BadFile(
            raw.who,
            "must be a whole image with all the voxels it promises",
            got="a file cut short or damaged",
            do="Export or copy the file again.",
        )
    voxels = np.frombuffer(packed, raw.dtype).reshape(raw.shape, order="F")
    return voxels.astype(raw.dtype.newbyteorder("="), copy=False)


def _plain(raw: RawVoxels) -> bytes:
    held = raw.path.stat().st_size
    begin = held - raw.size_bytes if raw.begin < 0 else raw.begin
    # As much as a whole slice too many means that the sizes are not those of this file.
    plane_bytes = raw.size_bytes // raw.shape[2]
    if begin < 0 or not 0 <= held - begin - raw.size_bytes < plane_bytes:
        return b""
    with raw.path.open("rb") as file:
        file.seek(begin)
        return file.read(raw.size_bytes)


def inflated(path: Path, begin: int, size_bytes: int) -> bytearray:
    """The first bytes that a file's compressed ones, which begin at a place, stand for; fewer where it ends before.

    Raises OSError and zlib.error.
    """
    out, unpack = bytearray(), zlib.decompressobj(EITHER_KIND)
    with path.open("rb") as file:
        file.seek(begin)
        while len(out) < size_bytes:
            waiting = unpack.unconsumed_tail or unpack.unused_data or file.read(CHUNK_BYTES)
            if not waiting:
                break
            if unpack.eof:
                unpack = zlib.decompressobj(EITHER_KIND)
            out += unpack.decompress(waiting, min(size_bytes - len(out), CHUNK_BYTES))
    return out
