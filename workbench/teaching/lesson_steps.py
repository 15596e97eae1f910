"""A lesson as data: its steps, their texts, and the questions they put."""

from __future__ import annotations

from dataclasses import dataclass

from canalwise.estimator.approach.approach import PHASE_RELATION

TEXTS = ("aim", "look", "remove", "danger")
"""A step's texts, in the order they are read."""


CAMERAS = ("scope", "bench", "axial", "radiograph")
"""Pictures a step may speak of."""


PHASES = tuple(PHASE_RELATION)
"""Phases a step may speak of."""


@dataclass(frozen=True)
class StepQuestion:
    """A step's question: its kind, and its subject where the kind has several."""

    kind: str
    of: str = ""


@dataclass(frozen=True)
class LessonStep:
    """One step of the manoeuvre; what `camera`, `phase` and `depth_mm` show is what its texts speak of.

    `explore` names a task of `workbench.teaching.explorations`, "" for none.
    """

    title: str
    aim: str
    look: str = ""
    remove: str = ""
    danger: str = ""
    camera: str = CAMERAS[0]
    phase: str = PHASES[0]
    depth_mm: float = 0.0
    question: StepQuestion | None = None
    explore: str = ""


@dataclass(frozen=True)
class Lesson:
    """A lesson as it is written, its placeholders not yet filled in."""

    title: str
    intro: str
    steps: tuple[LessonStep, ...] = ()
    blind: bool = False
