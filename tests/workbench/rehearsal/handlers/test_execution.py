"""Executions of a plan: what they add to an estimate is the command's, and they end when called off."""

from __future__ import annotations

import pytest

from canalwise.estimator.estimate.estimate_json import plain
from canalwise.estimator.execution.uncertainty_values import ExecutionTrial
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.workbench.console.json_results import with_decompression
from canalwise.workbench.rehearsal.handlers import execution
from canalwise.workbench.rehearsal.session.request import Cancelled, RequestJob
from tests.workbench import toy
from tests.workbench.rehearsal import balls

FEW = ExecutionTrial(2)


@pytest.fixture(autouse=True)
def _few(monkeypatch):
    monkeypatch.setattr(execution, "USUAL_EXECUTIONS", FEW)


def test_they_add_what_the_command_says():
    session = balls.session_of(toy.pressed_anatomy(), toy.scan())
    plan = default_approach(session.case.anatomy, "L3-L4", "left")
    reported: list[tuple[int, int, str]] = []
    job = RequestJob(lambda *words: reported.append(words))
    answered = execution.answer(session, execution.ExecutionRequest(plan), job)
    bare = {"warnings": [], "probabilities": {}, "geometry": {"definitions": {}, "phases": []}}
    whole = plain(with_decompression(bare, session.prepared("L3-L4"), plan, FEW))
    assert answered == {part: whole[part] for part in execution.PARTS}
    assert answered["chances"]["executions"] == FEW.samples
    assert sorted(done for done, _, _ in reported) == [1, 2]
    job.stop.set()
    with pytest.raises(Cancelled):
        execution.answer(session, execution.ExecutionRequest(plan), job)
