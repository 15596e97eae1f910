"""Every answer of the server, and every header of its frames, fits the shape that the page checks it against."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from canalwise.estimator.execution.uncertainty_values import ExecutionTrial
from canalwise.estimator.level.target_names import NAMES
from canalwise.workbench.rehearsal.handlers import execution, overview
from canalwise.workbench.rehearsal.server.registry import request_kinds
from canalwise.workbench.report.audit_section import PLACE_COLUMNS, AuditSection, AuditTable
from canalwise.workbench.surfaces.binary_frames import frame_of
from tests.workbench.rehearsal.conftest import Served, Talker

PAGE = Path(__file__).parents[3] / "workbench" / "page"

CHECK = """
import { buildSync } from "esbuild";
import { readFileSync } from "node:fs";
const contents = ["answers", "case_facts", "frame_headers"].map((name) => `export * from "./src/protocol/${name}";`);
const entry = { contents: contents.join(""), resolveDir: process.cwd() };
const { outputFiles } = buildSync({ stdin: entry, bundle: true, write: false, format: "esm" });
const page = await import("data:text/javascript;base64," + Buffer.from(outputFiles[0].text).toString("base64"));
const sent = JSON.parse(readFileSync(0, "utf8"));
console.log(JSON.stringify(sent.map(([name, data]) => (page.ANSWERS[name] ?? page[name])(data, ""))));
"""
"""Says of each (name, data) what is wrong with it, "" for nothing."""

WRITTEN_ON_PAPER = {"sheet", "report"}
"""Answered with an address alone, which the browser tests follow."""

TASK = list(NAMES)


def faults(reported: list[tuple[str, Any]]) -> list[str]:
    """What the page finds wrong with each."""
    node = shutil.which("node", path=os.pathsep.join([str(Path(sys.executable).parent), os.environ.get("PATH", "")]))
    if node is None or not (PAGE / "node_modules" / "esbuild").is_dir():
        pytest.skip("the page's tools are not installed: scripts/page_backend.py installs them")
    command = [node, "--input-type=module", "--eval", CHECK]
    said = subprocess.run(command, cwd=PAGE, input=json.dumps(reported), capture_output=True, text=True, check=True)
    found: list[str] = json.loads(said.stdout)
    return [f"{name}: {fault}" for (name, _), fault in zip(reported, found, strict=True) if fault]


def questions(plan: dict[str, Any]) -> list[tuple[str, dict[str, Any]]]:
    """One question at least of every name, in an order in which all can be answered."""
    of, level = {"plan": plan, "task": TASK}, plan["level"]
    entry = {"lateral_mm": 20.0, "cranial_mm": -2.0}
    searched = {"level": level, "budget": 20, "seed": 0}
    right = plan | {"side": "right", "docking_point_mm": [-plan["docking_point_mm"][0], *plan["docking_point_mm"][1:]]}
    return [
        ("estimate", of | {"intervals": False}),
        ("estimate", of | {"intervals": True}),
        ("execution", {"plan": plan}),
        ("start", {"level": level, "side": "right", "instrument": "8 mm"}),
        ("dock", {"plan": plan, "point_mm": plan["docking_point_mm"]}),
        ("enter", {"plan": plan} | entry),
        ("picture", of | {"view": "afterwards"}),
        ("angle_chart", of | {"phase": plan["phases"][-1]["name"]}),
        ("entry_map", of),
        ("instrument_chart", of),
        ("search", searched | {"sides": ["left", "right"], "instruments": ["8 mm"]}),
        ("accesses", searched),
        ("pinned", {"plans": [plan, right], "task": TASK, "midline": True, "both": True}),
        ("save", {"name": "mine", "plan": plan, "replace": True}),
        ("plans", {}),
        ("open", {"name": "mine"}),
        ("forget", {"name": "mine"}),
        ("keep", {"tab": "a" * 16, "state": {"plan": plan}}),
        ("recall", {"tab": "a" * 16}),
        ("radiographs", {"plan": plan}),
        ("overview", {}),
        ("audit", {"level": level}),
        ("cohort", {}),
        ("stop", {"of": 1}),
    ]  # fmt: skip


def lesson_questions(page: Talker, plan: dict[str, Any], lessons: list[str]) -> list[tuple[str, Any]]:
    """Every lesson's answer, its first question marked, plans held against its tasks, and a blind one judged."""
    of, reported = {"plan": plan, "task": TASK}, []
    for name in lessons:
        lesson = page.ask("lesson", name=name, **of)
        reported.append(("lesson", lesson))
        asking = [(number, step) for number, step in enumerate(lesson["steps"]) if step["choices"]]
        for number, step in asking[:1]:  # later ones may search for plans
            reported.append(("mark", page.ask("mark", lesson=name, step=number, choice=step["choices"][0], **of)))
        for number, step in enumerate(lesson["steps"]):
            if step["explore"]:
                reported.append(("explore", page.ask("explore", lesson=name, step=number, plans=[plan])))
        if lesson["blind"]:
            reported.append(("judge", page.ask("judge", lesson=name, **of)))
    return reported


