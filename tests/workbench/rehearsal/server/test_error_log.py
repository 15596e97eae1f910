"""What happens to the case and to the server while a page is open."""

from __future__ import annotations

import shutil

import pytest
from websockets.exceptions import ConnectionClosed

from canalwise.estimator.level.target_names import NAMES
from canalwise.recon.case.folder import write_case
from canalwise.workbench.rehearsal.server.warm_up import warmed_up
from canalwise.workbench.rehearsal.session.case_facts import InitialPlan
from tests.workbench import toy
from tests.workbench.rehearsal.conftest import FOLDER, served_from

TAB = "tabnumber1"


@pytest.fixture
def doomed(tmp_path):
    """A server of a case of this test's own."""
    write_case(tmp_path / FOLDER, toy.scan(), toy.anatomy())
    with served_from(tmp_path / FOLDER) as here:
        yield here


def on_disk(page, plan) -> list[dict]:
    """The problems of every question that needs the case's folder."""
    return [
        page.refused("plans"),
        page.refused("open", name="a"),
        page.refused("save", name="a", plan=plan, replace=True),
        page.refused("forget", name="a"),
        page.refused("keep", tab=TAB, state={"plan": plan}),
        page.refused("recall", tab=TAB),
    ]


def test_a_case_deleted_under_the_page(doomed, toy_plan):
    with doomed.page() as page:
        before = page.ask("estimate", plan=toy_plan, task=list(NAMES), intervals=False)
        page.ask("save", name="a", plan=toy_plan, replace=False)
        shutil.rmtree(doomed.folder)
        for problem in on_disk(page, toy_plan):
            assert (problem["who"], problem["rule"]) == ("the case", "must still be where it was opened")
        assert not doomed.folder.exists()  # nothing is made anew, least of all in part
        changed = toy_plan | {"pivot_distance_mm": 45.0}
        assert page.ask("estimate", plan=changed, task=list(NAMES), intervals=True)["estimate"]["samples"]
        after = page.ask("estimate", plan=toy_plan, task=list(NAMES), intervals=False)
        assert after["estimate"] == before["estimate"]
        assert doomed.get("case.json").json()["plans"] == []
        assert doomed.get().status_code == 200
        assert not doomed.folder.exists()


def test_a_case_that_is_put_back_is_written_to_again(doomed, toy_plan, tmp_path):
    with doomed.page() as page:
        doomed.folder.rename(tmp_path / "aside")
        assert "where it was" in page.refused("keep", tab=TAB, state={"plan": toy_plan})["rule"]
        (tmp_path / "aside").rename(doomed.folder)
        page.ask("keep", tab=TAB, state={"plan": toy_plan})
        assert page.ask("recall", tab=TAB) == {"state": {"plan": toy_plan}}


def test_a_case_built_anew_under_the_page_is_not_mixed_with_the_old_one(doomed, toy_plan):
    with doomed.page() as page:
        page.ask("save", name="a", plan=toy_plan, replace=False)
        write_case(doomed.folder, toy.scan(), toy.anatomy(), force=True)
        for problem in on_disk(page, toy_plan):
            assert "built anew" in problem["got"]
        assert page.ask("estimate", plan=toy_plan, task=list(NAMES), intervals=False)["estimate"]["level"] == "L3-L4"
    assert not (doomed.folder / "rehearsal").exists()


def test_a_page_finds_the_server_again_under_the_same_address(tmp_path, toy_plan):
    write_case(tmp_path / FOLDER, toy.scan(), toy.anatomy())
    with served_from(tmp_path / FOLDER) as first, first.page() as page:
        page.ask("keep", tab=TAB, state={"plan": toy_plan})
        held = page
        address = first.address
        break_off = first.page()
        open_still = break_off.__enter__()
        open_still.ask("plans")
    with pytest.raises(ConnectionClosed):
        open_still.frame()
    assert held.socket.close_code is not None
    with served_from(tmp_path / FOLDER, address.port, address.token) as second:
        assert second.address == address
        with second.page() as page:
            assert page.ask("recall", tab=TAB) == {"state": {"plan": toy_plan}}


def test_the_level_looked_at_first_is_prepared_at_once(doomed):
    warmed_up(doomed.session, InitialPlan()).join()
    assert len(doomed.session._prepared) == 1
    assert len(doomed.session._estimates) == 1


def test_a_start_that_cannot_be_prepared_keeps_nobody_waiting(doomed):
    warmed_up(doomed.session, InitialPlan(level="L1-L2", side="left")).join()
    assert len(doomed.session._estimates) == 0
