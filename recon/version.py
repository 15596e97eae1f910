"""Which version of canalwise this is."""

from __future__ import annotations

from importlib.metadata import PackageNotFoundError, version

try:
    VERSION = version("canalwise")
except PackageNotFoundError:
    # A checkout that is not installed.
    VERSION = "0+unknown"
