"""Folders written whole or not at all, and what a killed process left of one.

A new folder is filled beside its place, the old one steps aside, the new one takes its name. What a process that was
killed leaves behind is either half a new folder (`.writing-*`), which is removed at the next run, or, where it was
killed between the two renames, the old folder inside `.replaced-*`, which gets its name back. Whether a process still
works on one is known by its lock, not by its age.
"""

from __future__ import annotations

import os
import shutil
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

from canalwise.recon.errors import WrongUse
from canalwise.recon.folder_lock import hold, is_abandoned, locked
from canalwise.recon.serialization import WRITING

REPLACED = ".replaced-"
"""Begins the name of what holds an old folder while the new one takes its place."""

JUST_MADE_S = 60.0
"""An empty temporary folder younger than this is left alone."""

Carry = Callable[[Path, Path], None]


@contextmanager
def write_folder_atomic(folder: Path, force: bool, *, marker: str, carry: Carry | None = None) -> Iterator[Path]:
    """A temporary sibling to fill, renamed to `folder` when all went well and removed when not.

    Parameters
    ----------
    force : replace a folder that is there; only one that is empty or holds a file named `marker`,
        so that no other folder is lost by a slip
    carry : called with the old folder and the filled one, last of all and with the old one locked: takes along what
        the new one is to keep, or raises to leave the old one as it is

    Raises WrongUse when the folder is there and may not be replaced.
    """
    check_replaceable(folder, force, marker)
    folder.parent.mkdir(parents=True, exist_ok=True)
    filling = Path(tempfile.mkdtemp(dir=folder.parent, prefix=WRITING))
    with hold(filling):
        try:
            yield filling
            filling.chmod(0o755)
            _take_place(filling, folder, carry)
        except BaseException:
            shutil.rmtree(filling, ignore_errors=True)
            raise


def check_replaceable(folder: Path, force: bool, marker: str) -> None:
    """Raises WrongUse when the folder is there and may not be replaced; to ask before long work."""
    if not folder.exists() or (folder.is_dir() and not any(folder.iterdir())):
        return
    if not force:
        raise WrongUse("the output folder", "must not exist yet", do="Choose another, or replace it with --force.")
    if not (folder / marker).is_file():
        raise WrongUse("the output folder", f"must hold a {marker} to be replaced", do="Choose another folder.")


def _take_place(filling: Path, folder: Path, carry: Carry | None) -> None:
    with ExitStack() as held:
        if folder.exists():
            held.enter_context(locked(folder))
            if carry is not None:
                carry(folder, filling)
        # Under its own name, so that whoever finds it after a kill knows which folder it was.
        aside = Path(tempfile.mkdtemp(dir=folder.parent, prefix=REPLACED))
        held.enter_context(hold(aside))
        if folder.exists():
            os.replace(folder, aside / folder.name)
        try:
            os.replace(filling, folder)
        except BaseException:
            # Put back what was there.
            if (aside / folder.name).exists():
                os.replace(aside / folder.name, folder)
            raise
        finally:
            shutil.rmtree(aside, ignore_errors=True)


def set_aside(folder: Path, marker: str) -> Path | None:
    """A folder that a rewrite moved aside and that may be this one, which is not there; None where there is none."""
    if folder.exists():
        return None
    return next((old.parent for old in sorted(folder.parent.glob(f"{REPLACED}*/*/{marker}"))), None)


def tidied(folder: Path, marker: str, known: tuple[str, ...]) -> tuple[str, ...]:
    """Puts back what a killed process moved aside and removes what it left half-written; sentences on what was done.

    Parameters
    ----------
    marker : a folder moved aside is put back only if it holds this file
    known : only folders that hold nothing, or one of these, are taken for left-overs
    """
    if not folder.parent.is_dir():
        return ()
    reported = []
    for aside in sorted(path for path in folder.parent.glob(f"{REPLACED}*") if _is_ours(path, known)):
        old = aside / folder.name
        if (old / marker).is_file() and not folder.exists() and is_abandoned(aside):
            os.replace(old, folder)
            aside.rmdir()
            reported.append("A rewrite of the case was cut off; the case is again as it was before it.")
            continue
        # What has no other folder of its name beside it may be all there is of another case: it stays.
        taken_over = all((folder.parent / inner.name).exists() for inner in aside.iterdir())
        if taken_over and is_abandoned(aside):
            shutil.rmtree(aside, ignore_errors=True)
    left = [path for path in folder.parent.glob(f"{WRITING}*") if _is_ours(path, known) and is_abandoned(path)]
    for path in left:
        shutil.rmtree(path, ignore_errors=True)
    if left:
        reported.append(f"{len(left)} half-written folders of runs that were cut off, beside the case, were removed.")
    return tuple(reported)


def _is_ours(path: Path, known: tuple[str, ...]) -> bool:
    try:
        inside = [] if path.is_symlink() else list(path.iterdir())
        # An empty one may have been made this instant, its lock not yet taken.
        if not inside:
            return path.is_dir() and not path.is_symlink() and time.time() - path.stat().st_mtime > JUST_MADE_S
        # What was moved aside is one whole folder.
        deeper = [*inside[0].iterdir()] if path.name.startswith(REPLACED) and inside[0].is_dir() else inside
    except OSError:
        # No folder, or one of somebody else.
        return False
    return any(each.name in known for each in deeper)
