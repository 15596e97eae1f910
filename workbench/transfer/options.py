"""Options that say where a DICOM archive is and how to talk to it."""

from __future__ import annotations

import argparse
from pathlib import Path

from canalwise.recon.errors import WrongUse
from canalwise.workbench.transfer.peer import OUR_NAME, TIMEOUT_S, Peer, TlsFiles, address


def add_peer(parser: argparse.ArgumentParser, where: str) -> None:
    """`where` (--to or --from), both titles, the time allowed, and TLS."""
    which = parser.add_argument_group("the other side")
    which.add_argument(where, required=True, dest="address", metavar="HOST:PORT", help="where it listens")
    which.add_argument("--called", required=True, metavar="AE", help="its application entity title")
    which.add_argument("--calling", default=OUR_NAME, metavar="AE", help="ours, as it knows us [%(default)s]")
    which.add_argument(
        "--timeout-s", type=float, default=TIMEOUT_S, metavar="S", help="longest wait for an answer [%(default)g]"
    )
    which.add_argument("--tls-ca", type=Path, metavar="PEM", help="encrypt; the certificate that vouches for it")
    which.add_argument("--tls-cert", type=Path, metavar="PEM", help="our own certificate, where it asks for one")
    which.add_argument("--tls-key", type=Path, metavar="PEM", help="the key of our own certificate")


def peer_of(args: argparse.Namespace) -> Peer:
    """The other side of the options; raises WrongUse for values that cannot mean anything."""
    if args.tls_ca is None and (args.tls_cert or args.tls_key):
        raise WrongUse("--tls-cert and --tls-key", "need the certificate that vouches for the other side",
                       do="Give it with --tls-ca.")  # fmt: skip
    tls = None if args.tls_ca is None else TlsFiles(args.tls_ca, args.tls_cert, args.tls_key)
    host, port = address(args.address)
    return Peer(host, port, args.called, args.calling, args.timeout_s, tls)
