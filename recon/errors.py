"""What canalwise raises, and what a caller should do about it.

CanalwiseError
|-- WrongUse          the call itself is wrong (exit status 2)
`-- UnusableInput     the input cannot be used (exit status 3)
    |-- BadFile         missing, truncated, not the format it claims
    |-- BadGeometry     slices, orientation or spacing that cannot be trusted
    |-- BadLabels       a label map on another grid, or one that names nothing known
    |-- LevelNotInView  a level that was requested and is not there
    |-- AnatomyNotFound a structure the job needs and the scan does not show
    `-- BadCase         a case folder that is not whole
"""

from __future__ import annotations

LONGEST_SHOWN = 1500
"""Characters of a wrong value that a message repeats (choice: a screen's worth)."""


class CanalwiseError(Exception):
    """An error with who objects, the rule, what was got and what to do.

    >>> str(WrongUse("'side'", "must be left or right", got="up", do="Give --side left."))
    "'side' must be left or right (got 'up'). Give --side left."
    """

    exit_status = 1

    def __init__(self, who: str, rule: str, *, got: object = None, do: str = "") -> None:
        self.who, self.rule, self.got, self.do = who, rule, got, do
        found = "" if got is None else f" (got {shown(got)})"
        advice = f" {do}" if do else ""
        super().__init__(f"{who} {rule}{found}.{advice}")


def shown(value: object) -> str:
    """A value as a message shows it: its repr, cut where it is long or cannot be written at all.

    >>> shown("up"), len(shown("a" * 5000))
    ("'up'", 1500)
    """
    try:
        text = repr(value)
    except (RecursionError, ValueError):
        # Nested too deep, or a number of more digits than Python writes.
        return f"a {type(value).__name__} that cannot be shown"
    return text if len(text) <= LONGEST_SHOWN else text[: LONGEST_SHOWN - 3] + "..."


class WrongUse(CanalwiseError, ValueError):
    """The call is wrong: an option, a name or a value that cannot mean anything."""

    exit_status = 2


class UnusableInput(CanalwiseError, ValueError):
    """The input cannot be used for a plan."""

    exit_status = 3


class BadFile(UnusableInput):
    """A file that is missing, cut short or not of the format it claims."""


class BadGeometry(UnusableInput):
    """Slices, orientation or spacing that cannot be trusted."""


class BadLabels(UnusableInput):
    """A label map on another grid, or with values that name nothing known."""


class LevelNotInView(UnusableInput):
    """A level that was requested and is not in the scan."""


class AnatomyNotFound(UnusableInput):
    """A structure the job needs and the scan does not show."""


class BadCase(UnusableInput):
    """A case folder that is incomplete or of another version."""
