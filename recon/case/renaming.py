"""Vertebrae of a case named by a person: the same bones under other names."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from canalwise.recon.anatomy import Naming
from canalwise.recon.case.bone_anatomy import BoneAnatomy
from canalwise.recon.errors import WrongUse
from canalwise.recon.labels import VERTEBRAE, Labels, vertebra_number, vertebrae_in
from canalwise.recon.naming.level_names import AGAINST_FRAC, CONTRADICTED, GIVEN, GIVEN_SAID


def renamed(bones: BoneAnatomy, levels: Sequence[str]) -> BoneAnatomy:
    """Bones whose vertebrae, cranial to caudal, have the names given.

    Raises
    ------
    WrongUse : other than one name for each vertebra there is, or names not in order
    """
    there = vertebrae_in(bones.labels)
    if len(levels) != len(there):
        raise WrongUse(
            "--levels",
            f"must name the {len(there)} vertebrae of the case, {', '.join(there)}, anew, cranial to caudal",
            got=",".join(levels),
            do="Look at the case's pictures, or build it again.",
        )
    numbers = [vertebra_number(name) for name in levels]
    if numbers != sorted(set(numbers)):
        raise WrongUse("--levels", "must name different vertebrae from cranial to caudal", got=",".join(levels))
    old = bones.naming
    said = () if old is None else (old.question, f"Levels were counted ({old.because})")
    kept = tuple(text for text in bones.warnings if not any(each and text.startswith(each) for each in said))
    against = _against(old, tuple(levels))
    value = CONTRADICTED.value if against else GIVEN.value
    naming = Naming("given", value, against or GIVEN_SAID, places_ras_mm=() if old is None else old.places_ras_mm)
    return replace(
        bones,
        labels=with_numbers(bones.labels, dict(zip(there, levels, strict=True))),
        naming=naming,
        warnings=(*kept, *([against] if against else [])),
        sources=bones.sources | {"levels": "given"},
    )


def with_numbers(labels: Labels, names: dict[str, str]) -> Labels:
    """(same shape) labels with every vertebra's number exchanged for that of its new name.

    >>> import numpy as np
    >>> with_numbers(np.array([2206, 2306, 9], dtype=np.uint16), {"L3": "L2", "L4": "L3"}).tolist()
    [2106, 2206, 9]
    """
    out = labels.copy()
    for old, new in names.items():
        own = labels // 100 == VERTEBRAE[old]
        out[own] = 100 * VERTEBRAE[new] + labels[own] % 100
    return out


def _against(old: Naming | None, levels: tuple[str, ...]) -> str:
    """A sentence where the counting, sure of itself, hardly knows these names."""
    if old is None or not old.candidates or not old.confirmed:
        return ""
    best = old.candidates[0]
    chance = sum(each.probability for each in old.candidates if each.names == levels)
    if chance >= AGAINST_FRAC or best.names == levels:
        return ""
    return (
        f"The names given contradict the scan, which shows {', '.join(best.names)} with probability "
        f"{best.probability:.2f}. Check the count."
    )
