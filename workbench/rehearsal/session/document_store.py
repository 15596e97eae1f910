"""Pages made for a person to open or print, kept in memory for a while under addresses nobody can guess."""

from __future__ import annotations

import secrets
import threading
from collections import OrderedDict
from dataclasses import dataclass, field

from canalwise.recon.errors import WrongUse

PAGES = 8
"""Pages kept at a time; the oldest goes first."""

PAGE_BYTES = 16 * 1024 * 1024
"""The longest page that is kept."""


@dataclass(frozen=True)
class StoredDocument:
    """One page and the kind of file it is."""

    media_type: str
    content: bytes


@dataclass(eq=False)
class DocumentStore:
    """The pages made last; safe to use from any thread.

    >>> made = DocumentStore()
    >>> made.get(made.put("text/html", b"<p>hello")).content
    b'<p>hello'
    >>> made.get("other") is None
    True
    """

    _pages: OrderedDict[str, StoredDocument] = field(default_factory=OrderedDict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def put(self, media_type: str, content: bytes) -> str:
        """Keeps a page and returns its name; raises WrongUse for one that is too long."""
        if len(content) > PAGE_BYTES:
            raise WrongUse("the page made", f"must be at most {PAGE_BYTES // 1024 // 1024} MB", got=len(content))
        name = secrets.token_urlsafe(24)
        with self._lock:
            self._pages[name] = StoredDocument(media_type, content)
            while len(self._pages) > PAGES:
                self._pages.popitem(last=False)
        return name

    def get(self, name: str) -> StoredDocument | None:
        """The page of that name; None where there is none, or none any more."""
        with self._lock:
            return self._pages.get(name)
