"""Plans held against each other."""

from __future__ import annotations

from workbench.rehearsal.asks import Ask

ASKS: dict[str, Ask] = {}
