#!/usr/bin/env python3
"""Write the tables of docs/ that come from the records in the code: limits, errors, bounds, bands, lesson names.

    python3 scripts/docs_tables.py [--check]

A page holds a table between two comments, `<!-- table: NAME -->` and `<!-- end -->`; all else of it is written by hand.
With --check nothing is written, and the exit status is 1 where a page is not current.
"""

from __future__ import annotations

import ast
import importlib
import inspect
import pkgutil
import re
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import fields, is_dataclass
from functools import singledispatch
from pathlib import Path
from types import ModuleType
from typing import Any

import canalwise
from canalwise.estimator import limits
from canalwise.estimator.approach import error_presets, search_bounds
from canalwise.estimator.approach.search_bounds import Instrument
from canalwise.estimator.cohort.columns import COLUMNS
from canalwise.estimator.level import border_uncertainty
from canalwise.estimator.levels.rules import RULES
from canalwise.estimator.limits import Limit
from canalwise.recon import proposed_levels
from canalwise.recon.measurement.kinds import KINDS, SCALES
from canalwise.recon.naming.countings import SpineAnatomy
from canalwise.recon.naming.likelihoods import BinnedLikelihood, NormalLikelihood
from canalwise.recon.questions import QuestionModel
from canalwise.recon.severity_bands import (
    FLAVUM_THICKNESS_MM,
    POPULATION_DIAMETER_MM,
    Threshold,
    flavum_thickness_mm,
    population_scale,
)
from canalwise.workbench.cohort import case_list
from canalwise.workbench.cohort.results import KEYS
from canalwise.workbench.teaching.placeholders import FACTS, NO_NUMBERS
from canalwise.workbench.teaching.questions import KINDS as QUESTION_KINDS

DOCS = Path(__file__).resolve().parents[1] / "docs"
DEEPEST = 4
"""Records lie no deeper than this in what a module holds."""

BLOCK = re.compile(r"(<!-- table: ([\w-]+) -->\n).*?(<!-- end -->)", re.DOTALL)


def table(heads: Iterable[str], rows: Iterable[Iterable[object]]) -> str:
    """A table in Markdown.

    >>> table(["a", "b"], [[1, "x|y"]])
    '| a | b |\\n|---|---|\\n| 1 | x\\\\|y |\\n'
    """
    lines = [list(heads), *([str(cell).replace("|", "\\|") for cell in row] for row in rows)]
    text = [f"| {' | '.join(line)} |" for line in lines]
    return "\n".join([text[0], "|" + "---|" * len(lines[0]), *text[1:]]) + "\n"


def _limits(records: Mapping[str, Limit]) -> str:
    rows = ((f"`{name}`", f"{r.value:g}", r.unit, r.source, r.evidence) for name, r in records.items())
    return table(("name", "value", "unit", "source", "class"), rows)


def _bounds() -> str:
    bounds = {**search_bounds.BOUNDS, "entry_lateral_mm": search_bounds.ENTRY_LATERAL_MM}
    rows = ((f"`{name}`", f"{b.low:g} to {b.high:g}", b.unit, b.source, b.evidence) for name, b in bounds.items())
    return table(("name", "range", "unit", "source", "class"), rows)


def _instruments() -> str:
    rows = (
        (
            name,
            f"{one.channel.sleeve_diameter_mm:g}",
            f"{one.channel.scope_diameter_mm:g}",
            f"{one.channel.tool_diameter_mm:g}",
            one.source,
            one.evidence,
        )
        for name, one in search_bounds.INSTRUMENTS.items()
    )
    return table(("class of set", "sleeve mm", "scope mm", "tool mm", "source", "class"), rows)


def _bands() -> str:
    scales = {**SCALES, **{f"population, {v}": s for v in POPULATION_DIAMETER_MM if (s := population_scale(v))}}
    rows = (
        (
            scale.quantity + (f" ({key.partition(', ')[2]})" if key.startswith("population") else ""),
            *_band(scale.worse, t),
        )
        for key, scale in scales.items()
        for t in scale.thresholds
    )
    return table(("quantity", "band", "where", "source", "class"), rows)


def _band(worse: str, threshold: Threshold) -> tuple[str, str, str, str]:
    sign = "below" if worse == "low" else "above"
    return threshold.band, f"{sign} {threshold.value:g} {threshold.unit}", threshold.source, threshold.evidence


