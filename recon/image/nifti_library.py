"""nibabel, without the DICOM library that it would load for a kind of header extension that is never looked at here.

That library and its decoders take 33 MB and half a second; a server or verb that opens a case needs none of it.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def without(name: str) -> Iterator[None]:
    """Within it a library that is not loaded yet cannot be: who would use it only where it is there, does without.

    >>> with without("this"):
    ...     import this
    Traceback (most recent call last):
    ModuleNotFoundError: import of this halted; None in sys.modules
    """
    if name in sys.modules:
        yield
        return
    sys.modules[name] = None  # type: ignore[assignment]
    try:
        yield
    finally:
        del sys.modules[name]


with without("pydicom"):
    import nibabel as nib
    from nibabel import arrayproxy, filebasedimages, imageglobals, orientations, spatialimages

__all__ = ["arrayproxy", "filebasedimages", "imageglobals", "nib", "orientations", "spatialimages"]
