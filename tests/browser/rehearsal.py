"""A rehearsal page driven by a test: what a person would do on it, and what the page then says."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

WAIT_MS = 180_000
"""Longest wait for anything: a busy machine that draws in software is slow, and slowness is no failure."""

LONG_WAIT_MS = 900_000
"""The same for a search or a comparison, which look at hundreds of approaches."""

RESTED = """() => {
  const now = window.rehearsal && window.rehearsal.store.state;
  return Boolean(now && now.fresh && !now.moving && now.answer && now.answer.estimate.samples > 0 && now.removal);
}"""

BEGIN_ANEW = """async ([level, side]) => {
  const {store, link, bench} = window.rehearsal;
  const {facts} = store.state;
  const request = {ask: 'start', level, side, instrument: facts.instruments[0].name};
  const {plan} = (await link.ask(request)).answer;
  document.querySelectorAll('dialog[open]').forEach((box) => box.close());
  store.settle();
  const shown = {bone: true, sac: true, disc: true, joint_left: true, joint_right: true};
  const looks = {theme: 'dark', turned: 'theatre', grey_window: facts.grey_window, phase: 0, scope_past_mm: -12,
                 scope_view_deg: 80, scope_turn_deg: 0, shown, clip: '', clip_mm: 0, bone_opacity: 1, panel: 'slices'};
  const confirmed = {[`${level} ${side}`]: true};
  store.restore({plan, confirmed, looks, name: '', task: facts.tasks, pins: [], measurement: null, blind: false,
                 problem: ''});
  bench.show('oblique');
}"""
"""A page as it is when a case is opened, without opening it again."""

DRAWN = "() => ['bench', 'scope', 'slices'].every((picture) => window.rehearsal[picture].drawn > 0)"


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
        dialog = self.page.get_by_role("dialog")
        dialog.locator(f"input[value='{level}']").check()
        dialog.get_by_role("button", name=f"Yes, this is {level}").click()
        return self

    def confirm_if_requested(self) -> Rehearsal:
        """Confirms the plan's level and side where the page asks for them, as after a change of either."""
        if self.page.locator("dialog#confirm[open]").count():
            self.confirm(self.state("plan.level"))
        return self

    def rest(self) -> Rehearsal:
        """Waits until numbers with intervals and the removal belong to the plan on the picture."""
        self.page.wait_for_function(RESTED)
        return self

    def drawn(self) -> Rehearsal:
        """Waits until scene, endoscope's view and slices have been drawn."""
        self.page.wait_for_function(DRAWN)
        return self

    def begin_anew(self, level: str, side: str = "left") -> Rehearsal:
        """The usual start of a level, confirmed, with nothing to undo and everything as opened."""
        self.page.evaluate(BEGIN_ANEW, [level, side])
        return self

    def until(self, script: str, argument: Any = None) -> Rehearsal:
        """Waits until an expression over `store`, `level_bone`, `scope`, `slices` and `argument` holds."""
        named = "const {store, bench, scope, slices} = window.rehearsal;"
        self.page.wait_for_function(f"argument => {{ {named} return {script}; }}", arg=argument)
        return self

    @property
    def steps_back(self) -> int:
        """How many steps of undo there are."""
        return int(self.do("return store.kept().past.length"))

    def state(self, path: str) -> Any:
        """What the page's state holds at a dotted path."""
        return self.page.evaluate(f"() => window.rehearsal.store.state.{path}")

    def do(self, script: str) -> Any:
        """Runs a script that has `store`, `link`, `level_bone`, `scope` and `slices` in reach."""
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
        reported: list[list[str]] = self.page.eval_on_selector_all(f"#table-{table} tbody tr", script)
        return reported
