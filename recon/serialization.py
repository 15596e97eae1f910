"""Frozen dataclasses as plain, readable data and back, exactly; and files written whole or not at all.

Numbers survive because Python writes the shortest decimal that reads back as the same double
(https://docs.python.org/3/tutorial/floatingpoint.html). Infinities and not-a-number are written as text,
since JSON has none; an array without elements keeps its shape as ``{"shape": [0, 3]}``.
"""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, TypeVar, get_args, get_origin

import cattrs
import numpy as np

from canalwise.recon.errors import BadFile, CanalwiseError
from canalwise.recon.folder_lock import hold

Record = TypeVar("Record")

WRITING = ".writing-"
"""Begins the name of what is being written, until it is whole and gets its own."""

TEXT_NUMBERS = ("nan", "inf", "-inf")
"""Numbers that are written as text."""

_COMPACT = json.JSONEncoder(ensure_ascii=False, allow_nan=False)


def to_data(record: Any) -> Any:
    """Plain dicts, lists, text and numbers of a frozen dataclass.

    >>> from canalwise.recon.anatomy import Measurement
    >>> to_data(Measurement("canal area", 180.0, "mm2", "canal", "disc"))["value"]
    180.0
    """
    return _CONVERTER.unstructure(record)


def from_data(kind: type[Record], data: Any, *, who: str, error: type[CanalwiseError] = BadFile) -> Record:
    """The record that `to_data` gave; the inverse, to the last bit.

    Raises `error` with every wrong, missing or unknown field at once.

    >>> from canalwise.recon.anatomy import Measurement
    >>> from_data(Measurement, {"name": "slip", "value": "much"}, who="the measurement")
    Traceback (most recent call last):
    canalwise.recon.errors.BadFile: the measurement must be a whole Measurement (got ['value must be a number', 'at is \
missing', 'structure is missing', 'unit is missing']).
    """
    try:
        if not isinstance(data, Mapping):
            raise error(who, "must be a table of fields", got=type(data).__name__)
        return _CONVERTER.structure(data, kind)
    except cattrs.BaseValidationError as problem:
        reported = sorted(set(_problems(problem, "")), key=lambda text: (text.endswith("missing"), text))
    raise error(who, f"must be a whole {kind.__name__}", got=reported)


def with_schema(schema: str, data: Mapping[str, Any]) -> dict[str, Any]:
    """The data under its schema's name, which comes first.

    >>> with_schema("canalwise.plan/1", {"level": "L3-L4"})
    {'schema': 'canalwise.plan/1', 'level': 'L3-L4'}
    """
    return {"schema": schema, **data}


def without_schema(schema: str, data: Any, *, who: str, error: type[CanalwiseError] = BadFile) -> dict[str, Any]:
    """The data without its schema's name; raises `error` when that is another kind or version.

    >>> without_schema("canalwise.plan/1", {"schema": "canalwise.plan/1", "level": "L3-L4"}, who="the plan")
    {'level': 'L3-L4'}
    """
    found = data.get("schema") if isinstance(data, Mapping) else type(data).__name__
    if found != schema:
        raise error(who, f"must carry the schema {schema!r}", got=found, do="Make it again with this version.")
    return {key: value for key, value in data.items() if key != "schema"}


def json_text(data: Any) -> str:
    """Readable JSON: keys in the order given, lists of numbers on one line, a newline at the end.

    >>> print(json_text({"a": [1.0, 2.5]}), end="")
    {
     "a": [1.0, 2.5]
    }
    """
    return _spread(data, 0) + "\n"


def _spread(data: Any, depth: int) -> str:
    """One line an entry, but for lists of numbers: the library's own encoder makes whole lines, many times faster."""
    start, end = "\n" + " " * (depth + 1), "\n" + " " * depth
    if isinstance(data, dict) and data:
        entries = (f"{_key(key)}: {_spread(value, depth + 1)}" for key, value in data.items())
        return "{" + start + f",{start}".join(entries) + end + "}"
    if not isinstance(data, list | tuple) or not data or all(map(_is_number, data)):
        return _COMPACT.encode(data)
    if all(type(row) is list and row and {*map(type, row)} <= {int, float} for row in data):
        return "[" + start + _COMPACT.encode(data)[1:-1].replace("], [", f"],{start}[") + end + "]"
    return "[" + start + f",{start}".join(_spread(item, depth + 1) for item in data) + end + "]"


def _key(key: Any) -> str:
    return _COMPACT.encode(key if isinstance(key, str) else _COMPACT.encode(key))


def _is_number(value: Any) -> bool:
    if isinstance(value, str):
        return value in TEXT_NUMBERS
    return isinstance(value, int | float) and not isinstance(value, bool)


