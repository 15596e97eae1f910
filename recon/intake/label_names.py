"""The file that says what the values of a label map made elsewhere mean.

A TOML file with one ``[[file]]`` table per label map, in the order the maps are given, from value to name::

    schema = "canalwise.label-names/1"
    [[file]]
    22 = "L3"
    23 = "L4"
    [[file]]
    41 = "arch"
    43 = "transverse left"
    60 = "sac"

A name is a vertebra ('L3'), a part ('lamina left', 'body', 'arch'), both ('L3 lamina left'), a disc
('disc', 'L3-L4 disc'), a content of the canal ('canal', 'sac', 'flavum', 'calcified', 'root'), 'soft' or
'ignore'. Value 0 means nothing and need not be named. Where maps overlap, what they say of a voxel is combined.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from canalwise.recon.errors import BadFile, WrongUse, shown
from canalwise.recon.labels import VERTEBRAE, Part, Tissue, label_names, level_vertebrae, vertebra_number
from canalwise.recon.text_files import read_toml

SCHEMA = "canalwise.label-names/1"

LONGEST_VALUE = 20
"""Digits of a value that is looked at; more are no label's."""

PARTS = {part.name.lower().replace("_", " "): part for part in Part} | {"arch": Part.UNDIVIDED}
TISSUES = {tissue.name.lower(): tissue for tissue in Tissue if tissue != Tissue.OUTSIDE}


@dataclass(frozen=True)
class VoxelMeaning:
    """What one value says of a voxel; 0 or OUTSIDE where it says nothing.

    >>> VoxelMeaning(vertebra=22) == meaning("L3")
    True
    """

    vertebra: int = 0
    part: int = 0
    tissue: Tissue = Tissue.OUTSIDE
    ignored: bool = False


def meaning(name: str) -> VoxelMeaning:
    """What a name says; raises WrongUse with the names there are.

    >>> meaning("L3-L4 disc").vertebra, meaning("lamina left").part
    (22, <Part.LAMINA_LEFT: 6>)
    """
    first, _, rest = name.strip().partition(" ")
    if name.strip() == "ignore":
        return VoxelMeaning(ignored=True)
    if name.strip() in TISSUES:
        return VoxelMeaning(tissue=TISSUES[name.strip()])
    if name.strip() in PARTS:
        return VoxelMeaning(part=PARTS[name.strip()])
    if "-" in first and rest.strip() == "disc":
        return VoxelMeaning(vertebra_number(level_vertebrae(first)[0]), Part.DISC)
    if first in VERTEBRAE and (not rest or rest.strip() in PARTS):
        return VoxelMeaning(vertebra_number(first), PARTS[rest.strip()] if rest else 0)
    known = ", ".join([*VERTEBRAE, *PARTS, *TISSUES, "ignore"])
    raise WrongUse(
        "label name",
        f"must be made of: {known}",
        got=name,
        do="Write for example 'L3', 'lamina left', 'L3 lamina left' or 'L3-L4 disc'.",
    )


def own_meanings() -> Mapping[int, VoxelMeaning]:
    """What the numbers of `recon.labels` say.

    >>> own_meanings()[2206]
    VoxelMeaning(vertebra=22, part=6, tissue=<Tissue.OUTSIDE: 0>, ignored=False)
    """
    return {
        value: VoxelMeaning(value // 100, value % 100) if value >= 100 else VoxelMeaning(tissue=Tissue(value))
        for value in label_names()
    }


def read_label_names(path: str | Path) -> tuple[Mapping[int, VoxelMeaning], ...]:
    """One table, value -> meaning, per label map; raises BadFile or WrongUse naming every wrong entry."""
    data = read_toml(Path(path), "the label names")
    if data.get("schema") != SCHEMA:
        raise BadFile("the label names", f"must say schema = {SCHEMA!r}", got=data.get("schema"))
    tables = data.get("file", [])
    whole = isinstance(tables, list) and bool(tables) and all(isinstance(table, dict) for table in tables)
    if set(data) != {"schema", "file"} or not whole:
        raise BadFile("the label names", "must hold 'schema' and one [[file]] table per label map", got=sorted(data))
    return tuple(_meanings(table, number) for number, table in enumerate(tables, start=1))


def _meanings(table: Mapping[str, object], number: int) -> Mapping[int, VoxelMeaning]:
    found: dict[int, VoxelMeaning] = {}
    problems: list[str] = []
    for key, name in table.items():
        try:
            found[_value(key)] = meaning(_text(name))
        except WrongUse as problem:
            problems.append(f"{key[:LONGEST_VALUE]} = {shown(name)}: {problem.rule}")
    if problems:
        raise WrongUse(f"[[file]] table {number}", "must map whole numbers to names", got=_unrepeated(problems))
    return found


def _value(key: str) -> int:
    if not key.isascii() or not key.isdecimal() or len(key) > LONGEST_VALUE or int(key) > 65535:
        raise WrongUse("label value", "the value must be a whole number from 0 to 65535", got=key)
    return int(key)


def _text(name: object) -> str:
    if not isinstance(name, str):
        raise WrongUse("label name", "the name must be text", got=name)
    return name


def _unrepeated(problems: Sequence[str]) -> list[str]:
    """The problems, with the long list of known names only in the first that carries it."""
    seen: set[str] = set()
    kept = []
    for problem in problems:
        entry, _, rule = problem.partition(": ")
        kept.append(entry if rule in seen else problem)
        seen.add(rule)
    return kept
