"""Messages of the socket, parsed into requests; and errors as replies."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from types import GenericAlias
from typing import Any, NoReturn, get_args, get_origin

import cattrs

from canalwise.recon.errors import CanalwiseError, WrongUse
from canalwise.recon.serialization import exactly
from canalwise.workbench.rehearsal.session.request import RequestKind

MESSAGE_BYTES = 1 << 20
"""Longest message a page may send: the longest carries a picture of the scope's view."""

GREATEST_SEQ = 2**53 - 1
"""Greatest whole number that a page can count to exactly."""

LONGEST_QUOTED = 200
"""Characters of a wrong value that are quoted back."""

WHO = "the message"


@dataclass(frozen=True)
class PageMessage:
    """One request: its number, its name, its kind and its message."""

    seq: int
    name: str
    ask: RequestKind
    message: Any


@dataclass(eq=False)
class MalformedMessage(Exception):
    """A message that is no valid request; `seq` is 0 and `name` empty where they are missing."""

    problem: CanalwiseError
    seq: int = 0
    name: str = ""

    def __str__(self) -> str:
        return str(self.problem)


def question_of(text: str, asks: Mapping[str, RequestKind]) -> PageMessage:
    """The request in a text frame; raises MalformedMessage with what is wrong with it.

    >>> question_of('{"seq": 1, "ask": "dance"}', {})  # doctest: +ELLIPSIS
    Traceback (most recent call last):
    canalwise...MalformedMessage: the message must ask a question that is known (got 'dance').
    """
    try:
        data = json.loads(text, parse_constant=_refused, parse_float=_finite, parse_int=_bounded)
    except (ValueError, RecursionError) as problem:
        reported = str(problem) if isinstance(problem, _Unreadable) else "must be JSON"
        raise MalformedMessage(WrongUse(WHO, reported)) from None
    if not _is_text(data):
        raise MalformedMessage(WrongUse(WHO, "must hold whole characters only"))
    if not isinstance(data, dict):
        raise MalformedMessage(WrongUse(WHO, "must be a JSON object", got=type(data).__name__))
    seq, name = data.pop("seq", None), data.pop("ask", None)
    if type(seq) is not int or not 0 < seq <= GREATEST_SEQ:
        raise MalformedMessage(WrongUse(WHO, "must carry a whole number 'seq' above 0"))
    if not isinstance(name, str) or name not in asks:
        raise MalformedMessage(WrongUse(WHO, "must ask a question that is known", got=name), seq)
    try:
        return PageMessage(seq, name, asks[name], read_as(asks[name].message, data))
    except CanalwiseError as problem:
        raise MalformedMessage(problem, seq, name) from None


def read_as(kind: type[Any], data: Any, who: str = WHO) -> Any:
    """JSON data as a frozen dataclass; raises the WrongUse that its own checks raise, or one that lists every fault."""
    try:
        return _CONVERTER.structure(data, kind)
    except cattrs.BaseValidationError as problem:
        own = next(_own_problems(problem), None)
        if own is not None:
            raise own from None
        faults = cattrs.transform_error(problem, path="", format_exception=_fault)
        raise WrongUse(who, "must hold what the question asks for", got=sorted(set(faults))) from None


def problem_json(problem: CanalwiseError) -> dict[str, str]:
    """An error as the page's Problem.

    >>> problem_json(WrongUse("the name", "must be short", got="x"))
    {'who': 'the name', 'rule': 'must be short', 'got': "'x'", 'do': ''}
    """
    got = "" if problem.got is None else _short(repr(problem.got))
    return {"who": _short(problem.who), "rule": problem.rule, "got": got, "do": problem.do}


def _is_text(data: Any) -> bool:
    """Can all its text be written? JSON allows halves of characters."""
    try:
        json.dumps(data, ensure_ascii=False).encode()
    except UnicodeEncodeError:
        return False
    return True


def _short(text: str) -> str:
    return text if len(text) <= LONGEST_QUOTED else text[: LONGEST_QUOTED - 3] + "..."


class _Unreadable(ValueError):
    """A number that is none."""


def _refused(_: str) -> NoReturn:
    raise _Unreadable("must hold finite numbers only")


def _finite(text: str) -> float:
    value = float(text)
    return value if math.isfinite(value) else _refused(text)


def _bounded(text: str) -> int:
    # longer ones are no quantity, and take their time to read
    return int(text) if len(text) <= 20 else _refused(text)


def _own_problems(problem: BaseException) -> Iterator[CanalwiseError]:
    if isinstance(problem, CanalwiseError):
        yield problem
    for inner in getattr(problem, "exceptions", ()):
        yield from _own_problems(inner)


def _fault(problem: BaseException, _: type[Any] | None) -> str:
    if isinstance(problem, KeyError):
        return "is missing"
    if isinstance(problem, cattrs.ForbiddenExtraKeysError):
        return f"has unknown keys: {_short(', '.join(sorted(map(str, problem.extra_fields))))}"
    return str(problem) if type(problem) is ValueError else "is of the wrong kind"


def _number(value: Any, _: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError("must be a number")
    return float(value)


def _tuple_hook(kind: Any) -> Any:
    """Only a list is read as a tuple: a text would be taken apart into its letters, an object into its keys."""
    inner, *rest = get_args(kind)
    listed: Any = GenericAlias(list, (inner,))

    def checked(value: Any, _: Any) -> Any:
        if not isinstance(value, list):
            raise ValueError("must be a list")
        if rest != [...] and len(value) != 1 + len(rest):
            raise ValueError(f"must hold {1 + len(rest)} values")
        return tuple(_CONVERTER.structure(value, listed))

    return checked


def _is_tuple(kind: Any) -> bool:
    origin: Any = get_origin(kind)
    return origin is tuple


def _converter() -> cattrs.Converter:
    converter = cattrs.Converter(forbid_extra_keys=True)
    converter.register_structure_hook(float, _number)
    converter.register_structure_hook(int, exactly(int, "a whole number"))
    converter.register_structure_hook(str, exactly(str, "text"))
    converter.register_structure_hook(bool, exactly(bool, "true or false"))
    converter.register_structure_hook_factory(_is_tuple, _tuple_hook)
    return converter


_CONVERTER = _converter()
