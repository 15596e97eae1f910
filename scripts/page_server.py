"""Serves a case's rehearsal page from a process of its own, for the studies and the browser tests."""

from __future__ import annotations

import json
import socket
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

TOKEN = "a-token-for-tests-only-0123456789abcdef"


@dataclass
class Served:
    """A case that is being served."""

    folder: Path
    port: int
    process: subprocess.Popen[str]

    @property
    def url(self) -> str:
        """Where the page is."""
        return f"http://127.0.0.1:{self.port}/{TOKEN}/"

    def stop(self) -> None:
        """Kills the server, as a crash would."""
        self.process.kill()
        self.process.wait()
        if self.process.stdout is not None:
            self.process.stdout.close()

    def start_again(self) -> None:
        """The same address once more."""
        self.process = _serve(self.folder, self.port)


def served(folder: Path) -> Served:
    """Serves a case on a free port, and waits until it answers."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    return Served(folder, port, _serve(folder, port))


def _serve(folder: Path, port: int) -> subprocess.Popen[str]:
    command = [
        sys.executable,
        "-m",
        "canalwise.workbench.commands.main",
        "rehearse",
        str(folder),
        "--no-open",
        "--json",
    ]
    command += ["--port", str(port), "--token", TOKEN]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    reported = json.loads(process.stdout.readline())
    assert reported["url"] == f"http://127.0.0.1:{port}/{TOKEN}/"
    return process
