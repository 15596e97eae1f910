"""Fields of a text header before binary data, each taken at its word or refused: nothing is filled in."""

from __future__ import annotations

from collections.abc import Mapping

from canalwise.recon.errors import BadFile, BadGeometry

MOST_DIGITS = 18
"""Digits of a whole number that is looked at; more count no voxels."""

LARGEST = 1e7
"""No length, place or direction of a header is larger, whatever its unit in use (choice)."""

GUESS = "without it a side would be a guess."
"""Why a header that leaves its placement open is refused."""


def ascii_text(content: bytes, who: str) -> str:
    """Header bytes as text; raises BadFile for what is no text header.

    >>> ascii_text(b"sizes: 2 2 2", "the header")
    'sizes: 2 2 2'
    """
    if b"\0" in content:
        raise BadFile(who, "must be a text header", got="binary bytes in it", do="Export or copy the file again.")
    return content.decode("latin-1")


def whole_numbers(text: str, count: int | None, who: str, field: str) -> tuple[int, ...]:
    """Whole numbers parted by blanks; raises BadFile.

    >>> whole_numbers("64 64 20", 3, "the header", "sizes")
    (64, 64, 20)
    """
    words = text.split()
    good = all(
        word.removeprefix("-").isascii() and word.removeprefix("-").isdecimal() and len(word) <= MOST_DIGITS
        for word in words
    )
    if not words or not good or (count is not None and len(words) != count):
        raise BadFile(
            who, f"must give {count or 'some'} whole numbers as {field!r}", got=text[:60], do="Export the file again."
        )
    return tuple(int(word) for word in words)


def finite_numbers(words: list[str], count: int, who: str, field: str) -> tuple[float, ...]:
    """Finite numbers of a size that can be meant; raises BadGeometry.

    >>> finite_numbers(["0.5", "1e1"], 2, "the header", "spacing")
    (0.5, 10.0)
    """
    try:
        numbers = tuple(float(word) for word in words[: count + 1])
    except ValueError:
        numbers = ()
    # Not a number is not below LARGEST either.
    if len(numbers) != count or not all(abs(number) <= LARGEST for number in numbers):
        raise BadGeometry(
            who, f"must give {count} finite numbers as {field!r}", got=" ".join(words)[:60], do="Export the file again."
        )
    return numbers


def one_of(fields: Mapping[str, str], names: tuple[str, ...], who: str) -> str | None:
    """The value under whichever of several spellings a header has; None without any.

    Raises BadGeometry where it has two of them.

    >>> one_of({"spacing": "1 1 2"}, ("spacing", "spacings"), "the header")
    '1 1 2'
    """
    found = [fields[name] for name in names if name in fields]
    if len(found) > 1:
        raise BadGeometry(
            who,
            f"must give {names[0]!r} once",
            got=f"{len(found)} of {', '.join(names)}",
            do="Keep the one that matches the original images.",
        )
    return found[0] if found else None
