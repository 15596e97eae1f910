"""Results that show themselves in a notebook: import this module there, and a result at a cell's end is drawn.

Elsewhere `shown(result)` wraps one in an object with a picture or a table. `opened(folder).show()` puts the rehearsal
page of a case into the notebook.
"""

from __future__ import annotations

import sys
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, singledispatch
from html import escape
from pathlib import Path
from typing import Any

from canalwise.estimator.charts.entry_map import EntryMap
from canalwise.estimator.charts.instrument_chart import InstrumentChart
from canalwise.estimator.charts.tilt_chart import TiltChart
from canalwise.estimator.comparison.access_results import AccessComparison
from canalwise.estimator.comparison.accesses_json import comparison_as_json
from canalwise.estimator.estimate.estimate import Estimate
from canalwise.estimator.estimate.estimate_json import estimate_as_json
from canalwise.estimator.search.search_json import search_as_json
from canalwise.estimator.search.search_values import SearchResult
from canalwise.recon.case.folder import Case, read_case
from canalwise.recon.disclaimer import CAUTION
from canalwise.workbench.charts.plan_charts import caption_of, figure_of
from canalwise.workbench.console.freed_tables import verdict_lines
from canalwise.workbench.console.json_results import with_decompression
from canalwise.workbench.console.search_tables import ACCESS_COLUMNS, PICKS, access_row, fact_rows
from canalwise.workbench.console.tables import LIMIT_COLUMNS, headline_rows, reach_line, verdict_row
from canalwise.workbench.rehearsal.server.registry import request_kinds
from canalwise.workbench.rehearsal.server.server import BoundServer, serving
from canalwise.workbench.rehearsal.session.session import Session
from canalwise.workbench.style.data_uris import chart_uri, drawing_style
from canalwise.workbench.teaching.lesson import built_in_lessons


@dataclass(frozen=True)
class NotebookView:
    """A result as a notebook shows it."""

    html: str

    def _repr_html_(self) -> str:
        return self.html


@dataclass(frozen=True, eq=False, repr=False)
class NotebookCase(Case):
    """A case that can be rehearsed on from a notebook; everything else about it is `recon.case.folder.Case`."""

    @cached_property
    def served(self) -> BoundServer:
        """The case's server, on this machine alone, running until the notebook ends."""
        one = serving(Session(self, built_in_lessons()), request_kinds())
        threading.Thread(target=one.run, name="rehearsal", daemon=True).start()
        return one

    def show(self, height_px: int = 860) -> NotebookView:
        """The rehearsal page in a frame; where the notebook runs on this machine, for the server answers no other."""
        address = escape(self.served.address.url)
        return NotebookView(f'<iframe src="{address}" title="Rehearsal" width="100%" height="{height_px:d}"></iframe>')


def opened(folder: str | Path) -> NotebookCase:
    """The case in a folder; raises what `recon.case.folder.read_case` raises.

    >>> opened("case").show()                                  # doctest: +SKIP
    """
    case = read_case(folder)
    return NotebookCase(case.scan, case.anatomy, case.folder)


def shown(result: object) -> NotebookView:
    """The result as something that a notebook draws.

    >>> shown("a < b").html
    '<pre>a &lt; b</pre>'
    """
    return NotebookView(html_of(result))


@singledispatch
def html_of(result: object) -> str:
    """A result as HTML: a picture, a table, or its text where there is neither.

    >>> html_of("a < b")
    '<pre>a &lt; b</pre>'
    """
    return f"<pre>{escape(str(result))}</pre>"


@html_of.register
def _estimate_html(result: Estimate) -> str:
    document = with_decompression(estimate_as_json(result), result.prepared, result.approach)
    head = f"<p><b>{document['level']}, entry on the patient's {document['side']}</b></p>"
    numbers = table_html(("quantity (95 % interval)", "task", "cone (whole sweep)"), headline_rows(document))
    limits = table_html(LIMIT_COLUMNS, [verdict_row(v) for v in document["verdicts"]])
    verdict = "".join(f"<p><b>{escape(line)}</b></p>" for line in verdict_lines(document))
    return f"{head}{verdict}{numbers}{limits}<p>{escape(reach_line(document))}</p>{_caution()}"


@html_of.register
def _search_html(result: SearchResult) -> str:
    document = search_as_json(result)
    picks = [(words, document[key]) for key, words in PICKS.items() if document[key]]
    facts = table_html(("", *(words for words, _ in picks)), fact_rows([pick for _, pick in picks]))
    head = f"<p><b>Level {document['level']}</b></p>"
    return f"{head}{facts}<p>{escape(document['reason'])}</p>{_caution()}"


@html_of.register
def _comparison_html(result: AccessComparison) -> str:
    document = comparison_as_json(result)
    rows = table_html(ACCESS_COLUMNS, [access_row(row) for row in document["rows"]])
    return f"<p><b>Level {document['level']}</b></p>{rows}<p>{escape(document['conclusion'])}</p>{_caution()}"


@html_of.register(TiltChart)
@html_of.register(EntryMap)
@html_of.register(InstrumentChart)
def _chart_html(result: TiltChart | EntryMap | InstrumentChart) -> str:
    with drawing_style():
        picture = chart_uri(figure_of(result))
    caption = escape(caption_of(result))
    return f'<figure><img src="{picture}" alt="{caption}"><figcaption>{caption}</figcaption></figure>{_caution()}'


def table_html(columns: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """A plain table.

    >>> table_html(["a"], [["<"]])
    '<table><thead><tr><th>a</th></tr></thead><tbody><tr><td>&lt;</td></tr></tbody></table>'
    """
    head = "".join(f"<th>{escape(name)}</th>" for name in columns)
    body = "".join(f"<tr>{''.join(f'<td>{escape(cell)}</td>' for cell in row)}</tr>" for row in rows)
    return f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"


def _caution() -> str:
    return f"<p><small>{escape(CAUTION)}</small></p>"


def teach(html_formatter: Any) -> None:
    """Makes a notebook's HTML formatter draw every kind of result that has a picture or a table."""
    for kind in html_of.registry:
        if kind is not object:
            html_formatter.for_type(kind, html_of)


def _inside_notebook() -> Any:
    """The HTML formatter of the notebook this runs in; None elsewhere."""
    shell = getattr(sys.modules.get("IPython"), "get_ipython", lambda: None)()
    return None if shell is None else shell.display_formatter.formatters["text/html"]


if (_formatter := _inside_notebook()) is not None:
    teach(_formatter)
