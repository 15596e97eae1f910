"""Names of the sets of points that a task may require; `estimator.level.target_points` says where each lies."""

from __future__ import annotations

from collections.abc import Sequence

from canalwise.recon.errors import WrongUse

FROM_TARGETS = {
    "ipsilateral recess": (False, "lateral recess"),
    "contralateral recess": (True, "lateral recess"),
    "contralateral foramen entrance": (True, "foramen entrance"),
    "contralateral disc border": (True, "disc border"),
    "ipsilateral canal wall": (False, "canal wall"),
    "contralateral canal wall": (True, "canal wall"),
}
"""Name of a set -> is it across the midline, and which of a side's targets it is."""

MIDLINE = ("roof", "cranial flavum insertion", "caudal flavum insertion")
"""Sets that belong to no side; the ligament's span both."""

NAMES = (*FROM_TARGETS, *MIDLINE)
"""Every set a task may be chosen from; together they are what a decompression from one side asks (common practice,
no source). The approach side's own foramen entrance is not among them: it is reached from the other side."""


def chosen(names: Sequence[str]) -> tuple[str, ...]:
    """The requested names, each once, in the order of NAMES; WrongUse for any other.

    >>> chosen(["roof", "ipsilateral recess", "roof"])
    ('ipsilateral recess', 'roof')
    """
    if unknown := [name for name in names if name not in NAMES]:
        raise WrongUse("the task", f"must be chosen from {', '.join(NAMES)}", got=unknown[0])
    return tuple(name for name in NAMES if name in names)


def named(text: str) -> tuple[str, ...]:
    """The names in a list divided by commas, words joined by spaces or by '-'; WrongUse for any other.

    >>> named("ipsilateral-recess, roof")
    ('ipsilateral recess', 'roof')
    """
    return chosen([name.strip().replace("-", " ") for name in text.split(",")])


AT_DISC = ("canal wall", "disc border")
"""Target sets that lie in the disc's mid-plane; the lateral reach is measured on them."""


def of_both_halves(task: Sequence[str]) -> tuple[str, ...]:
    """The task with every set of one half joined by that of the other; WrongUse where the other half has none.

    >>> of_both_halves(["contralateral recess"])
    ('ipsilateral recess', 'contralateral recess')
    """
    which = {FROM_TARGETS[name][1] for name in task if name in FROM_TARGETS}
    names = [name for name, (_, kind) in FROM_TARGETS.items() if kind in which]
    lonely = [name for name in names if (not FROM_TARGETS[name][0], FROM_TARGETS[name][1]) not in FROM_TARGETS.values()]
    if lonely:
        raise WrongUse("the task", "of a comparison must lie on both sides", got=lonely[0])
    return (*names, *(name for name in task if name not in FROM_TARGETS))
