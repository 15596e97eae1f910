"""Lessons, their questions, and the assessment of a plan made blind."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "assessment": ["BUDGET", "assessment_of", "best_of", "found_plan"],
        "lesson": ["built_in_lessons"],
        "lesson_steps": ["Lesson"],
    },
)
