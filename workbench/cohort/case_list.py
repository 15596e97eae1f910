"""The list of a cohort: a CSV file, one line a case; paths in it are relative to its folder.

A list that cannot be trusted as a whole (an unknown column, a case named twice) is refused; a line with a value that
cannot mean anything is a row that failed, beside the others.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import get_args

from canalwise.recon.errors import BadFile, CanalwiseError, WrongUse
from canalwise.recon.labels import SIDES, VERTEBRAE, level_vertebrae
from canalwise.recon.modality import ModalityName
from canalwise.recon.text_files import read_text

COLUMNS: Mapping[str, str] = {
    "case": "a name of your own for the case, nobody's identity: letters, digits, '.', '_' and '-'",
    "scan": "scan file, folder or zip",
    "labels": "label maps on the scan's grid, several apart by '|'",
    "label_names": "TOML file that maps their values to our names",
    "levels": "vertebrae in view, cranial to caudal, where the scan cannot tell: 'L3 L4 L5'",
    "level": "level to plan, several apart by spaces, or 'all' in view; empty: the case is only measured",
    "side": "left or right; with approach 'search' it may be empty",
    "approach": "'default', the usual start, or 'search', the best that is found (usual: default)",
    "plan": "plan file (TOML) instead of level, side and approach",
    "post": "scan after the operation, for the audit",
    "modality": "CT or MR, needed only where the file cannot say",
    "series": "which of several series in the folder",
    "accept_thick": "yes: read slices over 5 mm apart all the same",
    "accept_tilt": "yes: resample a leaning stack to right angles",
    "patient": "whole number: levels of one patient carry the same, and are counted together",
    "surgeon": "whole number for each surgeon, no name",
    "order": "whole number: which of the surgeon's operations it was, no date",
}
"""Column -> what it holds. 'case' and 'scan' are needed."""

NEEDED = ("case", "scan")

CASE_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")

APPROACHES = ("default", "search")

MOST_ORDINAL = 9999
"""Greatest patient, surgeon or order: longer numbers may be a date or a record's number, which tell who it is."""

YES = {"": False, "no": False, "yes": True}


@dataclass(frozen=True)
class CaseLine:
    """One line of the list, checked; fields as in COLUMNS."""

    case: str
    scan: Path
    labels: tuple[Path, ...] = ()
    label_names: Path | None = None
    levels: tuple[str, ...] = ()
    level: tuple[str, ...] = ()
    side: str = ""
    approach: str = "default"
    plan: Path | None = None
    post: Path | None = None
    modality: str = ""
    series: int | None = None
    accept_thick: bool = False
    accept_tilt: bool = False
    patient: int | None = None
    surgeon: int | None = None
    order: int | None = None

    @property
    def inputs(self) -> tuple[tuple[str, Path], ...]:
        """(column, path) of every file or folder that the row is made of."""
        single = (("scan", self.scan), ("label_names", self.label_names), ("plan", self.plan), ("post", self.post))
        return tuple((name, path) for name, path in single if path) + tuple(("labels", path) for path in self.labels)


@dataclass(frozen=True)
class RefusedLine:
    """A line whose values cannot mean anything, with the error that says why."""

    case: str
    error: CanalwiseError


def read_list(path: Path) -> tuple[CaseLine | RefusedLine, ...]:
    """The lines of a list, in its order.

    Raises
    ------
    BadFile : no such file, not text, no line
    WrongUse : an unknown or missing column, a name of a case that may not be one or comes twice
    """
    if not path.is_file():
        raise BadFile("the list", "must be an existing CSV file")
    return lines_of(read_text(path, "the list").removeprefix("\ufeff").splitlines(), path.parent)


def lines_of(text: Sequence[str], folder: Path) -> tuple[CaseLine | RefusedLine, ...]:
    """The lines of a list's text.

    >>> [one.level for one in lines_of(["case,scan,level,side", "a,a.nii,L3-L4 L4-L5,left"], Path("."))]
    [('L3-L4', 'L4-L5')]
    """
    written = [line for line in text if line.strip()]
    head = next(csv.reader(written[:1], delimiter=_delimiter(written)), [])
    names = [name.strip() for name in head]
    _check_columns(names)
    rows = list(csv.reader(written[1:], delimiter=_delimiter(written)))
    if not rows:
        raise BadFile("the list", "must hold a line for each case", got="its head alone")
    _check_cases([_field(names, row, "case") for row in rows])
    return tuple(_line(names, row, folder) for row in rows)


