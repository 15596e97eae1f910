"""Output of a command: results on stdout, everything else on stderr."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, TextIO

from canalwise.recon.serialization import json_text

PIPED_WIDTH = 110
"""Columns of a table that is not written to a terminal."""


@dataclass(frozen=True)
class CommandOutput:
    """Where a command speaks.

    Parameters
    ----------
    as_json : only the result's JSON goes to `out`, and nothing is said about progress
    out, err : text streams; the process's own when left out
    """

    as_json: bool = False
    out: TextIO | None = None
    err: TextIO | None = None

    @contextmanager
    def busy(self, what: str) -> Iterator[Callable[[str], None]]:
        """Shows progress on a terminal; silent with JSON output or where `err` is no terminal.

        What it gives takes a sentence on the step in progress.
        """
        stream = self.err or sys.stderr
        if self.as_json or not stream.isatty():
            yield lambda _: None
            return
        from rich.console import Console  # here, so that --json and --help start without it

        with Console(file=stream).status(what) as status:
            yield lambda step: status.update(f"{what}: {step}")

    @contextmanager
    def counting(self, what: str, total: int) -> Iterator[Callable[[int], None]]:
        """Shows on a terminal how much of a known total is done; silent as `busy` is.

        What it gives is called with how much more has just been done.
        """
        stream = self.err or sys.stderr
        if self.as_json or not stream.isatty():
            yield lambda _: None
            return
        from rich.console import Console
        from rich.progress import Progress

        with Progress(console=Console(file=stream), transient=True) as bar:
            task = bar.add_task(what, total=total)
            yield lambda more: bar.advance(task, more)

    def result(self, document: Mapping[str, Any], lines: Sequence[object]) -> None:
        """Prints the result: as JSON where that was requested, else as lines and tables for people."""
        stream = self.out or sys.stdout
        if self.as_json:
            stream.write(json_text(document))
            return
        from rich.console import Console

        # no markup and no highlighting: names with brackets in them are printed as they are
        console = Console(file=stream, width=None if stream.isatty() else PIPED_WIDTH, highlight=False, markup=False)
        for line in lines:
            console.print(line)

    def tell(self, sentences: Sequence[str]) -> None:
        """What to know while a command goes on, one sentence a line, on `err`."""
        if not self.as_json:
            for sentence in sentences:
                print(sentence, file=self.err or sys.stderr, flush=True)

    def warn(self, sentences: Sequence[str]) -> None:
        """Warnings, one a line, on `err`."""
        if not self.as_json:
            for sentence in sentences:
                print(f"note: {sentence}", file=self.err or sys.stderr)


def table(
    columns: Sequence[str], rows: Sequence[Sequence[str]], *, title: str = "", right: Sequence[int] = ()
) -> object:
    """A table for `CommandOutput.result`; the columns whose places are in `right` are set to the right."""
    from rich import box
    from rich.table import Table

    made = Table(title=title or None, title_justify="left", box=box.SIMPLE_HEAD)
    for place, name in enumerate(columns):
        # what does not fit goes on in the next line: a number cut off is none
        made.add_column(name, justify="right" if place in right else "left", overflow="fold")
    for row in rows:
        made.add_row(*row)
    return made
