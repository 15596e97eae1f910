"""How well a threshold, bound or range is supported: the one classification used in the whole project."""

from __future__ import annotations

from typing import Literal

EvidenceClass = Literal["READ", "CALC", "MEM", "PRACTICE"]
"""READ: seen in an abstract, standard or package; CALC: computed from stated inputs; MEM: from memory; PRACTICE: common
practice or a choice, no source."""
