"""What a printed page says of its own making: which plan, which case, when, by which version; and room for a sticker.

Nothing of it comes from the scan's identity: the case is identified by the first characters of its anatomy's checksum.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from canalwise.recon.version import VERSION

MARK_CHARACTERS = 8
"""Of the anatomy's checksum: enough to tell the cases of a hospital apart (choice)."""

STICKER = "Patient (sticker, or by hand; nothing is kept)"
SIGNATURE = "Signature, date"
"""What is filled in by hand on paper."""


@dataclass(frozen=True)
class Stamp:
    """How a page came to be.

    Parameters
    ----------
    plan : name of the plan, "" while it has none
    case_mark : of the case, "" where it is on no disk
    made : date and time, "" where a page has to be the same bytes whenever it is made
    """

    plan: str = ""
    case_mark: str = ""
    made: str = ""
    version: str = VERSION

    @property
    def words(self) -> str:
        """In one line.

        >>> Stamp("steeper", "0a1b2c3d", "2026-01-02 08:30", "1.0").words
        'Plan: steeper. Case: 0a1b2c3d. Made: 2026-01-02 08:30. canalwise 1.0.'
        """
        parts = [f"Plan: {self.plan or 'no name'}", f"Case: {self.case_mark or 'no mark'}"]
        parts += [f"Made: {self.made}"] if self.made else []
        return ". ".join([*parts, f"canalwise {self.version}."])


NO_STAMP = Stamp()
"""Of a page that says nothing of its own making."""


def case_mark(anatomy_sha256: str) -> str:
    """The case's mark.

    >>> case_mark("0a1b2c3d4e5f")
    '0a1b2c3d'
    """
    return anatomy_sha256[:MARK_CHARACTERS]


def stamp_now(anatomy_sha256: str, plan: str) -> Stamp:
    """The stamp of a page that is made now, to the minute, in local time."""
    return Stamp(plan, case_mark(anatomy_sha256), datetime.now().strftime("%Y-%m-%d %H:%M"))
