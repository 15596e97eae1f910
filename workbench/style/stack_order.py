"""How structures that lose bone are put together in a chart's stack."""

from __future__ import annotations

STACK = {
    "laminae, ipsilateral": ("upper lamina ipsilateral", "lower lamina ipsilateral"),
    "joint processes, ipsilateral": (
        "inferior articular process ipsilateral", "superior articular process ipsilateral", "pars ipsilateral"
    ),
    "spinous base and process": ("spinous base", "spinous process"),
    "laminae, contralateral": ("upper lamina contralateral", "lower lamina contralateral"),
    "joint processes, contralateral": (
        "inferior articular process contralateral", "superior articular process contralateral", "pars contralateral"
    ),
    "other": ("other",),
}  # fmt: skip
"""Structures drawn as one layer; a pars goes with its processes."""

LEAST_STACKED_MM3 = 5.0
"""A group of structures that never loses more is left out of the stack's key."""
