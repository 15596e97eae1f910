"""What is given out: the page, the case's facts and pictures, pages to print; and nothing else."""

from __future__ import annotations

import json
import signal
import subprocess
import sys

import httpx
import pytest

from canalwise.estimator.approach.search_bounds import BOUNDS, INSTRUMENTS, PHASE_BOUNDS
from canalwise.estimator.level.target_names import NAMES
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.recon.disclaimer import CAUTION
from canalwise.recon.errors import BadFile, WrongUse
from canalwise.workbench.commands.main import main
from canalwise.workbench.console.plan_store import keep_plan
from canalwise.workbench.rehearsal.server import app, registry
from canalwise.workbench.rehearsal.server.server import ServerAddress, serving
from canalwise.workbench.style import page_bundle
from canalwise.workbench.surfaces.binary_frames import frame_of
from tests.workbench.rehearsal.conftest import FOLDER


def test_the_page_and_its_parts(served):
    for path, kind in (("", "text/html"), ("page.js", "text/javascript"), ("page.css", "text/css")):
        response = served.get(path)
        assert response.status_code == 200
        assert response.headers["content-type"].startswith(kind)
        assert response.content


def test_facts_of_the_case(served):
    facts = served.get("case.json").json()
    assert facts["caution"] == CAUTION
    assert facts["modality"] == "CT"
    assert facts["tasks"] == list(NAMES)
    assert [one["name"] for one in facts["instruments"]] == list(INSTRUMENTS)
    bounds = {**BOUNDS, **PHASE_BOUNDS}
    assert {name: bound["low"] for name, bound in facts["bounds"].items()} == {n: b.low for n, b in bounds.items()}
    (level,) = facts["levels"]
    assert (level["name"], level["upper"], level["lower"], level["sides"]) == ("L3-L4", "L3", "L4", ["left", "right"])
    assert facts["start"] == {"level": None, "side": None, "plan": None}
    assert facts["lessons"]


def test_facts_name_the_plans_that_are_there_now(served):
    case = served.session.case
    before = served.get("case.json").json()["plans"]
    keep_plan(case, "steeper", default_approach(case.anatomy, "L3-L4", "left"))
    assert served.get("case.json").json()["plans"] == [*before, "steeper"]


@pytest.mark.parametrize("name", ["scene", "scan"])
def test_pictures_of_a_level(served, name):
    response = served.get(f"levels/L3-L4/{name}.bin")
    assert response.status_code == 200
    header, arrays = frame_of(response.content)
    assert header["level"] == "L3-L4"
    assert arrays


@pytest.mark.parametrize("level", ["L1-L2", "L3", "..", "%2e%2e%2f", "L3-L4%00", "L3-L4%2F..", "x" * 1000])
def test_a_level_is_looked_up_and_never_a_path(served, level):
    for name in ("scene", "scan"):
        assert served.get(f"levels/{level}/{name}.bin").status_code == 404


@pytest.mark.parametrize(
    "path",
    ["../case.json", "..%2f..%2fcase.json", "%2e%2e/%2e%2e/etc/passwd", "....//case.json", "/etc/passwd", "viewer.js",
     "page.html", "plans/steeper.toml", "scan.nii.gz", "levels/L3-L4/scene.bin/..", "made/../case.json", "made/",
     "made/..%2fcase.json", "made/%00", "dist/page.js", "page.js%00", "page.js/", "page.js\\..\\page.css"],
)  # fmt: skip
def test_nothing_else_is_given_out(served, path):
    assert served.get(path).status_code == 404


def test_pages_made_to_print_can_reach_nothing(served):
    name = served.session.made.put("text/html", b"<!doctype html><title>sheet</title>")
    response = served.get(f"made/{name}")
    assert response.content.endswith(b"</title>")
    policy = response.headers["content-security-policy"]
    assert policy.startswith("sandbox ")
    assert "allow-same-origin" not in policy
    assert "connect-src" not in policy
    assert "default-src 'none'" in policy
    # browsers refuse to show a page that asks for a sandbox and for an opener policy
    assert "cross-origin-opener-policy" not in response.headers


def test_a_pdf_is_given_out_as_one(served):
    response = served.get(f"made/{served.session.made.put('application/pdf', b'%PDF-')}")
    assert response.headers["content-type"] == "application/pdf"
    assert "sandbox" not in response.headers["content-security-policy"]


