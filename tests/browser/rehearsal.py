"""A rehearsal page under a test's hand: what a person would do on it, and what the page then says."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

WAIT_MS = 60_000
"""Longest wait for anything: a busy machine that draws in software is slow, and slowness is no failure."""

RESTED = """() => {
  const told = window.rehearsal && window.rehearsal.store.state;
  return Boolean(told && told.fresh && !told.moving && told.answer && told.answer.estimate.samples > 0 && told.removal);
}"""


@dataclass
class Rehearsal:
    """One page in one browser tab; `wrong` gathers whatever the page complained of."""

    page: Any
    wrong: list[str] = field(default_factory=list)

    def open(self, url: str) -> Rehearsal:
        """Goes there, and listens for complaints."""
        self.page.set_default_timeout(WAIT_MS)
        self.page.on("pageerror", lambda error: self.wrong.append(str(error)))
        self.page.on("console", lambda said: self.wrong.append(said.text) if said.type == "error" else None)
        self.page.goto(url)
        self.page.wait_for_function("() => Boolean(window.rehearsal)")
        return self

    def confirm(self, level: str) -> Rehearsal:
        """Says which level is meant."""
        asked = self.page.get_by_role("dialog")
        asked.locator(f"input[value='{level}']").check()
        asked.get_by_role("button", name=f"Yes, this is {level}").click()
        return self

    def rest(self) -> Rehearsal:
        """Waits until numbers with intervals and the removal belong to the plan on the picture."""
        self.page.wait_for_function(RESTED)
        return self

    def state(self, path: str) -> Any:
        """What the page's state holds at a dotted path."""
        return self.page.evaluate(f"() => window.rehearsal.store.state.{path}")

    def do(self, script: str) -> Any:
        """Runs a script that has `store`, `link`, `bench`, `scope` and `slices` in reach."""
        named = "const {store, link, bench, scope, slices} = window.rehearsal;"
        return self.page.evaluate(f"() => {{ {named} {script} }}")

    @property
    def far_tilt(self) -> float:
        """Medial tilt of the last phase, degrees."""
        return float(self.do("return store.state.plan.phases.at(-1).medial_tilt_deg"))

    def panel(self, name: str) -> Any:
        """Opens a panel of the lower strip by its tab."""
        self.page.get_by_role("tab", name=name, exact=True).click()
        return self.page.locator(f"#panel-{name.lower()}")

    def rows(self, table: str) -> list[list[str]]:
        """The words of a table's body, row by row, as they stand on the page."""
        script = "rows => rows.map(row => [...row.cells].map(cell => cell.textContent))"
        told: list[list[str]] = self.page.eval_on_selector_all(f"#table-{table} tbody tr", script)
        return told
