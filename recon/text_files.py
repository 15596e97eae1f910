"""Texts that a person wrote, from disk: UTF-8, of bounded size; and the data in those that are TOML.

TOML: https://toml.io/en/v1.0.0 (a file must be UTF-8). What Python's own reader raises beside its own error, for lists
nested too deep or numbers of thousands of digits, is refused in the same words.
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from canalwise.recon.errors import BadFile, CanalwiseError

LARGEST_BYTES = 1_000_000
"""A text that a person writes is smaller; anything larger is something else (choice)."""

MOST_DOTS = 500
"""Dots in one name of a line, before its equals sign: Python's reader takes time and memory by their square, 1.6 GB for
20 000 (choice)."""

TOO_DEEP = "lists or tables nested too deep"


def read_text(path: Path, who: str, largest_bytes: int = LARGEST_BYTES) -> str:
    """The text in a file.

    Raises
    ------
    BadFile : missing, unreadable, too large, or not UTF-8; tells the line of the first byte that is not
    """
    try:
        with path.open("rb") as file:
            content = file.read(largest_bytes + 1)
    except OSError as refused:
        raise BadFile(who, "must be a readable file", got=refused.strerror, do="Check its name and rights.") from None
    if len(content) > largest_bytes:
        raise BadFile(who, f"must be smaller than {largest_bytes} bytes", do="Give the text file itself.")
    try:
        # Some editors put a mark before UTF-8 text; it says nothing.
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as problem:
        line = content.count(b"\n", 0, problem.start) + 1
        raise BadFile(
            who,
            "must be text in UTF-8",
            got=f"another encoding at line {line}",
            do="Save it again as UTF-8 in the editor.",
        ) from None


def toml_data(text: str, who: str, error: type[CanalwiseError] = BadFile) -> dict[str, Any]:
    """The data in a TOML text; raises `error` with the line where it is none.

    >>> toml_data("level = 'L3-L4'", "the plan")
    {'level': 'L3-L4'}
    """
    # a line without an equals sign may be of a list of numbers
    names = (name for line in text.splitlines() for name in line.partition("=")[0].split(","))
    if any(name.count(".") > MOST_DOTS for name in names):
        raise error(who, "must be a TOML file", got=TOO_DEEP)
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as problem:
        reported = str(problem)
    except RecursionError:
        reported = TOO_DEEP
    except ValueError:
        reported = "a number or date that cannot be"
    raise error(who, "must be a TOML file", got=reported)


def read_toml(path: Path, who: str, largest_bytes: int = LARGEST_BYTES) -> dict[str, Any]:
    """The data in a TOML file; raises BadFile as `read_text` and `toml_data` do."""
    return toml_data(read_text(path, who, largest_bytes), who)
