"""Names of labelled structures relative to an approach: upper or lower vertebra, ipsilateral or contralateral."""

from __future__ import annotations

from collections.abc import Mapping

from canalwise.estimator.approach.approach import other_side
from canalwise.recon.anatomy import Level
from canalwise.recon.labels import Part, Side, label_of, sided

OTHER = "other"


def structures_of(level: Level, side: Side) -> dict[str, tuple[int, ...]]:
    """Structure name -> labels, for an approach from `side`.

    The inferior articular processes are the upper vertebra's and the superior ones the
    lower's: together they form this level's joints.
    """
    pairs = {"ipsilateral": side, "contralateral": other_side(side)}
    named: dict[str, tuple[int, ...]] = {}
    for relation, s in pairs.items():
        named[f"upper lamina {relation}"] = (label_of(level.upper, sided("lamina", s)),)
        named[f"lower lamina {relation}"] = (label_of(level.lower, sided("lamina", s)),)
        named[f"inferior articular process {relation}"] = (label_of(level.upper, sided("inferior_articular", s)),)
        named[f"superior articular process {relation}"] = (label_of(level.lower, sided("superior_articular", s)),)
        named[f"pars {relation}"] = tuple(label_of(v, sided("pars", s)) for v in (level.upper, level.lower))
    named["spinous base"] = tuple(label_of(v, Part.SPINOUS_BASE) for v in (level.upper, level.lower))
    named["spinous process"] = tuple(label_of(v, Part.SPINOUS_PROCESS) for v in (level.upper, level.lower))
    return named


def by_structure(level: Level, side: Side, by_label: Mapping[int, float]) -> dict[str, float]:
    """Structure name -> sum of its labels' values; what no structure claims goes to 'other'."""
    named = structures_of(level, side)
    claimed = {label for labels in named.values() for label in labels}
    sums = {name: sum(by_label.get(label, 0.0) for label in labels) for name, labels in named.items()}
    return sums | {OTHER: sum(value for label, value in by_label.items() if label not in claimed)}
