"""Makes a triangle mesh lighter in a process of its own.

The library that does it keeps what it worked with for as long as its process lives, 28 MB for a level; a server that
runs for hours would rather not. Run as a script: a mesh comes in and goes out through the standard streams.
"""

from __future__ import annotations

import struct
import subprocess
import sys

import numpy as np
import numpy.typing as npt

Points = npt.NDArray[np.float32]
Numbers = npt.NDArray[np.uint32]

COUNTS = struct.Struct("<II")


def decimated_mesh(points: Points, triangles: Numbers, wanted: int) -> tuple[Points, Numbers]:
    """(N, 3) points and (M, 3) triangles of a mesh of about so many triangles; the mesh itself where it has no more.

    >>> square = np.array([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]], np.float32)
    >>> len(decimated_mesh(square, np.array([[0, 1, 2], [0, 2, 3]], np.uint32), 2)[1])
    2
    """
    if len(triangles) <= wanted:
        return points, triangles
    # -P: the folder of this file holds names of its own that must not stand for the standard library's
    command = [sys.executable, "-P", __file__, repr(1 - wanted / len(triangles))]
    done = subprocess.run(command, input=packed(points, triangles), stdout=subprocess.PIPE, check=True)
    return unpacked(done.stdout)


def packed(points: Points, triangles: Numbers) -> bytes:
    """A mesh as bytes; `unpacked` reads them.

    >>> len(packed(np.zeros((3, 3), np.float32), np.array([[0, 1, 2]], np.uint32))) == COUNTS.size + 36 + 12
    True
    """
    return COUNTS.pack(len(points), len(triangles)) + points.tobytes() + triangles.tobytes()


def unpacked(data: bytes) -> tuple[Points, Numbers]:
    """The mesh that `packed` wrote.

    >>> points, triangles = unpacked(packed(np.eye(3, dtype=np.float32), np.array([[0, 1, 2]], np.uint32)))
    >>> points.shape, triangles.tolist()
    ((3, 3), [[0, 1, 2]])
    """
    count, faces = COUNTS.unpack_from(data)
    points = np.frombuffer(data, np.float32, 3 * count, COUNTS.size)
    triangles = np.frombuffer(data, np.uint32, 3 * faces, COUNTS.size + points.nbytes)
    return points.reshape(-1, 3), triangles.reshape(-1, 3)


def whole(data: bytes) -> bool:
    """Are these all the bytes that `packed` wrote?

    >>> data = packed(np.eye(3, dtype=np.float32), np.array([[0, 1, 2]], np.uint32))
    >>> whole(data), whole(data[:-1]), whole(b"")
    (True, False, False)
    """
    if len(data) < COUNTS.size:
        return False
    count, faces = COUNTS.unpack_from(data)
    return len(data) == COUNTS.size + 3 * np.dtype(np.float32).itemsize * (count + faces)


def _answer() -> None:
    import fast_simplification

    data = sys.stdin.buffer.read()
    if not whole(data):
        sys.exit(1)  # whoever sent it has ended midway, and nobody is left to hear why
    points, triangles = unpacked(data)
    fewer, faces = fast_simplification.simplify(points, triangles.astype(np.int32), float(sys.argv[1]))
    sys.stdout.buffer.write(packed(fewer.astype(np.float32), faces.astype(np.uint32)))


if __name__ == "__main__":
    _answer()
