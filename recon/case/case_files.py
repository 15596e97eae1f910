"""Files of a case folder that are the tool's own, so that a rewrite keeps all others.

Own are what `recon.case.folder` writes, the meshes that case.json names, the results of the anatomy that is replaced
(JSON of one of our schemas, with pictures of the same name and maps whose names begin with it), and the pages drawn
from it. Plans, autosaved sessions and whatever a person put into the folder are not.
"""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Iterator
from pathlib import Path

from canalwise.recon.serialization import WRITING

FILES = ("case.json", "scan.nii.gz", "labels.nii.gz", "labels.json", "occupancy.nii.gz", "anatomy.json")
FOLDERS = ("meshes", "plans", "results")

PAGES = ("report.html", "report.pdf", "sheet.html", "sheet.pdf", "levels.html")
"""Pages that the tool draws into a case unless stated otherwise."""

SCHEMA_BEGINS = b'"schema": "canalwise.'
"""Among the first bytes of every result."""

BEGINNING_BYTES = 200


def carry_foreign(old: Path, new: Path) -> None:
    """Takes every file and folder that is not the tool's own from an old case folder into a new one.

    Links where the file system can, so that nothing large is copied and the old folder stays whole until it goes. A
    file whose name the new case has taken is kept beside that one, as NAME-kept.
    """
    for path in _foreign(old):
        place = new / path.relative_to(old)
        if path.is_dir() and not path.is_symlink():
            place.mkdir(parents=True, exist_ok=True)
            continue
        place.parent.mkdir(parents=True, exist_ok=True)
        _linked(path, _free(place))


def _foreign(folder: Path) -> Iterator[Path]:
    """Files and folders that are not own, folders before what they hold."""
    meshes = _mesh_names(folder)
    for parent, folders, files in os.walk(folder):
        folders.sort()
        here = Path(parent)
        # A link to a folder is kept as a link; what it leads to is not walked.
        yield from (here / name for name in folders)
        yield from (here / name for name in sorted(files) if not _is_own(folder, here / name, meshes))


def _is_own(folder: Path, path: Path, meshes: frozenset[str]) -> bool:
    if path.name.startswith(WRITING):
        return True
    if path.parent == folder:
        return path.name in FILES + PAGES
    if path.parent == folder / "meshes":
        return path.name in meshes
    return path.parent == folder / "results" and _is_result(path)


def _is_result(path: Path) -> bool:
    """Is it JSON of one of our schemas, or a picture beside one, or a map of one (NAME-WHAT.nii.gz)?"""
    if path.suffix in (".png", ".svg"):
        path = path.with_suffix(".json")
    elif path.name.endswith(".nii.gz"):
        path = path.with_name(f"{path.name.rpartition('-')[0]}.json")
    if path.suffix != ".json" or not path.is_file():
        return False
    with path.open("rb") as file:
        return SCHEMA_BEGINS in file.read(BEGINNING_BYTES)


def _mesh_names(folder: Path) -> frozenset[str]:
    try:
        about = json.loads((folder / "case.json").read_bytes())
        return frozenset(about["meshes"])
    except (OSError, ValueError, LookupError, TypeError, RecursionError):
        return frozenset()


def _free(place: Path) -> Path:
    while os.path.lexists(place):
        place = place.with_name(f"{place.stem}-kept{place.suffix}")
    return place


def _linked(path: Path, place: Path) -> None:
    try:
        os.link(path, place, follow_symlinks=False)
    except OSError:
        # Another file system, or one without hard links.
        shutil.copy2(path, place, follow_symlinks=False)
