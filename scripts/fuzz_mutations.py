"""Ways to spoil a file: bytes, numbers in a text, fields of a binary header, elements of a DICOM file, values of JSON.

Every function takes a `random.Random` and gives spoilt bytes; the same state gives the same bytes.
"""

from __future__ import annotations

import copy
import io
import json
import re
import struct
import warnings
from collections.abc import Callable
from random import Random
from typing import Any

import pydicom

NUMBER = re.compile(rb"[-+]?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?")

NUMBERS = (
    b"0",
    b"-1",
    b"-0.0",
    b"1e300",
    b"-1e300",
    b"1e38",
    b"1e9",
    b"nan",
    b"inf",
    b"-inf",
    b"2147483648",
    b"65536",
    b"-32769",
    b"0.0000001",
    b"9" * 30,
    b"9" * 5000,
    b"1e-300",
    b"",
    b"0x10",
    b"3.5",
    b"true",
    b"'text'",
)
"""Numbers that are absurd, at the end of a type, or none at all."""

JSON_VALUES: tuple[Any, ...] = (
    None,
    True,
    -1,
    0,
    1e300,
    -1e9,
    1e38,
    "",
    "x",
    "L3-L4",
    "\u0000",
    "CON",
    "../../x",
    [],
    {},
    [[]],
    [1, 2],
    [1, 2, 3, 4],
    "9" * 400,
    2**70,
    -0.0,
    0.1,
    "\ud800",
)

NIFTI_FIELDS = (
    *((40 + 2 * k, "<h") for k in range(8)),
    (70, "<h"),
    (72, "<h"),
    *((76 + 4 * k, "<f") for k in range(8)),
    (108, "<f"),
    (112, "<f"),
    (116, "<f"),
    (123, "<B"),
    (252, "<h"),
    (254, "<h"),
    *((256 + 4 * k, "<f") for k in range(6)),
    *((280 + 4 * k, "<f") for k in range(12)),
    (344, "<I"),
    (0, "<i"),
)
"""Offset and type of the fields that place and scale a NIfTI-1 volume (nifti1.h)."""

FLOATS = (0.0, -1.0, 1e-30, 1e38, -3e38, float("nan"), float("inf"), 0.5, 1e6, -0.0, 2.0, 16777217.0)
WHOLE = (0, 1, -1, 2, 3, 4, 7, 8, 16, 64, 128, 255, 256, 512, 1024, 32767, -32768)

DICOM_VALUES: tuple[Any, ...] = (
    "",
    "0",
    "-1",
    "1e38",
    "nan",
    "99999",
    "\\",
    "1\\2",
    "1\\0\\0\\0\\1\\0",
    "0\\0\\0",
    "1e300\\0\\0",
    "x",
    "0.7",
    "CT",
    "MR",
    "1.2.3",
)


def spoilt_bytes(content: bytes, rng: Random, header: int = 0) -> bytes:
    """A few bytes changed, cut, doubled or put in; most often among the first `header` ones."""
    out = bytearray(content)
    for _ in range(rng.choice((1, 1, 2, 4))):
        end = header if header and rng.random() < 0.7 else len(out)
        at, length = rng.randrange(max(min(end, len(out)), 1)), rng.choice((1, 1, 2, 4, 16, 200))
        kind = rng.randrange(7)
        if kind == 0:
            out[at : at + 1] = bytes([rng.randrange(256)])
        elif kind == 1:
            out[at : at + length] = bytes([rng.choice((0, 255, 32, 10))]) * length
        elif kind == 2:
            del out[at : at + length]
        elif kind == 3:
            out[at:at] = out[at : at + length]
        elif kind == 4:
            out[at:at] = rng.randbytes(length)
        elif kind == 5:
            del out[rng.randrange(len(out) + 1) :]
        elif out:
            out[at % len(out)] ^= 1 << rng.randrange(8)
    return bytes(out)


