"""Measurements outside their plausible range: a hint at a wrong border, not at a disease.

The ranges stand in `recon.measurement.kinds`, with their sources.
"""

from __future__ import annotations

from collections.abc import Sequence

from canalwise.recon.anatomy import Measurement
from canalwise.recon.measurement.kinds import KINDS, PlausibleRange

RANGES: tuple[PlausibleRange, ...] = tuple(kind.plausible for kind in KINDS.values() if kind.plausible is not None)
"""Every range; quantities without one are not judged."""

_BY_QUANTITY = {(kind.quantity, kind.unit): kind.plausible for kind in KINDS.values() if kind.plausible is not None}


def implausible(measurements: Sequence[Measurement]) -> tuple[int, tuple[str, ...]]:
    """(how many measurements have a range, a phrase for each that lies outside its own).

    >>> implausible([Measurement("lamina thickness", 13.0, "mm", "left lamina of L3", "mid-lamina")])
    (1, ('lamina thickness of left lamina of L3 is 13.0 mm, outside 2 to 10 mm',))
    """
    judged = [(m, _BY_QUANTITY[m.name, m.unit]) for m in measurements if (m.name, m.unit) in _BY_QUANTITY]
    return len(judged), tuple(
        f"{m.name} of {m.structure} is {m.value:.1f} {m.unit}, outside {limits.low:g} to {limits.high:g} {m.unit}"
        for m, limits in judged
        if not limits.low <= m.value <= limits.high
    )
