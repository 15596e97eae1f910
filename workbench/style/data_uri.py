"""Bytes as an address that holds them."""

from __future__ import annotations

import base64


def data_uri(content: bytes, media_type: str) -> str:
    """The bytes as an address that needs no other file.

    >>> data_uri(b"abc", "text/plain")
    'data:text/plain;base64,YWJj'
    """
    return f"data:{media_type};base64,{base64.b64encode(content).decode('ascii')}"
