"""The structures a person may replace, by name, and the nearest names to one that is unknown."""

from __future__ import annotations

import difflib
from functools import cache
from itertools import pairwise

from canalwise.recon.errors import WrongUse
from canalwise.recon.intake.label_names import VoxelMeaning, meaning
from canalwise.recon.labels import CANAL_CONTENTS, VERTEBRAE, Part, label_names

NEAREST_NAMES = 4
"""Names that are offered for one that is unknown."""


@cache
def known_structures() -> tuple[str, ...]:
    """Every name `structure_of` knows.

    >>> "canal" in known_structures(), "L3-L4 disc" in known_structures()
    (True, True)
    """
    names = list(VERTEBRAE)
    discs = [f"{upper}-{lower} disc" for upper, lower in pairwise(names)] + ["L5-S1 disc"]
    words = label_names()
    parts = [words[value] for value in words if value >= 100 and value % 100 not in (Part.DISC, Part.UNDIVIDED)]
    return (*(tissue.name.lower() for tissue in CANAL_CONTENTS), *names, *discs, *parts)


def structure_of(name: str) -> VoxelMeaning:
    """What a structure's name means; raises WrongUse with the nearest names there are.

    >>> structure_of("L4 lamina left") == meaning("L4 lamina left")
    True
    >>> structure_of("L4 lamna left")
    Traceback (most recent call last):
    canalwise.recon.errors.WrongUse: --replace must name a structure (got 'L4 lamna left'). Did you mean: L4 lamina \
left, T4 lamina left, L6 lamina left, L5 lamina left?
    """
    known = known_structures()
    if name not in known:
        near = difflib.get_close_matches(name, known, NEAREST_NAMES, cutoff=0.4)
        advice = (
            f"Did you mean: {', '.join(near)}?"
            if near
            else "Name canal, sac, flavum, a vertebra (L4), a part of it (L4 lamina left) or a disc (L3-L4 disc)."
        )
        raise WrongUse("--replace", "must name a structure", got=name, do=advice)
    return meaning(name)
