"""Which version of canalwise this is.

It stands in the code, not in the metadata of an installation: those are absent from a bare checkout and may come and go
while processes of one run start, and records that hold the version would differ with them.
"""

from __future__ import annotations

VERSION = "0.1.0"
"""As in pyproject.toml."""