def test_what_is_neither_page_nor_pdf_is_not_given_out(served):
    assert served.get(f"made/{served.session.made.put('text/javascript', b'1')}").status_code == 404


def test_a_page_that_was_not_built_says_how_to_build_it(served, monkeypatch, tmp_path):
    monkeypatch.setattr(page_bundle, "files", lambda _: tmp_path)
    with pytest.raises(BadFile, match=r"node build\.mjs"):
        serving(served.session, served.kinds)


def test_what_nobody_foresaw_is_reported_without_a_trace(served, monkeypatch, capsys):
    def broken(*_):
        raise RuntimeError(f"{FOLDER} is broken")

    monkeypatch.setattr(app, "case_facts", broken)
    response = served.get("case.json")
    assert response.status_code == 500
    assert response.json()["rule"] == "could not be made"
    reported = capsys.readouterr().err
    assert "RuntimeError" in reported
    assert FOLDER not in reported


def test_a_port_that_is_taken_is_named(served):
    with pytest.raises(WrongUse, match="port"):
        serving(served.session, served.kinds, ServerAddress(port=served.address.port))


@pytest.mark.parametrize(
    ("place", "word"),
    [
        (ServerAddress(port=70000), "--port"),
        (ServerAddress(port=-1), "--port"),
        (ServerAddress(host="no such host"), "--host"),
        (ServerAddress(host="0.0.0.0"), "--host"),
        (ServerAddress(host="::"), "--host"),
        (ServerAddress(token="short"), "--token"),
    ],
)
def test_a_place_that_cannot_be_is_refused(served, place, word):
    with pytest.raises(WrongUse, match=word):
        serving(served.session, served.kinds, place)


@pytest.mark.parametrize(
    ("argv", "status", "word"),
    [
        (["--level", "L1-L2"], 3, "L3-L4"),
        (["--level", "third"], 3, "L3-L4"),
        (["--side", "up"], 2, "--side"),
        (["--plan", "none"], 3, "existing"),
        (["--plan", "../x"], 2, "plain file name"),
        (["--plan", "x", "--level", "L3-L4"], 2, "alone"),
        (["--token", "short"], 2, "32 to 128"),
        (["--port", "many"], 2, "--port"),
        (["--port", "70000"], 2, "--port"),
    ],
)
def test_rehearse_says_what_is_wrong_with_the_call(rehearsal_case, argv, status, word, capsys):
    assert main(["rehearse", str(rehearsal_case), "--no-open", *argv]) == status
    reported = capsys.readouterr()
    assert word in reported.err
    assert reported.out == ""


def test_rehearse_prints_its_address_as_json_serves_and_ends_cleanly(rehearsal_case):
    argv = [
        sys.executable,
        "-m",
        "canalwise.workbench.commands.main",
        "rehearse",
        str(rehearsal_case),
        "--json",
        "--no-open",
    ]
    with subprocess.Popen([*argv, "--level", "L3-L4", "--side", "right"], stdout=subprocess.PIPE,
                          stderr=subprocess.PIPE, text=True) as process:  # fmt: skip
        try:
            url = json.loads(process.stdout.readline())["url"]
            facts = httpx.get(url + "case.json", trust_env=False, timeout=30).json()
            process.send_signal(signal.SIGINT)
            out, err = process.communicate(timeout=30)
        finally:
            process.kill()
    assert facts["start"] == {"level": "L3-L4", "side": "right", "plan": None}
    assert process.returncode == 0
    assert out == ""
    assert err == ""


def test_no_two_modules_answer_one_question():
    answered = [name for module in registry.MODULES for name in module.ASKS]
    assert sorted(registry.request_kinds()) == sorted(["stop", *answered])


LEFT_OUT = ("matplotlib", "reportlab", "jinja2", "onnxruntime", "SimpleITK")
"""What a server needs for no number: it is loaded when a person asks for what needs it."""


def test_the_server_starts_without_heavy_libraries():
    names = ("rehearsal.server.server", "rehearsal.server.registry", "surfaces.scan_frame")
    modules = ", ".join(f"canalwise.workbench.{name}" for name in names)
    code = f"import sys, {modules}; print([name for name in {LEFT_OUT} if name in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
