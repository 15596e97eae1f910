"""One set of colours for every picture, distinct for colour-blind readers and in grey print.

The hues are those of Okabe and Ito (Color Universal Design, 2008; values from memory), named after what they mean here.
Red against green is never used to say bad against good; a breached limit is said in words and by a heavy outline.
"""

from __future__ import annotations

INK = "#1f2933"
QUIET = "#6b7680"
RULE = "#d5dade"
PAPER = "#ffffff"

BONE = "#8c6d3f"
PALE_BONE = "#f3ead6"
REMOVED = "#d55e00"
SAC = "#56b4e9"
CANAL = "#f0e442"
IPSILATERAL = "#0072b2"
OVER_THE_TOP = "#cc79a7"
KEPT = "#7f93a6"
LIMIT = "#1f2933"

FEASIBLE = "#e6ecf1"

OUTSIDE_HU = -1000.0
"""Value drawn beyond a scan in a slice: air."""

STRUCTURES = ("#0072b2", "#56b4e9", "#f0e442", "#e69f00", "#d55e00", "#9aa5ae")
"""Layers of a stack, from the side of the approach across; neighbours differ in lightness too."""

PHASES = {"blue": IPSILATERAL, "purple": OVER_THE_TOP, "green": "#009e73", "amber": "#e69f00"}
"""Colours of the phases, in their order, by the word for them."""

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


def phase_colour(index: int) -> str:
    """The colour of the phase at that place in the approach.

    >>> phase_colour(0) == IPSILATERAL
    True
    """
    return list(PHASES.values())[index % len(PHASES)]


def phase_colour_word(index: int) -> str:
    """The word for that colour.

    >>> phase_colour_word(1)
    'purple'
    """
    return list(PHASES)[index % len(PHASES)]


def rgb_frac(colour: str) -> tuple[float, float, float]:
    """Red, green and blue, 0..1, of a '#rrggbb' colour.

    >>> rgb_frac("#ff0000")
    (1.0, 0.0, 0.0)
    """
    red, green, blue = (int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5))
    return red, green, blue
