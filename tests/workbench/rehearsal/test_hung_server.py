"""A server that ends although a question hangs, and plans at absurd places that a page sends."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[3]

HANGING = """
import sys, time
from canalwise.workbench.rehearsal.handlers.plans import PlanListRequest
from canalwise.workbench.rehearsal.server import app, registry
from canalwise.workbench.rehearsal.session.request import RequestKind

def hang(session, message, job):
    print("hung", flush=True)
    while True:
        time.sleep(0.01)

registry.request_kinds = lambda: {"plans": RequestKind(PlanListRequest, hang)}
app.warmed_up = lambda *_: None
from canalwise.workbench.commands.main import main
sys.exit(main(["rehearse", sys.argv[1], "--no-open", "--json"]))
"""


@pytest.mark.skipif(sys.platform == "win32", reason="sends the signal of Ctrl-C to another process")
def test_ctrl_c_ends_a_server_whose_question_hangs(rehearsal_case):
    import json

    from websockets.sync.client import connect

    env = os.environ | {"PYTHONPATH": str(ROOT)}
    with subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(HANGING), str(rehearsal_case)],
        cwd=ROOT,
        env=env,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as server:
        try:
            url = json.loads(server.stdout.readline())["url"]
            with connect(url.replace("http", "ws") + "socket", origin=url.rsplit("/", 2)[0], proxy=None) as page:
                page.send('{"seq": 1, "ask": "plans"}')
                assert server.stdout.readline().strip() == "hung"
                begun_s = time.monotonic()
                server.send_signal(signal.SIGINT)
                _, said = server.communicate(timeout=30)
        finally:
            server.kill()
    assert server.returncode == 0
    assert time.monotonic() - begun_s < 15
    assert "Traceback" not in said


@pytest.mark.parametrize("mm", [1e7, 1e300, -1e9])
@pytest.mark.parametrize("where", ["docking_point_mm", "pivot_shift_mm"])
def test_absurd_place_in_a_message_is_a_problem_of_the_page(page, toy_plan, where, mm):
    wrong = (
        toy_plan | {"docking_point_mm": [mm, 0.0, 0.0]}
        if where == "docking_point_mm"
        else toy_plan | {"phases": [toy_plan["phases"][0] | {"pivot_shift_mm": [0.0, mm, 0.0]}]}
    )
    problem = page.refused("estimate", plan=wrong, task=["roof"], intervals=False)
    assert problem["who"] == f"'{where}'"
    assert "[-80, 80]" in problem["rule"]
    assert "plans" in page.ask("plans")
