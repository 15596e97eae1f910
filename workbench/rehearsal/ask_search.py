"""Searches for better plans, and for the best plan of each way in."""

from __future__ import annotations

from workbench.rehearsal.asks import Ask

ASKS: dict[str, Ask] = {}
