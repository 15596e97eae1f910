"""The other side of a DICOM association: where it is, by which names, with or without TLS."""

from __future__ import annotations

import ssl
from dataclasses import dataclass
from pathlib import Path

from canalwise.recon.errors import WrongUse

OUR_NAME = "CANALWISE"
TIMEOUT_S = 30.0
"""The other side must answer within this (choice; a busy archive may take longer)."""

AE_CHARACTERS = 16


@dataclass(frozen=True)
class TlsFiles:
    """Certificates for an encrypted association.

    Parameters
    ----------
    authority : the certificate that vouches for the other side
    own, key : our certificate and its key, where the other side asks for them
    """

    authority: Path
    own: Path | None = None
    key: Path | None = None

    def context(self) -> ssl.SSLContext:
        """TLS 1.2 or newer (BCP 195, as PS3.15 annex B asks); raises WrongUse for files that cannot be used."""
        try:
            made = ssl.create_default_context(ssl.Purpose.SERVER_AUTH, cafile=str(self.authority))
            made.minimum_version = ssl.TLSVersion.TLSv1_2
            if self.own is not None:
                made.load_cert_chain(self.own, self.key)
        except (OSError, ssl.SSLError) as problem:
            raise WrongUse(
                "the certificate files",
                "must be PEM files that belong together",
                got=type(problem).__name__,
                do="Check --tls-ca, --tls-cert and --tls-key.",
            ) from None
        return made


@dataclass(frozen=True)
class Peer:
    """The other side.

    Parameters
    ----------
    host, port : where it listens
    called, calling : its application entity title and ours
    timeout_s : for the connection and for each answer
    """

    host: str
    port: int
    called: str
    calling: str = OUR_NAME
    timeout_s: float = TIMEOUT_S
    tls: TlsFiles | None = None

    def __post_init__(self) -> None:
        for who, name in (("--called", self.called), ("--calling", self.calling)):
            if not name.strip() or len(name) > AE_CHARACTERS or not name.isascii() or "\\" in name:
                raise WrongUse(who, f"must be a title of 1 to {AE_CHARACTERS} characters", got=name)
        if not self.timeout_s > 0:
            raise WrongUse("--timeout-s", "must be above 0", got=self.timeout_s)


def address(text: str) -> tuple[str, int]:
    """Host and port of 'HOST:PORT'; raises WrongUse.

    >>> address("archive.example:11112"), address("[::1]:104")
    (('archive.example', 11112), ('::1', 104))
    """
    host, _, port = text.rpartition(":")
    if not host or not port.isascii() or not port.isdecimal() or not 0 < int(port) < 65536:
        raise WrongUse("the address", "must be HOST:PORT with a port from 1 to 65535", got=text)
    return host.removeprefix("[").removesuffix("]"), int(port)
