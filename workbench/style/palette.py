"""One set of colours for every picture: each stands for one thing, on the page, in charts, report, sheet and exports.

`HUES` is the one table. Every hue has two forms: `paint` for surfaces, scans and dark backgrounds, `line` for lines
and bars on a light one. Which hues are too alike, for readers who see two kinds of colour too, and how they stand out
from their background, `tests/workbench/style/test_palette.py` works out. A scale of one quantity is a scale of one
hue. Red against green is never used to say bad against good; a breached limit is said in words and by a heavy
outline. The page's copies of the table are made by `scripts/page_phrases.py`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType


@dataclass(frozen=True)
class Hue:
    """A colour that stands for one thing.

    Parameters
    ----------
    meaning : what it stands for
    word : what people call the colour
    paint, line : '#rrggbb' on a dark and on a light background
    """

    meaning: str
    word: str
    paint: str
    line: str


HUES: Mapping[str, Hue] = MappingProxyType(
    {
        "bone": Hue("bone", "ivory", "#f3ead6", "#8c6d3f"),
        "removed": Hue("bone to be removed", "orange", "#e8641c", "#b83c00"),
        "sac": Hue("dural sac", "blue", "#4f9bff", "#2c86dd"),
        "ligament": Hue("ligamentum flavum", "yellow", "#f0e442", "#a08a00"),
        "canal": Hue("canal", "turquoise", "#6fe8d6", "#00958c"),
        "disc": Hue("disc", "grey", "#8b8fa3", "#4c5064"),
        "joint": Hue("facet joint", "green", "#2fae5f", "#14602c"),
        "near": Hue("near side, ipsilateral phase", "violet", "#b79bff", "#5a2fb0"),
        "far": Hue("far side, over the top", "pink", "#ff7fb5", "#b0206a"),
        "mark": Hue("marks and guide lines", "white", "#ffffff", "#101418"),
    }
)

INK = "#1f2933"
QUIET = "#6b7680"
RULE = "#d5dade"
PAPER = "#ffffff"

BONE, PALE_BONE = HUES["bone"].line, HUES["bone"].paint
REMOVED = HUES["removed"].paint
SAC = HUES["sac"].paint
CANAL = HUES["canal"].paint
LIGAMENT = HUES["ligament"].paint
DISC = HUES["disc"].paint
MARK, MARK_RIM = HUES["mark"].paint, HUES["mark"].line
IPSILATERAL = HUES["near"].line
OVER_THE_TOP = HUES["far"].line
KEPT = "#7f93a6"
LIMIT = "#1f2933"

FEASIBLE = "#e6ecf1"

OUTSIDE_HU = -1000.0
"""Value drawn beyond a scan in a slice: air."""

STRUCTURES = ("#5a2fb0", "#b79bff", "#8c6d3f", "#ff9cc6", "#b0206a", "#9aa5ae")
"""Layers of a stack from the side of the approach across, near, middle and far; neighbours differ in lightness."""

BONE_SHADES = ("#fde6d5", "#f9c39d", "#ee9660", "#cc6c2f", "#974719", "#5c2a0c")
"""From the least to the most bone to be removed, told apart in grey print too."""

KEPT_SHADES = ("#e3f2e7", "#aedcbb", "#73bf8b", "#3d9460", "#14602c")
"""From the least to the most of a facet joint that stays."""

FURTHER_PHASES = ("#c8d94a", "#f7b7a3")
"""Of phases beyond the second, should a plan have them."""

PHASES = {
    HUES["near"].word: HUES["near"].paint,
    HUES["far"].word: HUES["far"].paint,
    **dict(zip(("lime", "salmon"), FURTHER_PHASES, strict=True)),
}
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

    >>> phase_colour(0) == HUES["near"].paint
    True
    """
    return list(PHASES.values())[index % len(PHASES)]


def phase_colour_word(index: int) -> str:
    """The word for that colour.

    >>> phase_colour_word(1)
    'pink'
    """
    return list(PHASES)[index % len(PHASES)]


def rgb_frac(colour: str) -> tuple[float, float, float]:
    """Red, green and blue, 0..1, of a '#rrggbb' colour.

    >>> rgb_frac("#ff0000")
    (1.0, 0.0, 0.0)
    """
    red, green, blue = (int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5))
    return red, green, blue