def read_json(path: Path, *, who: str, error: type[CanalwiseError] = BadFile) -> Any:
    """The data in a JSON file; raises `error` when it is missing or not JSON."""
    try:
        return json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError) as problem:
        raise error(who, "must be a readable JSON file", got=type(problem).__name__) from None


def write_json_atomic(path: Path, data: Any) -> None:
    """Write JSON beside its place, then rename it there: whole or not at all.

    >>> with tempfile.TemporaryDirectory() as folder:
    ...     write_json_atomic(Path(folder, "a.json"), {"area_mm2": 0.1 + 0.2})
    ...     read_json(Path(folder, "a.json"), who="the example")
    {'area_mm2': 0.30000000000000004}
    """
    write_bytes_atomic(path, json_text(data).encode())


def write_bytes_atomic(path: Path, content: bytes) -> None:
    """Write a file beside its place, then rename it there: whole or not at all."""
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=WRITING)
    try:
        with os.fdopen(handle, "wb") as file, hold(Path(name)):
            file.write(content)
        os.chmod(name, 0o644)
        os.replace(name, path)
    except BaseException:
        # Ctrl-C included.
        Path(name).unlink(missing_ok=True)
        raise


def exactly(kind: type, reported: str) -> Any:
    """A hook of a converter that takes a value of just one kind, said as `reported` where it is another.

    >>> exactly(int, "a whole number")(3, int)
    3
    """

    def checked(value: Any, _: Any) -> Any:
        if type(value) is not kind:
            raise ValueError(f"must be {reported}")
        return value

    return checked


def _is_array(kind: Any) -> bool:
    return kind is np.ndarray or get_origin(kind) is np.ndarray


def _array_data(array: np.ndarray[Any, Any]) -> Any:
    if array.size == 0:
        return {"shape": list(array.shape)}
    if array.dtype.kind == "f" and not np.isfinite(array).all():
        return _with_text_numbers(array.tolist())
    return array.tolist()


def _with_text_numbers(value: Any) -> Any:
    return [_with_text_numbers(item) for item in value] if isinstance(value, list) else _float_data(value)


def _float_data(value: float) -> float | str:
    return float(value) if np.isfinite(value) else repr(float(value))


def _array(data: Any, kind: Any) -> np.ndarray[Any, Any]:
    dtype = np.dtype(get_args(get_args(kind)[1])[0])
    try:
        if isinstance(data, Mapping):
            return np.array([], dtype=dtype).reshape(data["shape"])
        return np.array(data, dtype=dtype)
    except (KeyError, TypeError, ValueError, OverflowError):
        raise ValueError("must be an array of numbers") from None


def _number(value: Any, _: Any) -> float:
    if value in ("nan", "inf", "-inf"):
        return float(value)
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError("must be a number")
    return float(value)


def _problems(problem: BaseException, path: str) -> Iterator[str]:
    """One line per wrong field, with its path."""
    if isinstance(problem, cattrs.ForbiddenExtraKeysError):
        yield from (f"{path + '.' if path else ''}{key} is unknown" for key in sorted(problem.extra_fields))
    elif isinstance(problem, KeyError):
        yield f"{path} is missing"
    elif isinstance(problem, AttributeError | TypeError):
        yield f"{path} must be a table or list as its kind asks"
    elif not isinstance(problem, cattrs.BaseValidationError):
        yield f"{path} {problem}".strip()
    else:
        for inner in problem.exceptions:
            yield from _problems(inner, _path_of(inner, path))


def _path_of(problem: BaseException, path: str) -> str:
    for note in getattr(problem, "__notes__", ()):
        if isinstance(note, cattrs.IterableValidationNote):
            path += f"[{note.index!r}]"
        elif isinstance(note, cattrs.AttributeValidationNote):
            path += f".{note.name}" if path else note.name
    return path


def _converter() -> cattrs.Converter:
    # Unknown keys are refused: a misspelt option would otherwise fall back to its default unseen.
    converter = cattrs.Converter(forbid_extra_keys=True)
    converter.register_unstructure_hook_func(_is_array, _array_data)
    converter.register_unstructure_hook(np.ndarray, _array_data)
    converter.register_unstructure_hook(float, _float_data)
    converter.register_structure_hook_func(_is_array, _array)
    converter.register_structure_hook(float, _number)
    converter.register_structure_hook(int, exactly(int, "a whole number"))
    converter.register_structure_hook(str, exactly(str, "text"))
    converter.register_structure_hook(bool, exactly(bool, "true or false"))
    return converter


_CONVERTER = _converter()