@pytest.fixture(scope="module")
def earlier_results(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """An audit with every kind of table, and the summary of a cohort, as if other commands had left them."""
    summary = tmp_path_factory.mktemp("cohort") / "summary.html"
    summary.write_text("<p>the cohort</p>")
    taken = AuditTable("Bone taken", ("structure", "mm\u00b3"), [("L3 lamina left", "12")])
    places = AuditTable("Places to look at", PLACE_COLUMNS, [("missed", "3", "5", "9", "-1")], ((5.0, 9.0, -1.0),))
    with pytest.MonkeyPatch.context() as patch:
        found = AuditSection("Freed as planned.", (taken, places), ("One joint is opened.",))
        patch.setattr(overview, "kept_audit", lambda *_: found)
        patch.setattr(overview, "summary_beside", lambda _: summary)
        yield


@pytest.fixture(scope="module")
def reported(
    served: Served, toy_plan: dict[str, Any], few_chart_points: None, earlier_results: None
) -> list[tuple[str, Any]]:
    """(name of a shape, data) of everything that the server says to a page."""
    case = served.get("case.json").json()
    level = toy_plan["level"]
    with pytest.MonkeyPatch.context() as patch, served.page() as page:
        patch.setattr(execution, "USUAL_EXECUTIONS", ExecutionTrial(2))
        answers = [(name, page.ask(name, **request)) for name, request in questions(toy_plan)]
        answers += lesson_questions(page, toy_plan, [lesson["name"] for lesson in case["lessons"]])
        answers.append(("removal", page.ask("removal", plan=toy_plan, task=TASK)))
        frame = page.frame()
    assert isinstance(frame, bytes)
    frames = {
        "removalHeader": frame,
        "sceneHeader": served.get(f"levels/{level}/scene.bin").content,
        "scanHeader": served.get(f"levels/{level}/scan.bin").content,
    }
    return [("caseFacts", case), *answers, *((name, frame_of(one)[0]) for name, one in frames.items())]


def test_every_question_is_tried(reported: list[tuple[str, Any]]) -> None:
    assert {name for name, _ in reported} & set(request_kinds()) == set(request_kinds()) - WRITTEN_ON_PAPER


def test_everything_the_server_says_fits(reported: list[tuple[str, Any]]) -> None:
    assert faults(reported) == []


def test_an_answer_with_any_of_its_numbers_turned_into_text_does_not_fit(reported: list[tuple[str, Any]]) -> None:
    estimate = next(data for name, data in reported if name == "estimate")
    wrong = json.loads(json.dumps(estimate))
    wrong["estimate"]["task"]["bone_removed_mm3"]["total"] = "12"
    less = json.loads(json.dumps(estimate))
    del less["estimate"]["verdicts"][0]["met"]
    assert faults([("estimate", wrong), ("estimate", less)]) == [
        "estimate: estimate.task.bone_removed_mm3.total must be a finite number (got string)",
        "estimate: estimate.verdicts.0.met must be true or false (got undefined)",
    ]
