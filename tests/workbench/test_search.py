"""The verbs search and compare: what they keep, and what they say."""

from __future__ import annotations

import io
import json

import pytest

from canalwise.estimator.approach.plan_file import read_plan
from canalwise.workbench.commands.main import INTERRUPTED, main
from canalwise.workbench.console.output import CommandOutput

SEARCH = ["--level", "L3-L4", "--budget", "30"]


def test_search_keeps_both_plans_and_the_numbers_it_prints(case, capsys):
    assert main(["search", str(case), *SEARCH, "--json"]) == 0
    printed = capsys.readouterr().out
    assert (case / "results" / "search-L3-L4.json").read_text() == printed
    document = json.loads(printed)
    for name, pick in (("L3-L4-search", "best"), ("L3-L4-search-robust", "robust")):
        plan = read_plan(case / "plans" / f"{name}.toml")
        assert plan.side == document[pick]["approach"]["side"]
        assert list(plan.docking_point_mm) == document[pick]["approach"]["docking_point_mm"]


def test_a_kept_plan_estimates_to_the_numbers_of_the_search(case, capsys):
    assert main(["search", str(case), *SEARCH, "--side", "left", "--json"]) == 0
    best = json.loads(capsys.readouterr().out)["best"]
    assert main(["estimate", str(case), "--plan", str(case / "plans" / "L3-L4-search.toml"), "--json"]) == 0
    estimate = json.loads(capsys.readouterr().out)
    assert estimate["resection"]["bone_removed_mm3"]["total"] == best["bone_mm3"]["total"]
    assert {name: estimate["verdict"][name] for name in best["verdict"]} == best["verdict"]
    assert estimate["skin_entry"] == best["skin_entry"]


@pytest.mark.thorough
def test_plans_of_that_name_are_not_overwritten_unless_forced(case, capsys):
    assert main(["search", str(case), *SEARCH]) == 0
    capsys.readouterr()
    assert main(["search", str(case), *SEARCH]) == 2
    assert "--force" in capsys.readouterr().err
    assert main(["search", str(case), *SEARCH, "--force"]) == 0


def test_search_says_the_reason_and_shows_the_picks(case, capsys):
    assert main(["search", str(case), *SEARCH]) == 0
    out = capsys.readouterr().out
    for word in (
        "least bone",
        "likeliest as executed",
        "next best",
        "frees more for less",
        "mm3",
        "freed ipsilateral",
    ):
        assert word in out


@pytest.mark.parametrize(
    ("argv", "word"),
    [
        (["--instrument", "shovel"], "12 mm"),
        (["--breadth", "floor"], "with-recesses"),
        (["--budget", "0"], "budget"),
        (["--name", "../x"], "plain file name"),
    ],
)
def test_search_says_what_is_wrong_with_the_call(case, argv, word, capsys):
    assert main(["search", str(case), "--level", "L3-L4", *argv]) == 2
    assert word in capsys.readouterr().err


def test_ctrl_c_keeps_the_best_so_far_and_says_so(case, capsys, monkeypatch):
    from canalwise.estimator.search import exploration as explore

    true = explore.coarse_resections
    calls = []

    def resections(*given):
        calls.append(given)
        if len(calls) > 3:
            monkeypatch.setattr(explore, "coarse_resections", true)
            raise KeyboardInterrupt
        return true(*given)

    monkeypatch.setattr(explore, "coarse_resections", resections)
    assert main(["search", str(case), "--level", "L3-L4", "--budget", "2000"]) == 0
    assert "Stopped early" in capsys.readouterr().out
    assert json.loads((case / "results" / "search-L3-L4.json").read_text())["stopped"]


def test_ctrl_c_before_anything_is_known_leaves_nothing(case, monkeypatch):
    def resections(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr("canalwise.estimator.search.exploration.coarse_resections", resections)
    before = sorted(case.rglob("*"))
    assert main(["search", str(case), *SEARCH]) == INTERRUPTED
    assert sorted(case.rglob("*")) == before


@pytest.mark.thorough
def test_compare_concludes(case, capsys):
    assert main(["compare", str(case), "--level", "L3-L4", "--budget", "40"]) == 0
    out = capsys.readouterr().out
    assert "Least bone that frees 90 % on each side: " in " ".join(out.split())
    assert "midline laminectomy" in " ".join(out.split())
    kept = json.loads((case / "results" / "compare-L3-L4.json").read_text())
    assert [row["name"] for row in kept["rows"]] == ["left", "right", "both sides", "midline laminectomy"]
    assert " ".join(kept["conclusion"].split()) in " ".join(out.split())


def test_a_known_total_is_counted_on_a_terminal_only():
    class Terminal(io.StringIO):
        def isatty(self):
            return True

    for err, shown in ((Terminal(), True), (io.StringIO(), False)):
        with CommandOutput(err=err).counting("searching", 10) as progress:
            progress(10)
        assert ("searching" in err.getvalue()) == shown