def _modelled() -> str:
    records = [(f"ligament, {level}", flavum_thickness_mm(level)) for level in (*FLAVUM_THICKNESS_MM, "other levels")]
    records += [(r.band, r) for r in vars(border_uncertainty).values() if isinstance(r, Threshold)]
    return _named(records)


def _records(records: Iterable[Threshold]) -> str:
    return _named((r.band, r) for r in records)


def _named(records: Iterable[tuple[str, Threshold]]) -> str:
    return table(
        ("what", "value", "unit", "source", "class"),
        ((what, f"{r.value:g}", r.unit, r.source, r.evidence) for what, r in records),
    )


def _ranges() -> str:
    rows = (
        (kind.quantity, f"{r.low:g} to {r.high:g}", kind.unit, r.source, r.evidence)
        for kind in KINDS.values()
        if (r := kind.plausible) is not None
    )
    return table(("quantity", "range", "unit", "source", "class"), rows)


def _placeholders() -> str:
    kinds: dict[str, list[str]] = {}
    for name in FACTS:
        kind, _, of = name.partition(":")
        kinds.setdefault(kind, []).append(of)
    rows = (
        (
            f"`{{{kind}}}`" if names == [""] else f"`{{{kind}:...}}`",
            ", ".join(n for n in names if n),
            _blind(kind, names),
        )
        for kind, names in kinds.items()
    )
    return table(("placeholder", "of", "in a blind lesson"), rows)


def _blind(kind: str, names: list[str]) -> str:
    return "yes" if all((f"{kind}:{n}" if n else kind) in NO_NUMBERS for n in names) else "no"


def _questions() -> str:
    return table(("kind", "of"), ((f"`{name}`", ", ".join(kind.subjects)) for name, kind in QUESTION_KINDS.items()))


def _cohort_list() -> str:
    return table(("column", "holds"), ((f"`{name}`", words) for name, words in case_list.COLUMNS.items()))


def _cohort_columns() -> str:
    keys = [(name, kind, words, "") for name, (kind, words) in KEYS.items()]
    numbers = [(c.name, c.kind, c.meaning, "yes" if c.ends else "") for c in COLUMNS]
    return table(("column", "kind", "meaning", "interval"), ((f"`{name}`", *rest) for name, *rest in [*keys, *numbers]))


def _errors() -> str:
    """Both tilts are alike, so one stands for both."""
    rows = (
        (guidance, experience, f"`{name}`", f"{record.value:g}", record.unit, record.source, record.evidence)
        for (guidance, experience), records in error_presets.PRESETS.items()
        for name, record in records.items()
        if name != "cranial_tilt_sd_deg"
    )
    return table(("guidance", "experience", "name", "value", "unit", "source", "class"), rows)


def _registry() -> str:
    """Every record of every module, by module and name, with its amount in words where it is no single number."""
    rows, home = [], dict[int, str]()
    modules = (m.name for m in pkgutil.walk_packages(canalwise.__path__, "canalwise.") if not m.ispkg)
    for name in sorted(module for module in modules if not _skipped(module)):
        for path, record in _sourced_records(_assigned(importlib.import_module(name))):
            # what one module makes of another's records is shown there
            if home.setdefault(id(record), name) == name:
                words = (_amount(record), getattr(record, "unit", None) or "", record.source, record.evidence)
                rows.append((f"`{name.removeprefix('canalwise.')}`", f"`{path}`", *words))
    return table(("module", "name", "value", "unit", "source", "class"), rows)


def _skipped(module: str) -> bool:
    """Modules that ask for what need not be installed, or are run by another program."""
    return module.endswith((".gpu", ".pyvista_scene", ".worker_start"))


def _assigned(module: ModuleType) -> dict[str, Any]:
    """The public names that a module assigns, not those it imports."""
    body = ast.parse(inspect.getsource(module)).body
    targets = (node.targets if isinstance(node, ast.Assign) else [node.target] for node in body
               if isinstance(node, ast.Assign | ast.AnnAssign))  # fmt: skip
    names = (name.id for some in targets for target in some for name in ast.walk(target) if isinstance(name, ast.Name))
    return {name: vars(module)[name] for name in names if name[:1].isupper() and name in vars(module)}


