"""Charts about a plan: another tilt, another skin entry, another instrument."""

from __future__ import annotations

from workbench.rehearsal.asks import Ask

ASKS: dict[str, Ask] = {}
