"""The page rounds and words its numbers letter for letter as the commands do."""

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from page_phrases import gapped, generated

from canalwise.workbench.console import freed_tables, tables
from canalwise.workbench.style import phrases as wording

PAGE = Path(__file__).parents[3] / "workbench" / "page"

SAY = """
import { buildSync } from "esbuild";
import { readFileSync } from "node:fs";
const contents = ["number_format", "estimate_rows"].map((name) => `export * from "./src/model/${name}";`).join("");
const entry = { contents, resolveDir: process.cwd() };
const { outputFiles } = buildSync({ stdin: entry, bundle: true, write: false, format: "esm" });
const said = await import("data:text/javascript;base64," + Buffer.from(outputFiles[0].text).toString("base64"));
const requested = JSON.parse(readFileSync(0, "utf8"));
console.log(JSON.stringify(requested.map(([name, ...values]) => said[name](...values))));
"""
"""Calls functions of the page's own modules by name."""

PAIRS: dict[str, Callable[..., str]] = {
    "number": wording.number,
    "percent": wording.percent,
    "chanceWords": freed_tables.chance_words,
    "interval": wording.interval,
    "amount": wording.amount,
    "lateralWords": wording.lateral_words,
}
"""Functions of the page, and those they are to agree with."""


def said(calls: list[list[Any]]) -> list[Any]:
    """What the page's functions answer."""
    node = shutil.which("node", path=os.pathsep.join([str(Path(sys.executable).parent), os.environ.get("PATH", "")]))
    if node is None or not (PAGE / "node_modules" / "esbuild").is_dir():
        pytest.skip("the page's tools are not installed: scripts/page_backend.py installs them")
    command = [node, "--input-type=module", "--eval", SAY]
    reported = subprocess.run(command, cwd=PAGE, input=json.dumps(calls), capture_output=True, text=True, check=True)
    answers: list[Any] = json.loads(reported.stdout)
    return answers


def test_the_generated_phrases_are_those_of_the_commands() -> None:
    """One source of words: where this fails, run scripts/page_phrases.py."""
    for target, source in generated().items():
        assert target.read_text(encoding="utf-8") == source, target.name


def test_a_value_that_does_not_stand_out_is_refused() -> None:
    with pytest.raises(ValueError, match="just once"):
        gapped("12 of 12", mm="12")


def test_numbers_round_as_the_commands_round_them() -> None:
    rng = np.random.default_rng(5)
    # halves, quarters and eighths are where a decimal may lie halfway between two
    values = [
        *np.arange(-50, 400) / 8,
        *(np.arange(-40, 400) / 40),
        *rng.uniform(-50, 3000, 2000),
        *rng.uniform(0, 1, 500),
    ]
    calls: list[list[Any]] = []
    for index, value in enumerate(map(float, values)):
        calls += [["number", value, index % 3], ["percent", value / 100], ["percent", abs(value) % 1]]
        calls += [["chanceWords", abs(value) % 1], ["interval", [value, value + 1], index % 2, 100]]
        calls += [["amount", value, "mm"], ["lateralWords", value, "left"]]
    calls += [["number", None], ["percent", None], ["chanceWords", None], ["interval", None], ["amount", None, "mm"]]
    assert said(calls) == [PAIRS[name](*arguments) for name, *arguments in calls]


def test_rows_and_sentences_are_those_of_the_command() -> None:
    """An estimate with a breach, a set out of view and a joint out of view."""
    reported = estimate()
    verdicts = [["verdictRow", verdict] for verdict in reported["verdicts"]]
    calls = [
        ["headlineRows", reported],
        ["taskRows", reported],
        *verdicts,
        ["chanceLine", reported],
        ["reachLine", reported],
    ]
    rows = [tables.headline_rows(reported), tables.task_rows(reported), *map(tables.verdict_row, reported["verdicts"])]
    wanted = [*rows, tables.chance_line(reported)[0], tables.reach_line(reported)]
    assert said(calls) == json.loads(json.dumps(wanted))


def estimate() -> dict[str, Any]:
    """As far as the headline reads it."""
    joint = {"area_frac": 0.625, "width_frac": 0.455, "interval95": [0.5, 0.725], "width_interval95": None}
    kept = {"ipsilateral": joint, "contralateral": None}
    return {
        "task": {
            "bone_removed_mm3": {"total": 948.5, "interval95": [399.5, 1495.1]},
            "facet_preserved": kept,
            "targets": {"roof": 0.405, "canal wall": None},
        },
        "cone": {"bone_removed_mm3": {"total": 1422.1, "interval95": None}},
        "facet_preserved": kept,
        "contralateral_reach": {"lateral_mm": 8.25, "limited_by": "sac", "interval95": [0.0, 9.75]},
        "verdicts": [
            {"name": "pars width remaining", "value": 4.25, "limit": 5.0, "unit": "mm", "met": False, "chance": 0.005},
            {"name": "undercut", "value": 0.4851, "limit": 0.5, "unit": "fraction", "met": True, "within_error": True},
            {"name": "bridge", "value": None, "limit": 3.0, "unit": "mm", "met": None, "chance": None},
        ],
        "chances": {
            "limits": {},
            "targets": {"roof": 0.125},
            "wanted": ["ipsilateral recess", "contralateral recess"],
            "enough_frac": 0.8,
            "all_limits": 0.995,
            "all_targets": 0.185,
            "all": 0.18,
        },
        "samples": 1000,
    }
