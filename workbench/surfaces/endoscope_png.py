"""The picture of the endoscope's view that a page sends: taken for what it shows, never for what else it may hold."""

from __future__ import annotations

import base64
import binascii
import io
import struct
import zlib

from PIL import Image

from canalwise.recon.errors import WrongUse

PREFIX, MAGIC = "data:image/png;base64,", b"\x89PNG\r\n\x1a\n"

URL_CHARACTERS = 1_500_000
"""The longest address taken: a view of about 1000 by 1000 pixels."""

SIDE_PIXELS = 2048
"""The widest and highest picture taken, read from its header before any of it is unpacked."""

BROKEN = (OSError, SyntaxError, ValueError, struct.error, zlib.error)
"""What the decoder raises for a picture that is not whole."""


def png_pixels(url: str) -> bytes:
    """A PNG made anew from the pixels of a data URL, b"" for an empty one; raises WrongUse for anything else.

    >>> png_pixels("")
    b''
    """
    if not url:
        return b""
    if not url.startswith(PREFIX) or len(url) > URL_CHARACTERS:
        raise _refused(f"must be a PNG data URL of at most {URL_CHARACTERS} characters")
    try:
        content = base64.b64decode(url[len(PREFIX) :].encode("ascii"), validate=True)
    except (binascii.Error, UnicodeEncodeError):
        raise _refused("must be base64") from None
    _check_header(content)
    try:
        with Image.open(io.BytesIO(content), formats=("PNG",)) as picture:
            return _encoded(picture.convert("RGB"))
    except BROKEN:
        raise _refused("must be a whole PNG") from None


def _check_header(content: bytes) -> None:
    """Signature, then the first chunk: its length and name, width and height."""
    if len(content) < 33 or not content.startswith(MAGIC) or content[12:16] != b"IHDR":
        raise _refused("must be a PNG")
    width, height = struct.unpack(">II", content[16:24])
    if not (0 < width <= SIDE_PIXELS and 0 < height <= SIDE_PIXELS):
        raise _refused(f"must be at most {SIDE_PIXELS} pixels wide and high")


def _encoded(picture: Image.Image) -> bytes:
    # pasted into a new picture: what the decoder kept beside the pixels stays behind
    bare = Image.new("RGB", picture.size)
    bare.paste(picture)
    buffer = io.BytesIO()
    bare.save(buffer, format="png")
    return buffer.getvalue()


def _refused(rule: str) -> WrongUse:
    return WrongUse("the picture of the endoscope's view", rule)