def spoilt_text(content: bytes, rng: Random) -> bytes:
    """A text with a number, line, word or encoding spoilt, or nested without end."""
    kind = rng.randrange(9)
    lines = content.split(b"\n")
    at = rng.randrange(len(lines))
    if kind <= 2:
        return _number_changed(content, rng)
    if kind == 3:
        del lines[at]
    elif kind == 4:
        lines.insert(at, lines[rng.randrange(len(lines))])
    elif kind == 5:
        lines[at] += rng.choice((b" # R\xfccken", b" \x00", b" = [" + b"[" * 3000, b" '''", b"x" * 20000, b"\xff\xfe"))
    elif kind == 6:
        name, mark, _ = lines[at].partition(b"=" if b"=" in lines[at] else b":")
        lines[at] = name + mark + b" " + rng.choice((*NUMBERS, b"[1, 2]", b"{}", b"[" * 5000, b'"L9"', b"(1,0,0)"))
    elif kind == 7:
        lines[at] = b".".join([b"a"] * 2000) + b" = 1"
    else:
        return spoilt_bytes(content, rng)
    return b"\n".join(lines)


def _number_changed(content: bytes, rng: Random) -> bytes:
    found = list(NUMBER.finditer(content))
    if not found:
        return spoilt_bytes(content, rng)
    one = rng.choice(found)
    return content[: one.start()] + rng.choice(NUMBERS) + content[one.end() :]


def spoilt_header(content: bytes, rng: Random, end: bytes) -> bytes:
    """A file whose text header, up to and with `end`, is spoilt, its binary rest left as it is."""
    cut = content.index(end) + len(end)
    return spoilt_text(content[: cut - len(end)], rng) + end + content[cut:]


def spoilt_nifti(content: bytes, rng: Random) -> bytes:
    """An uncompressed NIfTI-1 file with some fields of its header set to something else."""
    if rng.random() < 0.3:
        return spoilt_bytes(content, rng, header=352)
    out = bytearray(content)
    for _ in range(rng.choice((1, 1, 2, 3))):
        offset, kind = rng.choice(NIFTI_FIELDS)
        value: float = rng.choice(FLOATS) if kind == "<f" else rng.choice(WHOLE)
        if kind in ("<B", "<I"):
            value = int(value) & 255
        struct.pack_into(kind, out, offset, value)
    return bytes(out)


def spoilt_dicom(content: bytes, rng: Random) -> bytes:
    """A DICOM file with an element changed or left out, or with its bytes spoilt."""
    if rng.random() < 0.4:
        return spoilt_bytes(content, rng, header=1200)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        dataset = pydicom.dcmread(io.BytesIO(content))
        for _ in range(rng.choice((1, 1, 2))):
            element = rng.choice([e for e in dataset if e.keyword != "PixelData"])
            try:
                if rng.random() < 0.4:
                    del dataset[element.tag]
                elif element.VR in ("US", "SS", "UL"):
                    dataset[element.tag].value = rng.choice((0, 1, 2, 8, 12, 15, 16, 32, 4096, 65535))
                else:
                    dataset[element.tag].value = rng.choice(DICOM_VALUES)
            except (ValueError, TypeError, OverflowError):
                continue
        out = io.BytesIO()
        try:
            dataset.save_as(out)
        except Exception:
            return spoilt_bytes(content, rng, header=1200)
    return out.getvalue()


def spoilt_json(data: Any, rng: Random) -> str:
    """A JSON message with a value, a key or its text spoilt."""
    data = copy.deepcopy(data)
    for _ in range(rng.choice((1, 1, 2))):
        holder, key = rng.choice(list(_places(data)))
        if isinstance(holder, dict) and rng.random() < 0.2:
            holder.pop(key, None)
        elif isinstance(holder, dict) and rng.random() < 0.1:
            holder["more"] = rng.choice(JSON_VALUES)
        else:
            holder[key] = rng.choice(JSON_VALUES)
        if not list(_places(data)):
            break
    text = json.dumps(data)
    if rng.random() < 0.15:
        return spoilt_text(text.encode(), rng).decode("utf-8", "replace")
    return text


def _places(data: Any) -> list[tuple[Any, Any]]:
    keys: list[Any] = list(data) if isinstance(data, dict) else list(range(len(data))) if isinstance(data, list) else []
    found = [(data, key) for key in keys]
    return found + [place for key in keys for place in _places(data[key])]


Spoiler = Callable[[bytes, Random], bytes]
