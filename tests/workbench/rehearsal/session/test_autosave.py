"""Named plans, which all pages share, and what each tab showed."""

from __future__ import annotations

import json
import os

import pytest

from canalwise.estimator.approach.plan_file import read_plan
from canalwise.recon.errors import BadCase, WrongUse
from canalwise.recon.serialization import write_json_atomic
from canalwise.workbench.rehearsal.session import autosave as kept
from canalwise.workbench.rehearsal.session.autosave import FOLDER, STATE_BYTES, TABS, keep, recalled
from tests.workbench.rehearsal.conftest import served_from

ONE, OTHER, NEW = "tabnumber1", "tabnumber2", "tabnumber3"


@pytest.fixture
def state(toy_plan) -> dict:
    """What a page keeps."""
    looks = {"theme": "dark", "grey_window": [-150, 900], "shown": {"skin": False}}
    return {"plan": toy_plan, "name": "", "task": ["roof"], "looks": looks, "past": [toy_plan], "future": []}


@pytest.fixture(autouse=True)
def _nothing_kept(served):
    for folder in (FOLDER, "plans"):
        for path in (served.folder / folder).glob("*"):
            path.unlink()


def files_in(served, folder: str = FOLDER) -> list[str]:
    """Names of the files in a folder of the case."""
    return sorted(path.name for path in (served.folder / folder).iterdir())


def test_a_tab_finds_its_own_state_again(served, page, state):
    assert page.ask("keep", tab=ONE, state=state) == {}
    assert page.ask("keep", tab=OTHER, state=state | {"name": "other"}) == {}
    with served.page() as again:
        assert again.ask("recall", tab=ONE) == {"state": state}
        assert again.ask("recall", tab=OTHER)["state"]["name"] == "other"
    assert files_in(served) == [f"{ONE}.json", f"{OTHER}.json"]


def test_a_new_tab_goes_on_where_the_last_left(served, page, state):
    assert page.ask("recall", tab=NEW) == {"state": None}
    for name, changed_s in ((ONE, 100), (OTHER, 200)):
        page.ask("keep", tab=name, state=state | {"name": name})
        os.utime(served.folder / FOLDER / f"{name}.json", (changed_s, changed_s))
    assert page.ask("recall", tab=NEW)["state"]["name"] == OTHER


def test_a_damaged_state_is_passed_over(served, page, state):
    page.ask("keep", tab=ONE, state=state)
    folder = served.folder / FOLDER
    (folder / f"{NEW}.json").write_text('{"plan": ')
    (folder / f"{OTHER}.json").write_text(json.dumps(state | {"plan": state["plan"] | {"level": "L1-L2"}}))
    assert page.ask("recall", tab=NEW) == {"state": state}


def test_only_so_many_tabs_are_kept(served, state):
    for n in range(TABS + 3):
        keep(served.session, f"tabnumber{n:02d}", state)
        os.utime(served.folder / FOLDER / f"tabnumber{n:02d}.json", (n, n))
    assert files_in(served) == [f"tabnumber{n:02d}.json" for n in range(3, TABS + 3)]


@pytest.mark.parametrize("tab", ["", "short", "x" * 33, "TABNUMBER1", "../../../x", "a/b/c/d/e", "tabnumber1\n",
                                 "tab.number", "\u00fc" * 8])  # fmt: skip
def test_a_tab_is_no_path(served, page, state, tab):
    assert page.refused("keep", tab=tab, state=state)["who"] == "the tab"
    assert page.refused("recall", tab=tab)["who"] == "the tab"
    assert not any((served.folder / FOLDER).glob("*"))


@pytest.mark.parametrize("wrong", [None, [], "state", 5, {}, {"plan": None}, {"plan": {}}, {"plan": [1]}])
def test_what_is_no_state_is_not_kept(served, page, wrong):
    assert page.refused("keep", tab=ONE, state=wrong)["rule"]
    assert not any((served.folder / FOLDER).glob("*"))


def test_a_state_too_long_or_too_deep_is_not_kept(served, page, state):
    assert str(STATE_BYTES) in page.refused("keep", tab=ONE, state=state | {"more": "x" * STATE_BYTES})["rule"]
    deep: list = []
    for _ in range(kept.DEPTH):
        deep = [deep]
    assert "deep" in page.refused("keep", tab=ONE, state=state | {"more": deep})["rule"]
    assert "view" in page.refused("keep", tab=ONE, state={"plan": state["plan"] | {"level": "L1-L2"}})["rule"]
    assert page.ask("keep", tab=ONE, state=state | {"past": [state["plan"]] * 200}) == {}


def test_a_state_is_kept_whole_or_not_at_all(served, page, state, monkeypatch):
    page.ask("keep", tab=ONE, state=state)

    def torn(path, data):
        (path.parent / ".writing-x").write_text("{")
        (path.parent / ".writing-x").unlink()
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(kept, "write_json_atomic", torn)
    assert "No space left" in page.refused("keep", tab=ONE, state=state | {"name": "lost"})["rule"]
    monkeypatch.setattr(kept, "write_json_atomic", write_json_atomic)
    assert page.ask("recall", tab=ONE) == {"state": state}
    assert files_in(served) == [f"{ONE}.json"]