def _sourced_records(names: Mapping[str, Any]) -> Iterator[tuple[str, Any]]:
    """(path, record) of each record among values, in their mappings and tuples, and in what these hold."""
    for name, value in names.items():
        yield from _sourced_within(name, value, 0)


def _sourced_within(path: str, value: Any, depth: int) -> Iterator[tuple[str, Any]]:
    if isinstance(value, type) or depth > DEEPEST:
        return
    if isinstance(getattr(value, "source", None), str) and isinstance(getattr(value, "evidence", None), str):
        yield path, value
    elif isinstance(value, Mapping):
        for key, inner in value.items():
            words = " ".join(map(str, key)) if isinstance(key, tuple) else key
            yield from _sourced_within(f"{path}.{words}", inner, depth + 1)
    elif isinstance(value, tuple):
        for number, inner in enumerate(value):
            # a record of a list goes by its own name, where it has one, and else by its place
            word = getattr(inner, "name", None) or getattr(inner, "question", None) or number
            yield from _sourced_within(f"{path}.{word}", inner, depth + 1)
    elif is_dataclass(value):
        for field in fields(value):
            yield from _sourced_within(f"{path}.{field.name}", getattr(value, field.name), depth + 1)


@singledispatch
def _amount(record: Any) -> str:
    if hasattr(record, "value"):
        return f"{record.value:g}" if isinstance(record.value, int | float) else str(record.value)
    if hasattr(record, "low") and hasattr(record, "high"):
        return f"{record.low:g} to {record.high:g}"
    return _listed(record.values)


@_amount.register
def _(instrument: Instrument) -> str:
    channel = instrument.channel
    widths = (channel.sleeve_diameter_mm, channel.scope_diameter_mm, channel.tool_diameter_mm)
    return "sleeve {:g}, scope {:g}, tool {:g} mm".format(*widths)


@_amount.register
def _(anatomy: SpineAnatomy) -> str:
    return f"share {anatomy.frac:.3g}"


@_amount.register
def _(normal: NormalLikelihood) -> str:
    return f"mean {normal.mean:g}, SD {normal.sd:g}, strays {normal.stray_frac:g} over {normal.stray_range:g}"


@_amount.register
def _(binned: BinnedLikelihood) -> str:
    bins = ", ".join(f"{edge:g}" for edge in binned.edges)
    rows = (f"{sort} {' / '.join(f'{share:g}' for share in shares)}" for sort, shares in binned.by_sort.items())
    return f"bins parted at {bins}: {'; '.join(rows)}"


@_amount.register
def _(model: QuestionModel) -> str:
    return f"{model.intercept:g}; {_listed(model.weights)}; scatter {model.scatter:g}"


def _listed(values: Mapping[str, float]) -> str:
    return ", ".join(f"{key} {number:g}" for key, number in values.items())


TABLES: Mapping[str, Callable[[], str]] = {
    "limits": lambda: _limits(limits.DEFAULTS),
    "errors": _errors,
    "bounds": _bounds,
    "instruments": _instruments,
    "bands": _bands,
    "modelled": _modelled,
    "proposal": lambda: _records(proposed_levels.THRESHOLDS),
    "ranges": _ranges,
    "placeholders": _placeholders,
    "questions": _questions,
    "registry": _registry,
    "cohort-list": _cohort_list,
    "cohort-columns": _cohort_columns,
    "levels": lambda: _limits(RULES),
}
"""Name of a table in a page -> what it holds."""


def current(text: str) -> str:
    """A page's text with its tables made anew; KeyError for the name of no table."""
    return BLOCK.sub(lambda found: found[1] + "\n" + TABLES[found[2]]() + "\n" + found[3], text)


def main() -> int:
    """0 when every page is current, or was made so."""
    stale = [page for page in sorted(DOCS.glob("*.md")) if current(page.read_text()) != page.read_text()]
    for page in stale:
        print(f"{page.name} {'is not current' if '--check' in sys.argv else 'was written anew'}")
        if "--check" not in sys.argv:
            page.write_text(current(page.read_text()))
    return 1 if stale and "--check" in sys.argv else 0


if __name__ == "__main__":
    sys.exit(main())
