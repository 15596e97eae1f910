"""A picture of the report as a value."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class ReportPicture:
    """One picture of the page: its address and what it shows, in words."""

    uri: str
    caption: str
