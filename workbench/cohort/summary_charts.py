"""Charts of the cohort's page: spreads, planned against achieved, surgeons, experience."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from canalwise.estimator.cohort.agreement import Agreement
from canalwise.estimator.cohort.distribution import known_values
from canalwise.estimator.cohort.funnel import TAILS, FunnelPoint, funnel_curve
from canalwise.estimator.cohort.learning_curve import LearningCurve
from canalwise.workbench.style.data_uris import chart_uri, drawing_style
from canalwise.workbench.style.palette import INK, IPSILATERAL, KEPT, QUIET, REMOVED

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.axis import Axis
    from matplotlib.figure import Figure

Numbers = Sequence[float | None]

MOST_BINS = 20


def spread_chart(values: Numbers, words: str) -> str:
    """Histogram of a number over the rows, with the median drawn; an SVG address."""
    known = known_values(values)
    bins = min(MOST_BINS, max(int(np.ceil(np.sqrt(len(known)))), 1))

    def draw(axes: Axes) -> None:
        axes.hist(known, bins=bins, color=KEPT, edgecolor="white", linewidth=0.5)
        axes.axvline(float(np.median(known)), color=INK, linewidth=1.2)
        axes.set_xlabel(words)
        axes.set_ylabel("levels")
        _whole_numbers(axes.yaxis)

    return _chart(draw, (3.1, 1.9))


def agreement_chart(planned: Numbers, achieved: Numbers, found: Agreement, words: str) -> str:
    """Difference against mean of planned and achieved, with the limits of agreement; an SVG address."""
    both = np.array([(p, a) for p, a in zip(planned, achieved, strict=True) if None not in (p, a)], dtype=float)

    def draw(axes: Axes) -> None:
        axes.scatter(both.mean(axis=1), both[:, 1] - both[:, 0], s=14, color=IPSILATERAL, linewidths=0)
        axes.axhline(found.mean, color=INK, linewidth=1.2)
        for end in found.limits:
            axes.axhline(end, color=REMOVED, linewidth=1.0, linestyle="--")
        axes.set_xlabel(f"mean of planned and achieved: {words}")
        axes.set_ylabel("achieved less planned")

    return _chart(draw, (4.6, 2.6))


def funnel_chart(points: Sequence[FunnelPoint], words: str) -> str:
    """Share of each surgeon against number of levels, inside the limits of chance; an SVG address."""
    overall = sum(p.successes for p in points) / sum(p.count for p in points)
    counts = list(range(1, max(p.count for p in points) + 2))

    def draw(axes: Axes) -> None:
        for (name, tail), style in zip(TAILS.items(), (":", "--"), strict=True):
            low, high = funnel_curve(overall, counts, tail)
            axes.plot(counts, low, color=QUIET, linestyle=style, linewidth=0.9, label=f"chance, {name}")
            axes.plot(counts, high, color=QUIET, linestyle=style, linewidth=0.9)
        axes.axhline(overall, color=INK, linewidth=1.0)
        axes.scatter([p.count for p in points], [p.share for p in points], s=26, color=IPSILATERAL, zorder=3)
        for p in points:
            axes.annotate(f"surgeon {p.surgeon}", (p.count, p.share), (4, 4), textcoords="offset points", fontsize=9)
        axes.set_ylim(-0.05, 1.08)
        axes.set_xlabel("levels")
        _whole_numbers(axes.xaxis)
        axes.set_ylabel(words)
        axes.legend(fontsize=9, loc="lower right")

    return _chart(draw, (4.6, 2.8))


def learning_chart(curve: LearningCurve, words: str) -> str:
    """The number in the order of operations with its running median, and the cumulative sum below; an SVG address."""
    with drawing_style():
        figure = _figure((4.6, 3.4))
        above, below = figure.subplots(2, 1, sharex=True, gridspec_kw={"height_ratios": (2, 1)})
        above.scatter(curve.order, curve.values, s=12, color=KEPT, linewidths=0)
        above.plot(curve.order, curve.running_median, color=INK, linewidth=1.3, label="running median")
        above.set_ylabel(words)
        above.legend(fontsize=9)
        below.step(curve.order, curve.cumulative, where="post", color=IPSILATERAL, linewidth=1.0)
        below.axhline(0.0, color=QUIET, linewidth=0.7)
        below.set_ylabel("summed", fontsize=9)
        below.set_xlabel("order of the operation")
        _whole_numbers(below.xaxis)
        return chart_uri(figure)


def _chart(draw: Any, size_in: tuple[float, float]) -> str:
    with drawing_style():
        figure = _figure(size_in)
        draw(figure.add_subplot())
        return chart_uri(figure)


def _figure(size_in: tuple[float, float]) -> Figure:
    from matplotlib.figure import Figure

    return Figure(figsize=size_in, layout="constrained")


def _whole_numbers(axis: Axis) -> None:
    """Ticks of a count."""
    from matplotlib.ticker import MaxNLocator

    axis.set_major_locator(MaxNLocator(integer=True))
