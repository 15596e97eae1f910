"""The files of a DICOM source: a folder, a zip archive or one file; nothing is unpacked to disk."""

from __future__ import annotations

import io
import lzma
import os
import struct
import zipfile
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, cast

from canalwise.recon.errors import BadFile

MAX_FILES = 20_000
"""More files than this are no series; a whole disk was offered by mistake."""

DEFLATE_RATIO = 1032
"""The most that deflate can shrink data (https://zlib.net/zlib_tech.html); bounds what a file may unfold to."""

UNPACKED_TIMES = 3
"""A member of an archive is held this many times at the worst: unpacked, taken apart, and as voxels."""

ZIP_FAILURES = (
    zipfile.BadZipFile,
    zlib.error,
    lzma.LZMAError,
    struct.error,
    OSError,
    EOFError,
    ValueError,
    RuntimeError,
    LookupError,
    OverflowError,
    MemoryError,
)
"""What Python's reader raises on an archive that is damaged, locked or of a kind it does not know."""

DEFLATED_SYNTAX = b"1.2.840.10008.1.2.1.99"
META_BYTES = 4096


@dataclass(frozen=True)
class DicomSource:
    """One file that may be DICOM.

    Parameters
    ----------
    opened : opens it, to be read as a whole
    size_bytes : how many bytes it holds
    skimmed : opens it to read its beginning only, in little memory; as `opened` where that is impossible
    """

    opened: Callable[[], BinaryIO]
    size_bytes: int
    skimmed: Callable[[], BinaryIO] | None = None

    def beginning(self) -> BinaryIO:
        """The file, opened to read its beginning."""
        return (self.skimmed or self.opened)()

    def check_whole(self) -> None:
        """Refuse a member of an archive whose checksum is wrong; raises BadFile."""
        # A slice whose first bytes are damaged would else pass for a file that is not DICOM.
        if self.skimmed is not None:
            self.opened().close()


def dicom_sources(path: Path, budget_mb: float) -> tuple[DicomSource, ...]:
    """The files in a folder (and below), in a zip archive, or the file itself, in the order of their names.

    >>> len(dicom_sources(Path(__file__), budget_mb=10))
    1

    Raises BadFile when there are none or too many, or an archive is damaged, locked or unfolds beyond the budget.
    """
    if path.is_dir():
        found = _folder_sources(path)
    elif _is_zip(path):
        found = _zip_sources(path, budget_mb)
    else:
        found = (_file_source(path),)
    if not found:
        raise BadFile("the scan folder", "must hold files", got="none")
    return found


def check_inflated(source: DicomSource, budget_mb: float) -> None:
    """Refuse a deflated file that could unfold beyond the budget, before it is unfolded; raises BadFile."""
    could_mb = source.size_bytes * DEFLATE_RATIO / 1e6
    # Most files pass here without being opened.
    if could_mb <= budget_mb:
        return
    with source.beginning() as file:
        deflated = DEFLATED_SYNTAX in file.read(META_BYTES)
    if deflated:
        raise BadFile(
            "a deflated DICOM file",
            f"must be sure to unfold within {budget_mb:g} MB",
            got=f"up to {could_mb:.0f} MB",
            do="Convert it to an uncompressed syntax, or raise the budget.",
        )


def _folder_sources(folder: Path) -> tuple[DicomSource, ...]:
    paths: list[Path] = []
    for parent, folders, names in os.walk(folder):
        # The order of a directory listing differs between machines; ours must not.
        folders.sort()
        paths += [Path(parent, name) for name in sorted(names) if not name.startswith(".")]
        if len(paths) > MAX_FILES:
            raise BadFile(
                "the scan folder",
                f"must hold at most {MAX_FILES} files",
                got=f"over {MAX_FILES}",
                do="Give the folder of one examination.",
            )
    return tuple(_file_source(path) for path in paths if path.is_file() and path.stat().st_size)


def _file_source(path: Path) -> DicomSource:
    return DicomSource(lambda: path.open("rb"), path.stat().st_size)


def _zip_sources(path: Path, budget_mb: float) -> tuple[DicomSource, ...]:
    try:
        # Opened once: its directory is read again each time, and may list thousands of members.
        archive = zipfile.ZipFile(path)
        members = [m for m in archive.infolist() if m.file_size and not m.is_dir()]
    except ZIP_FAILURES:
        raise BadFile(
            "the zip archive", "must be whole", got="a damaged archive", do="Pack or copy it again."
        ) from None
    # Declared sizes may be trusted: unpacking stops at them.
    total_mb = sum(member.file_size for member in members) / 1e6
    needed_mb = UNPACKED_TIMES * max((member.file_size for member in members), default=0) / 1e6
    if needed_mb > budget_mb:
        raise BadFile(
            "the zip archive",
            f"must unfold within {budget_mb:g} MB",
            got=f"a member that takes {needed_mb:.0f} MB to unpack and read",
            do="Unpack it and give the folder.",
        )
    if total_mb > budget_mb or len(members) > MAX_FILES:
        raise BadFile(
            "the zip archive",
            f"must unfold within {budget_mb:g} MB and {MAX_FILES} files",
            got=f"{total_mb:.0f} MB in {len(members)} files",
            do="Give the folder of one series.",
        )
    if any(member.flag_bits & 1 for member in members):
        raise BadFile("the zip archive", "must not be locked by a password", do="Unpack it and give the folder.")
    return tuple(_member_source(archive, member) for member in sorted(members, key=lambda m: m.filename))


def _is_zip(path: Path) -> bool:
    try:
        return zipfile.is_zipfile(path)
    except ZIP_FAILURES:
        return False


def _member_source(archive: zipfile.ZipFile, member: zipfile.ZipInfo) -> DicomSource:
    def unpacked() -> BinaryIO:
        return io.BytesIO(archive.read(member))

    def streamed() -> BinaryIO:
        return cast(BinaryIO, archive.open(member))

    return DicomSource(lambda: _or_bad(unpacked), member.file_size, lambda: _or_bad(streamed))


def _or_bad(open_member: Callable[[], BinaryIO]) -> BinaryIO:
    try:
        return open_member()
    except ZIP_FAILURES:
        raise BadFile(
            "the zip archive", "must be whole", got="a member that cannot be unpacked", do="Pack or copy it again."
        ) from None
