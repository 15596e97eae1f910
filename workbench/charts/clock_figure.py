"""The first view down the channel as a clock: where each landmark lies, for want of a picture of it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from canalwise.estimator.planning.clock_positions import clock_hour
from canalwise.recon.grid import Float
from canalwise.recon.labels import Side
from canalwise.workbench.style.palette import INK, QUIET
from canalwise.workbench.style.phrases import clock_words

DIRECTIONS = {"cranial": (0.0, 0.0, 1.0), "caudal": (0.0, 0.0, -1.0), "patient's LEFT": (1.0, 0.0, 0.0),
        "patient's RIGHT": (-1.0, 0.0, 0.0)}  # fmt: skip
"""Directions in the level frame that are written round the clock."""

MARK_RADIUS, WORD_RADIUS = 0.56, 0.83
"""Where landmarks and directions stand, as shares of the clock's radius; the hours stand on its rim."""


def clock_figure(hours: Mapping[str, float], side: Side, tilts_deg: tuple[float, float]) -> Figure:
    """The clock with landmarks at their hours, one at hour 0 in the middle; call inside `drawing_style`."""
    figure = Figure(figsize=(3.6, 3.6))
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    turn = np.linspace(0, 2 * np.pi, 181)
    axes.fill(np.cos(turn), np.sin(turn), facecolor="#f5f6f4", edgecolor=INK, linewidth=1.4)
    for whole in range(1, 13):
        x, y = _at(whole, 1.1)
        axes.text(x, y, str(whole), ha="center", va="center", fontsize=13, color=QUIET)
    for name, direction in DIRECTIONS.items():
        hour = clock_hour(side, tilts_deg, np.array(direction))
        _write(axes, name, hour, WORD_RADIUS, color=QUIET, rotation=-30 * round(hour) if round(hour) % 6 else 0)
    for name, hour in hours.items():
        if hour:
            axes.plot(*zip(_at(hour, 0.06), _at(hour, 0.36), strict=True), color=QUIET, linewidth=1.0)
            reported = f"{name.replace(' ', chr(10))}\n{clock_words(hour)}"
            _write(axes, reported, hour, MARK_RADIUS, color=INK, fontweight="bold")
        else:
            axes.plot(0, 0, marker="+", markersize=9, color=INK)
            axes.text(0, 0.24, name, ha="center", color=INK, fontsize=12)
    axes.set(xlim=(-1.22, 1.22), ylim=(-1.22, 1.22), aspect="equal")
    axes.set_axis_off()
    return figure


def _at(hour: float, radius: float) -> Float:
    turn = np.radians(30 * hour)
    return radius * np.array([np.sin(turn), np.cos(turn)])


def _write(axes: Axes, words: str, hour: float, radius: float, **how: Any) -> None:
    x, y = _at(hour, radius)
    axes.text(x, y, words, ha="center", va="center", fontsize=12, linespacing=1.0, **how)
