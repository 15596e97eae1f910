"""Log of unforeseen errors, without paths of the case."""

from __future__ import annotations

import sys
import traceback
from pathlib import Path
from typing import Any


def log_error(name: str, fault: BaseException) -> None:
    """Says where it went wrong, for whoever mends it; neither message nor path, which may name the patient."""
    frames: list[Any] = traceback.extract_tb(fault.__traceback__)
    places = " < ".join(f"{Path(frame.filename).stem}:{frame.lineno}" for frame in reversed(frames[-3:]))
    print(f"canalwise: '{name}' could not be answered: {type(fault).__name__} at {places}", file=sys.stderr)
