"""What every verb is: a name, help that teaches, its options and one call."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from canalwise.recon.disclaimer import CAUTION

TEACHING = argparse.RawDescriptionHelpFormatter


@dataclass(frozen=True)
class Verb:
    """One verb of the command line.

    Parameters
    ----------
    name, summary : as listed by 'canalwise --help'
    about : what the verb does, what it prints and an example
    options : adds the verb's options to its parser
    run : does the work and returns the exit status
    """

    name: str
    summary: str
    about: str
    options: Callable[[argparse.ArgumentParser], None]
    run: Callable[[argparse.Namespace], int]

    def register(self, verbs: Any) -> None:
        """Adds the verb to a parser's verbs."""
        parser = verbs.add_parser(
            self.name, help=self.summary, description=self.about, epilog=CAUTION, formatter_class=TEACHING
        )
        self.options(parser)
        parser.set_defaults(run=self.run)