def test_the_newest_state_is_the_one_that_stays(served, state):
    with served.page() as page:
        for n in range(40):
            page.say("keep", tab=ONE, state=state | {"name": str(n)})
    with served.page() as page:
        # what was on its way when the page left is carried out, and nothing older after it
        while page.ask("recall", tab=ONE)["state"]["name"] != "39":
            pass


def test_plans_are_shared_by_name(served, page, toy_plan):
    steeper = toy_plan | {"pivot_distance_mm": 50.0}
    assert page.ask("save", name="a", plan=toy_plan, replace=False) == {"name": "a", "plans": ["a"]}
    assert page.ask("save", name="steep 2", plan=steeper, replace=False)["plans"] == ["a", "steep 2"]
    with served.page() as other:
        assert other.ask("plans") == {"plans": ["a", "steep 2"]}
        assert other.ask("open", name="steep 2") == {"name": "steep 2", "plan": steeper}
        assert other.ask("forget", name="a") == {"plans": ["steep 2"]}
    assert page.refused("open", name="a")["rule"] == "must be in the case"
    assert page.refused("forget", name="a")["rule"] == "must be in the case"
    assert files_in(served, "plans") == ["steep 2.toml"]
    assert read_plan(served.folder / "plans" / "steep 2.toml").pivot_distance_mm == 50.0


def test_a_plan_is_replaced_only_when_requested(page, toy_plan):
    steeper = toy_plan | {"pivot_distance_mm": 50.0}
    page.ask("save", name="a", plan=toy_plan, replace=False)
    assert "other values" in page.refused("save", name="a", plan=steeper, replace=False)["rule"]
    assert page.ask("open", name="a")["plan"] == toy_plan
    page.ask("save", name="a", plan=toy_plan, replace=False)  # the same values are no other plan
    page.ask("save", name="a", plan=steeper, replace=True)
    assert page.ask("open", name="a")["plan"] == steeper


@pytest.mark.parametrize(
    "name",
    ["", ".", "..", "../x", "a/b", "a\\b", "/etc/passwd", ".hidden", "x" * 65, "a\x00b", "a\nb", " a", "a ", "a.",
     "a:b", "\u00fc" * 65, "\U0001f9b4" * 33, "con?"],
)  # fmt: skip
def test_a_plans_name_is_no_path(served, page, toy_plan, name):
    assert "name" in page.refused("save", name=name, plan=toy_plan, replace=True)["who"]
    assert page.refused("open", name=name)["rule"] == "must be in the case"
    assert page.refused("forget", name=name)["rule"] == "must be in the case"
    assert not any((served.folder / "plans").glob("**/*"))


def test_a_plan_of_another_case_is_not_opened_here(served, page, toy_plan):
    page.ask("save", name="a", plan=toy_plan, replace=False)
    path = served.folder / "plans" / "a.toml"
    path.write_text(path.read_text().replace("L3-L4", "L1-L2"))
    assert "in view" in page.refused("open", name="a")["rule"]
    path.write_text("level = ")
    assert "TOML" in page.refused("open", name="a")["rule"]
    assert "in view" in page.refused("save", name="b", plan=toy_plan | {"level": "L1-L2"}, replace=False)["rule"]


def test_a_server_started_again_knows_what_was_kept(served, page, state, toy_plan):
    page.ask("keep", tab=ONE, state=state)
    page.ask("save", name="a", plan=toy_plan, replace=False)
    with served_from(served.folder) as again, again.page() as other:
        assert other.ask("recall", tab=ONE) == {"state": state}
        assert other.ask("plans") == {"plans": ["a"]}


def test_keeping_needs_the_case(served, state, monkeypatch):
    monkeypatch.setattr(served.session, "_opened", (0, 0))
    with pytest.raises(BadCase, match="built anew"):
        keep(served.session, ONE, state)
    with pytest.raises(BadCase, match="built anew"):
        recalled(served.session, ONE)
    with pytest.raises(WrongUse, match="the tab"):
        kept._place(served.folder, "../x")


def test_a_sitting_and_a_plan_of_another_anatomy_say_so(served, page, state, toy_plan):
    page.ask("keep", tab=ONE, state=state)
    page.ask("save", name="elsewhere", plan=toy_plan, replace=True)
    assert "note" not in page.ask("recall", tab=ONE)
    for path in (served.folder / FOLDER / f"{ONE}.json", served.folder / "plans" / "elsewhere.toml"):
        path.write_text(path.read_text().replace(served.session.case.anatomy_sha256, "0" * 64))
    assert "on another anatomy" in page.ask("recall", tab=ONE)["note"]
    assert "The plan 'elsewhere' was made on another anatomy" in page.ask("open", name="elsewhere")["note"]
    page.ask("forget", name="elsewhere")


@pytest.mark.parametrize("name", ["CON", "nul", "Aux.old", "com1", "LPT9 .x"])
def test_a_plan_named_like_a_device_of_windows_is_refused(page, toy_plan, name):
    assert "device" in page.refused("save", name=name, plan=toy_plan, replace=False)["rule"]
