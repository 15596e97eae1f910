"""DICOM associations: opened, refused with the reason, released."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

from pynetdicom import AE, evt
from pynetdicom.association import Association
from pynetdicom.presentation import PresentationContext

from canalwise.recon.errors import CanalwiseError
from canalwise.workbench.transfer.peer import Peer

MOST_CONTEXTS = 128
"""Kinds of object that one association can carry (PS3.8 9.3.2.2)."""


class TransferRefused(CanalwiseError):
    """The other side could not be reached, or would not take or give what was requested."""

    exit_status = 3


@contextmanager
def associated(
    peer: Peer,
    contexts: Sequence[PresentationContext],
    *,
    roles: Sequence[Any] = (),
    handlers: Sequence[tuple[Any, Callable[..., Any]]] = (),
) -> Iterator[Association]:
    """An association that carries the contexts, released at the end and aborted where anything fails.

    Raises TransferRefused saying whether nobody answered, TLS failed, or the other side said no.
    """
    entity = AE(ae_title=peer.calling)
    entity.acse_timeout = entity.dimse_timeout = entity.network_timeout = entity.connection_timeout = peer.timeout_s
    entity.requested_contexts = list(contexts)
    opened: list[bool] = []
    secured = None if peer.tls is None else (peer.tls.context(), peer.host)
    with warnings.catch_warnings():
        # The library leaves the socket of a failed connection to Python, which closes it and warns.
        warnings.simplefilter("ignore", ResourceWarning)
        link = entity.associate(
            peer.host,
            peer.port,
            ae_title=peer.called,
            ext_neg=list(roles),
            evt_handlers=[*handlers, (evt.EVT_CONN_OPEN, lambda _: opened.append(True))],
            tls_args=secured,
        )
    if not link.is_established:
        raise _refusal(link, bool(opened), peer)
    try:
        yield link
    except BaseException:
        link.abort()
        raise
    link.release()


def _refusal(link: Association, opened: bool, peer: Peer) -> TransferRefused:
    if link.is_rejected:
        answer = link.acceptor.primitive
        got = getattr(answer, "reason_str", "") or "no reason"
        return TransferRefused(
            "the other side",
            "must accept the association",
            got=got,
            do="Check --called and --calling: both names must be known there.",
        )
    if not opened:
        secure = " or its certificate" if peer.tls else ""
        return TransferRefused(
            "the other side",
            "must answer",
            got=f"no connection within {peer.timeout_s:g} s",
            do=f"Check --to or --from, the network{secure}, and that it listens there.",
        )
    return TransferRefused(
        "the other side",
        "must answer the request for an association",
        got=f"a connection that was closed, or no answer within {peer.timeout_s:g} s",
        do="Check that a DICOM service listens on that port, with TLS or without as requested.",
    )


def lost(link: Association, done: str) -> TransferRefused:
    """The refusal where an association ends before all is done."""
    got = "an association that was aborted" if link.is_aborted else "no answer in time"
    return TransferRefused("the other side", "must stay until all is done", got=f"{got} after {done}", do="Try again.")
