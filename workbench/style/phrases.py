"""Numbers turned into the words and figures of the report, in one place."""

from __future__ import annotations

from collections.abc import Sequence

from canalwise.estimator.approach.approach import Phase

MINUS = "\u2212"
EN_DASH = "\u2013"
LEAST_SHIFT_MM = 0.5
"""A smaller offset is not worth a word."""
UNITS = {"mm2": "mm\u00b2", "mm3": "mm\u00b3", "deg": "\u00b0"}
"""Units as people write them."""
EVIDENCE = {"READ": "published", "CALC": "computed", "MEM": "assumption", "PRACTICE": "common practice"}
"""Evidence classes (`recon.evidence`) as people read them."""


def number(value: float | None, digits: int = 1) -> str:
    """A number for people: fixed digits, a true minus, 'not known' for none or not-a-number.

    >>> number(1234.56), number(-0.04), number(None)
    ('1234.6', '0.0', 'not known')
    """
    if value is None or value != value:
        return "not known"
    text = f"{value:.{digits}f}"
    return text.lstrip("-") if float(text) == 0 else text.replace("-", MINUS)


def amount(value: float | None, unit: str, digits: int = 1) -> str:
    """A number with its unit as people write it; 'not known' stands without one.

    >>> amount(91.94, "mm2"), amount(35.0, "deg", 0), amount(None, "mm")
    ('91.9 mm\u00b2', '35\u00b0', 'not known')
    """
    if value is None or value != value:
        return number(None)
    if unit == "fraction":
        return percent(value)
    written = UNITS.get(unit, unit)
    return f"{number(value, digits)}{'' if written == UNITS['deg'] else ' '}{written}".rstrip()


def percent(frac: float | None) -> str:
    """A fraction as whole percent.

    >>> percent(0.876), percent(-0.001)
    ('88 %', '0 %')
    """
    return "not known" if frac is None or frac != frac else f"{number(100 * frac, 0)} %"


def interval(ends: Sequence[float] | None, digits: int = 0, scale: float = 1.0) -> str:
    """The ends of a 95 % interval, or nothing when there is none.

    >>> interval([0.81, 0.93], scale=100)
    '81\u201393'
    """
    if not ends or any(end is None or end != end for end in ends):
        return ""
    low, high = (number(scale * end, digits) for end in ends)
    return f"{low}{EN_DASH}{high}"


def with_interval(reported: str, ends: Sequence[float] | None, digits: int = 0, scale: float = 1.0) -> str:
    """A value already in words, with its 95 % interval in brackets where there is one.

    >>> with_interval("87 %", [0.81, 0.93], scale=100), with_interval("8.7 mm", None)
    ('87 % (81\u201393)', '8.7 mm')
    """
    between = interval(ends, digits, scale)
    return f"{reported} ({between})" if between else reported


def lateral_words(lateral_mm: float, side: str) -> str:
    """Where a point lies beside the midline; `lateral_mm` counts toward `side`.

    >>> lateral_words(12.0, "left"), lateral_words(-3.0, "left")
    ('12 mm left of the midline', '3 mm right of the midline')
    """
    other = "right" if side == "left" else "left"
    return f"{abs(lateral_mm):.0f} mm {side if lateral_mm >= 0 else other} of the midline"


def cranial_words(cranial_mm: float, landmark: str) -> str:
    """How far above or below a landmark.

    >>> cranial_words(-4.2, "the disc's mid-plane")
    "4 mm caudal of the disc's mid-plane"
    """
    return f"{abs(cranial_mm):.0f} mm {'cranial' if cranial_mm >= 0 else 'caudal'} of {landmark}"


def medial_tilt_words(phase: Phase) -> str:
    """The medial tilt with its reference in words.

    >>> medial_tilt_words(Phase("ipsilateral", -5.0))
    '5\u00b0 tip lateral, away from the midline'
    """
    tilt = phase.medial_tilt_deg
    if abs(tilt) < 0.5:
        return "0\u00b0 straight ventral"
    direction = "tip toward the other side" if tilt > 0 else "tip lateral, away from the midline"
    return f"{abs(tilt):.0f}\u00b0 {direction}"


def cranial_tilt_words(phase: Phase) -> str:
    """The cranial tilt with its reference in words.

    >>> cranial_tilt_words(Phase("ipsilateral", 0.0, cranial_tilt_deg=-8.0))
    '8\u00b0 tip caudal'
    """
    tilt = phase.cranial_tilt_deg
    return "0\u00b0" if abs(tilt) < 0.5 else f"{abs(tilt):.0f}\u00b0 tip {'cranial' if tilt > 0 else 'caudal'}"


def clock_words(hour: float) -> str:
    """An hour of the clock, to the half hour; 0 stands for the middle of the picture.

    >>> clock_words(3.1), clock_words(7.4), clock_words(11.9), clock_words(12.6), clock_words(0.0)
    ("3 o'clock", 'half past 7', "12 o'clock", 'half past 12', 'the middle')
    """
    if hour == 0:
        return "the middle"
    halves = round(2 * hour) % 24
    whole = halves // 2 or 12
    return f"half past {whole}" if halves % 2 else f"{whole} o'clock"


def offset_words(offset_mm: Sequence[float], side: str) -> str:
    """How far a point lies beside and along the spine from another; the offset is (left, dorsal, cranial) mm.

    >>> offset_words((2.0, 0, -3.2), "left"), offset_words((-6.0, 0, 0.1), "right"), offset_words((0.1, 0, 0), "left")
    ('2 mm lateral and 3 mm caudal', '6 mm lateral', '0 mm')
    """
    lateral = offset_mm[0] if side == "left" else -offset_mm[0]
    parts = [
        (lateral, "lateral" if lateral >= 0 else "medial"),
        (offset_mm[2], "cranial" if offset_mm[2] >= 0 else "caudal"),
    ]
    reported = [f"{abs(mm):.0f} mm {direction}" for mm, direction in parts if abs(mm) >= LEAST_SHIFT_MM]
    return " and ".join(reported) or "0 mm"


def shift_words(shift_mm: Sequence[float], side: str) -> str:
    """By how much a phase's pivot is moved; the shift is (left, dorsal, cranial) mm.

    >>> shift_words((0.0, 0.0, 0.0), "left"), shift_words((-5.0, 0.0, 1.0), "right")
    ('\u2013', '5 mm lateral and 1 mm cranial')
    """
    return EN_DASH if max(map(abs, shift_mm)) < LEAST_SHIFT_MM else offset_words(shift_mm, side)


def limit_words(limited_by: str) -> str:
    """What stops the reach, as it stands in a sentence.

    >>> limit_words("sac"), limit_words("nothing: every target is touched")
    ('limited by the sac', 'limited by nothing: every target is touched')
    """
    return f"limited by {limited_by}" if limited_by.startswith("nothing") else f"limited by the {limited_by}"


def joined(names: Sequence[str]) -> str:
    """Names as a list in a sentence.

    >>> joined(["a", "b", "c"])
    'a, b and c'
    """
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}" if names else "none"