def _delimiter(text: Sequence[str]) -> str:
    """The list's own: spreadsheets of some countries write semicolons."""
    head = text[0] if text else ""
    return max(",;\t", key=head.count)


def _check_columns(names: Sequence[str]) -> None:
    unknown = [name for name in names if name not in COLUMNS]
    if unknown:
        raise WrongUse("the list", f"may hold the columns {', '.join(COLUMNS)}", got=", ".join(map(str, unknown)))
    missing = [name for name in NEEDED if name not in names]
    if missing or len(set(names)) < len(names):
        raise WrongUse("the list", f"must begin with names of columns, {' and '.join(NEEDED)} among them, each once")


def _check_cases(cases: Sequence[str]) -> None:
    for number, name in enumerate(cases, 2):
        if not CASE_NAME.fullmatch(name):
            rule = f"must be {COLUMNS['case'].partition(': ')[2]}, at most 64 of them"
            raise WrongUse(f"the case in line {number} of the list", rule, got=name)
    # two names that differ by capitals alone are one folder on some file systems
    low = [name.lower() for name in cases]
    twice = sorted({name for name in cases if low.count(name.lower()) > 1})
    if twice:
        raise WrongUse("the list", "must name each case once", got=", ".join(twice), do="Put its levels in one line.")


def _field(names: Sequence[str], row: Sequence[str], name: str) -> str:
    return row[names.index(name)].strip() if name in names and names.index(name) < len(row) else ""


def _line(names: Sequence[str], row: Sequence[str], folder: Path) -> CaseLine | RefusedLine:
    fields = {name: _field(names, row, name) for name in COLUMNS}
    try:
        if len(row) > len(names):
            raise WrongUse("the line", f"must have {len(names)} fields", got=len(row), do="Quote fields with commas.")
        return _checked(fields, folder)
    except CanalwiseError as problem:
        return RefusedLine(fields["case"], problem)


def _checked(fields: Mapping[str, str], folder: Path) -> CaseLine:
    path = {name: folder / fields[name] if fields[name] else None for name in ("label_names", "plan", "post")}
    if not fields["scan"]:
        raise WrongUse("'scan'", "must name a file or folder")
    line = CaseLine(
        fields["case"],
        folder / fields["scan"],
        tuple(folder / name.strip() for name in fields["labels"].split("|") if name.strip()),
        path["label_names"],
        tuple(_each("levels", fields["levels"], VERTEBRAE)),
        tuple(_levels(fields["level"])),
        _one_of("side", fields["side"], ("", *SIDES)),
        _one_of("approach", fields["approach"] or APPROACHES[0], APPROACHES),
        path["plan"],
        path["post"],
        _one_of("modality", fields["modality"], ("", *get_args(ModalityName))),
        _whole("series", fields["series"]),
        YES[_one_of("accept_thick", fields["accept_thick"].lower(), tuple(YES))],
        YES[_one_of("accept_tilt", fields["accept_tilt"].lower(), tuple(YES))],
        *(_whole(name, fields[name]) for name in ("patient", "surgeon", "order")),
    )
    _check_plan(line)
    return line


def _check_plan(line: CaseLine) -> None:
    if line.plan and (line.level or line.side):
        raise WrongUse("'plan'", "must be given without level and side", do="The plan file names both.")
    if line.level and not line.side and line.approach != "search":
        raise WrongUse("'side'", "must be left or right", do="Give it, or write 'search' under approach.")
    if line.label_names and not line.labels:
        raise WrongUse("'label_names'", "needs label maps", do="Give them under labels.")


def _words(text: str) -> list[str]:
    return [word for word in re.split(r"[\s,|;]+", text) if word]


def _levels(text: str) -> Iterator[str]:
    for word in _words(text):
        if word != "all":
            level_vertebrae(word)
        yield word


def _each(name: str, text: str, allowed: Iterable[str]) -> Iterator[str]:
    known = tuple(allowed)
    return (_one_of(name, word, known) for word in _words(text))


def _one_of(name: str, value: str, allowed: Sequence[str]) -> str:
    if value not in allowed:
        raise WrongUse(f"'{name}'", f"must be one of {', '.join(word or 'empty' for word in allowed)}", got=value)
    return value


def _whole(name: str, text: str) -> int | None:
    if not text:
        return None
    # the value is not repeated: it may be what it must not be, a name or a date
    if not (text.isascii() and text.isdecimal() and int(text) <= MOST_ORDINAL):
        raise WrongUse(f"'{name}'", f"must be a whole number from 0 to {MOST_ORDINAL}: no name, no date")
    return int(text)
