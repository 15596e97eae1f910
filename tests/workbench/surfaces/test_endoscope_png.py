"""The picture a page sends: its pixels pass, and nothing else does."""

from __future__ import annotations

import base64
import io
import struct
import zlib

import numpy as np
import pytest
from PIL import Image
from PIL.PngImagePlugin import PngInfo

from canalwise.recon.errors import WrongUse
from canalwise.workbench.surfaces.endoscope_png import MAGIC, SIDE_PIXELS, URL_CHARACTERS, png_pixels

SECRET = "named to nobody"


def url_of(content):
    return "data:image/png;base64," + base64.b64encode(content).decode()


def saved(picture, form="png", **how):
    buffer = io.BytesIO()
    picture.save(buffer, form, **how)
    return buffer.getvalue()


def chunk(name, data):
    return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))


PICTURE = Image.fromarray(np.arange(7 * 5 * 3, dtype=np.uint8).reshape(7, 5, 3))


def test_pixels_pass_and_what_is_beside_them_does_not():
    words = PngInfo()
    words.add_text("Comment", SECRET)
    words.add_itxt("XML:com.adobe.xmp", f"<x>{SECRET}</x>")
    given = saved(PICTURE, pnginfo=words, icc_profile=SECRET.encode() * 9, exif=b"Exif\0\0" + SECRET.encode())
    given += b"<script>alert(1)</script>"
    made = png_pixels(url_of(given))
    with Image.open(io.BytesIO(made)) as read:
        assert np.array_equal(np.asarray(read), np.asarray(PICTURE))
        assert read.info == {}
    for piece in (SECRET.encode(), b"script", b"iCCP", b"eXIf", b"tEXt", b"iTXt"):
        assert piece not in made


def test_see_through_pictures_and_others_become_plain_colour():
    for mode in ("RGBA", "LA", "L", "P", "1", "I;16"):
        with Image.open(io.BytesIO(png_pixels(url_of(saved(Image.new(mode, (4, 3))))))) as read:
            assert (read.mode, read.size) == ("RGB", (4, 3))


def test_none_is_none():
    assert png_pixels("") == b""


def huge():
    """A small file that says it is a very large picture."""
    header = struct.pack(">IIBBBBB", SIDE_PIXELS + 1, 10, 8, 2, 0, 0, 0)
    return MAGIC + chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(b"")) + chunk(b"IEND", b"")


WRONG = {
    "another scheme": "https://example.org/a.png",
    "another kind": "data:image/svg+xml;base64,PHN2Zy8+",
    "not base64": "data:image/png;base64,!!!!",
    "not ASCII": "data:image/png;base64,\u00e4\u00f6",
    "nothing in it": "data:image/png;base64,",
    "a JPEG": url_of(saved(PICTURE, "jpeg")),
    "cut short": url_of(saved(Image.effect_noise((64, 64), 50))[:900]),
    "header only": url_of(MAGIC + b"\0" * 25),
    "larger than it may be": url_of(huge()),
    "no width": url_of(MAGIC + chunk(b"IHDR", struct.pack(">IIBBBBB", 0, 10, 8, 2, 0, 0, 0)) + b"\0" * 8),
    "a broken checksum": url_of(saved(PICTURE)[:30] + b"\xff" + saved(PICTURE)[31:]),
    "too long": "data:image/png;base64," + "A" * URL_CHARACTERS,
    "a path": "/etc/passwd",
}


@pytest.mark.parametrize("url", WRONG.values(), ids=WRONG)
def test_anything_else_is_refused(url):
    with pytest.raises(WrongUse, match="the picture of the endoscope's view"):
        png_pixels(url)


def test_any_damage_is_refused_or_harmless(rng):
    """Random bytes changed anywhere: a picture of the same size comes out, or a refusal, never anything else."""
    given = saved(Image.effect_noise((24, 24), 80).convert("RGB"))
    refused = 0
    for _ in range(300):
        bent = bytearray(given)
        for place in rng.integers(0, len(bent), 3):
            bent[place] = rng.integers(0, 256)
        try:
            with Image.open(io.BytesIO(png_pixels(url_of(bytes(bent))))) as read:
                assert read.size == (24, 24)
        except WrongUse:
            refused += 1
    assert refused > 100
