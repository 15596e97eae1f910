"""Questions and answers over the socket: the estimator's own numbers; every fault is answered and the socket lives."""

from __future__ import annotations

import json
import threading
from dataclasses import dataclass

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from websockets.exceptions import ConnectionClosed

from canalwise.estimator.level.target_names import NAMES
from canalwise.recon.errors import WrongUse
from canalwise.workbench.commands.main import main
from canalwise.workbench.rehearsal.server.jobs import QUICK_WORKERS, UNANSWERED
from canalwise.workbench.rehearsal.server.registry import request_kinds
from canalwise.workbench.rehearsal.server.websocket import CONNECTIONS, TRY_LATER
from canalwise.workbench.rehearsal.session.messages import MESSAGE_BYTES
from canalwise.workbench.rehearsal.session.request import Cancelled, RequestKind
from tests.workbench.rehearsal.conftest import FOLDER, WAIT_S

TASK = list(NAMES)


@pytest.mark.parametrize("task", [TASK, ["contralateral recess", "roof"]])
@pytest.mark.parametrize("intervals", [False, True])
def test_the_numbers_are_those_of_the_command(served, page, toy_plan, tmp_path, task, intervals, capsys):
    answer = page.ask("estimate", plan=toy_plan, task=task, intervals=intervals)
    page.ask("save", name="requested", plan=toy_plan, replace=True)
    words = [] if intervals else ["--no-intervals"]
    plan = served.folder / "plans" / "requested.toml"
    options = ["--plan", str(plan), "--task", ",".join(task).replace(" ", "-"), "--force"]
    assert main(["estimate", str(served.folder), *options, "--json", *words]) == 0
    reported = json.loads(capsys.readouterr().out)
    # Which case it is of concerns files; what is freed comes once the slider rests, with the intervals.
    freed = ("resection", "freed", "verdict", "spinous_process")
    for key in ("geometry", "anatomy_sha256", *(() if intervals else freed)):
        del reported[key]
    if not intervals:
        assert [reported["chances"].pop(name) for name in ("freed", "kept", "both")] == [None] * 3
        reported["warnings"] = [said for said in reported["warnings"] if "what is freed" not in said]
    stated = answer["estimate"]
    if intervals:  # executions of the resection are requested apart
        parts = page.ask("execution", plan=toy_plan)
        stated = stated | parts | {"chances": stated["chances"] | parts["chances"]}
    assert stated == reported
    assert (answer["estimate"]["samples"] > 0) == intervals


def test_the_same_question_gets_the_same_answer(page, toy_plan):
    first, second = (page.ask("estimate", plan=toy_plan, task=TASK, intervals=True) for _ in range(2))
    assert json.dumps(first["estimate"]) == json.dumps(second["estimate"])
    assert first["blocker"] == second["blocker"]


def test_a_plan_the_estimator_refuses_is_refused_in_its_words(page, toy_plan):
    problem = page.refused("estimate", plan=toy_plan | {"pivot_distance_mm": 900}, task=TASK, intervals=False)
    assert (problem["who"], problem["rule"]) == ("'pivot_distance_mm'", "must be in (0, 300)")
    problem = page.refused("estimate", plan=toy_plan | {"level": "L1-L2"}, task=TASK, intervals=False)
    assert "L3-L4" in problem["rule"]
    assert "task" in page.refused("estimate", plan=toy_plan, task=[], intervals=False)["who"]
    assert "task" in page.refused("estimate", plan=toy_plan, task=["floor"], intervals=False)["who"]


def wrong_questions(plan: dict) -> list:
    """Questions with one thing wrong each."""
    good = {"ask": "estimate", "plan": plan, "task": TASK, "intervals": False}

    def planned(**changes) -> dict:
        return good | {"plan": plan | changes}

    def phased(**changes) -> dict:
        return planned(phases=[plan["phases"][0] | changes])

    return [
        {},
        {"ask": None},
        {"ask": 7},
        {"ask": ["estimate"]},
        {"ask": "Estimate"},
        {"ask": "__class__"},
        {"ask": "e" * 10_000},
        {"ask": "estimate"},
        {"ask": "stop"},
        {"ask": "stop", "of": "1"},
        {"ask": "stop", "of": 1.5},
        {"ask": "stop", "of": True},
        {"ask": "open"},
        {"ask": "open", "name": ["x"]},
        {"ask": "keep", "tab": 5, "state": {}},
        good | {"more": 1},
        good | {"task": "roof"},
        good | {"task": {"roof": 1}},
        good | {"task": [1]},
        good | {"task": None},
        good | {"intervals": 1},
        good | {"intervals": "false"},
        good | {"plan": None},
        good | {"plan": []},
        good | {"plan": "steeper"},
        planned(extra=1),
        planned(level=5),
        planned(level="L3"),
        planned(level="../../case"),
        planned(side="up"),
        planned(side=None),
        planned(docking_point_mm=[1, 2]),
        planned(docking_point_mm=[1, 2, 3, 4]),
        planned(docking_point_mm="123"),
        planned(docking_point_mm=[1, 2, None]),
        planned(docking_point_mm=[1, 2, "nan"]),
        planned(pivot_distance_mm="50"),
        planned(pivot_distance_mm=True),
        planned(pivot_distance_mm=-1),
        planned(pivot_distance_mm=0),
        planned(pivot_distance_mm=10**15),
        planned(phases=[]),
        planned(phases={}),
        planned(phases=[[]]),
        planned(phases=[None]),
        phased(medial_tilt_deg=81),
        phased(medial_tilt_deg="nan"),
        phased(sweep_half_angle_deg=45),
        phased(sweep_half_angle_deg=[4]),
        phased(pivot_shift_mm=[0, 0]),
        phased(unknown=0),
        planned(channel={"sleeve_diameter_mm": -1}),
        planned(channel={"tool_diameter_mm": 50}),
        planned(channel=[]),
    ]


NO_QUESTIONS = [
    "",
    " ",
    "null",
    "true",
    "1",
    '"estimate"',
    "[]",
    "[1, 2]",
    "{",
    "}",
    "{'ask': 'plans'}",
    '{"seq": 1, "ask": "plans"',
    '{"seq": 1, "ask": "plans"}}',
    '{"seq": 1 "ask": "plans"}',
    '{"ask": "plans"}',
    '{"seq": null, "ask": "plans"}',
    '{"seq": "1", "ask": "plans"}',
    '{"seq": 1.5, "ask": "plans"}',
    '{"seq": true, "ask": "plans"}',
    '{"seq": -1, "ask": "plans"}',
    '{"seq": 0, "ask": "plans"}',
    '{"seq": 9007199254740992, "ask": "plans"}',
    '{"seq": 1e400, "ask": "plans"}',
    '{"seq": NaN, "ask": "plans"}',
    '{"seq": 1, "ask": "plans", "x": NaN}',
    '{"seq": 1, "ask": "plans", "x": Infinity}',
    '{"seq": 1, "ask": "plans", "x": -Infinity}',
    '{"seq": 1, "ask": "plans", "x": 1e999}',
    '{"seq": 1, "ask": "plans", "x": ' + "9" * 5000 + "}",
    '{"seq": 1, "ask": "keep", "tab": "aaaaaaaa", "state": {"x": "\\ud800"}}',
    "[" * 100_000,
    '{"seq": 1, "ask": "keep", "tab": "aaaaaaaa", "state": ' + '{"a":' * 50_000 + "1" + "}" * 50_000 + "}",
    "\x00",
    "\ufeff{}",
    "GET / HTTP/1.1\r\n\r\n",
]


def test_a_hundred_malformed_messages_are_each_answered(page, toy_plan):
    wrong = wrong_questions(toy_plan)
    for text in NO_QUESTIONS:
        page.socket.send(text)
        reply = page.hear()
        assert set(reply["problem"]) == {"who", "rule", "got", "do"}, text[:80]
    for question in wrong:
        seq = page.say(question.pop("ask", None), **question)
        reply = page.hear()
        assert reply["seq"] == seq
        assert reply["problem"]["rule"], question
    for frame in (b"", b"\x00", b"{}", json.dumps({"seq": 1, "ask": "plans"}).encode()):
        page.socket.send(frame)
        assert "binary" in page.hear()["problem"]["got"]
    assert len(NO_QUESTIONS) + len(wrong) > 85
    assert page.ask("plans")["plans"] is not None


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
    max_leaves=10,
)


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(text=st.text() | JSON.map(json.dumps))
def test_whatever_is_sent_is_answered(page, text):
    page.socket.send(text)
    assert "problem" in page.hear()


def test_a_question_with_a_field_too_many_is_refused(page, toy_plan):
    fields = {"plan": toy_plan, "task": TASK, "level": "L3-L4", "side": "left", "name": "x", "tab": "aaaaaaaa"}
    for name in sorted(request_kinds()):
        for kept in (0, 3, len(fields)):
            seq = page.say(name, **dict(list(fields.items())[:kept]), wrong=1)
            reply = page.hear()
            assert reply["seq"] == seq
            assert reply["problem"]["rule"]


def test_a_message_too_long_closes_the_socket(served):
    with served.page() as page:
        page.socket.send("x" * (MESSAGE_BYTES + 1))
        with pytest.raises(ConnectionClosed) as closed:
            page.frame()
    assert closed.value.rcvd.code == 1009
    with served.page() as page:
        page.socket.send("x" * MESSAGE_BYTES)
        assert "problem" in page.hear()


def test_no_more_pages_than_can_be_served(served):
    pages = [served.page() for _ in range(CONNECTIONS)]
    talkers = [page.__enter__() for page in pages]
    assert all(talker.ask("plans") for talker in talkers)
    with served.page() as late, pytest.raises(ConnectionClosed) as closed:
        late.frame()
    assert closed.value.rcvd.code == TRY_LATER
    for page in pages:
        page.__exit__(None, None, None)
    for _ in range(CONNECTIONS + 1):  # places are free again, and the late one took none
        with served.page() as page:
            assert "plans" in page.ask("plans")


# Questions whose handlers wait for the test, so that what runs and what waits is known and not a matter of luck.


@dataclass(frozen=True)
class Which:
    """A question with a number."""

    number: int
    kind: str = ""


class Held:
    """Handlers that answer only when they are let go, and say what became of them."""

    def __init__(self) -> None:
        self.begun: list[int] = []
        self.stopped: dict[int, threading.Event] = {}
        self.gates: dict[int, threading.Event] = {}
        self.change = threading.Condition()

    def canal_entry(self, number: int) -> threading.Event:
        """What lets a question go."""
        with self.change:
            return self.gates.setdefault(number, threading.Event())

    def answer(self, session, message, job):
        """Waits until it is let go; or gives up when it is called off, if it is an odd one."""
        with self.change:
            self.begun.append(message.number)
            self.stopped[message.number] = job.stop
            self.change.notify_all()
        if message.number % 2:
            while not (self.canal_entry(message.number).wait(0.01) or job.stop.is_set()):
                pass
            if job.stop.is_set():
                raise Cancelled
        assert self.canal_entry(message.number).wait(WAIT_S)
        return {"number": message.number}

    def wait_for(self, number: int) -> None:
        """Returns when that question has begun."""
        with self.change:
            assert self.change.wait_for(lambda: number in self.begun, WAIT_S)

    def let_go(self, *numbers: int) -> None:
        """Lets questions answer."""
        for number in numbers:
            self.canal_entry(number).set()


def _progress(session, message, job):
    for done in range(message.number):
        job.tell(done, message.number, "counting")
    return {"number": message.number}


def _fail(session, message, job):
    if message.number == 1:
        raise WrongUse("this", "must not be", got=FOLDER[:4])
    if message.number == 2:
        raise PermissionError(13, "Permission denied", f"{FOLDER}/plans")
    if message.number == 3:
        raise KeyboardInterrupt
    if message.number == 4:
        return {"number": float("nan")}
    raise ZeroDivisionError(FOLDER)


@pytest.fixture
def held(served, monkeypatch):
    """Questions of this test beside the real ones."""
    held = Held()
    more = {
        "newest": RequestKind(Which, held.answer, newest_only=True),
        "newest_of_kind": RequestKind(Which, held.answer, newest_only=True, apart="kind"),
        "long": RequestKind(Which, held.answer, long=True),
        "quick": RequestKind(Which, held.answer),
        "write": RequestKind(Which, held.answer, newest_only=True, always=True),
        "count": RequestKind(Which, _progress),
        "fail": RequestKind(Which, _fail),
        "picture": RequestKind(
            Which, lambda session, message, job: {"of": message.number, "binary": bytes(message.number)}
        ),
    }
    for name, kind in more.items():
        monkeypatch.setitem(served.kinds, name, kind)
    yield held
    held.let_go(*range(1000))


def test_the_latest_wins(page, held):
    first = page.say("newest", number=2)
    held.wait_for(2)
    seqs = [page.say("newest", number=number) for number in (4, 6, 8)]
    assert [page.hear() for _ in range(2)] == [
        {"seq": seq, "ask": "newest", "dropped": True} for seq in seqs[:2]
    ]  # fmt: skip
    held.let_go(2, 8)
    assert {reply["seq"]: reply["answer"]["number"] for reply in (page.hear(), page.hear())} == {first: 2, seqs[2]: 8}
    assert held.begun == [2, 8]


def test_what_is_overtaken_is_called_to_stop(page, held):
    first = page.say("newest", number=1)
    held.wait_for(1)
    second = page.say("newest", number=2)
    assert page.hear() == {"seq": first, "ask": "newest", "dropped": True}
    held.let_go(2)
    assert page.hear()["seq"] == second


def test_distinct_kinds_do_not_wait_for_each_other(page, held):
    page.say("newest_of_kind", number=2, kind="with")
    held.wait_for(2)
    page.say("newest_of_kind", number=4, kind="without")
    held.wait_for(4)
    held.let_go(4)
    assert page.hear()["answer"] == {"number": 4}
    held.let_go(2)
    assert page.hear()["answer"] == {"number": 2}


def test_an_estimate_waits_for_no_long_question(page, held, toy_plan):
    for number in range(2, 12, 2):
        page.say("long", number=number)
    held.wait_for(4)
    assert page.ask("estimate", plan=toy_plan, task=TASK, intervals=False)["estimate"]["level"] == "L3-L4"
    assert held.begun == [2, 4]


def test_stop_calls_off_what_runs_and_what_waits(page, held):
    seqs = [page.say("long", number=number) for number in (1, 3, 5)]
    held.wait_for(3)
    for seq in (seqs[2], seqs[0]):
        page.say("stop", of=seq)
    replies = [page.hear() for _ in range(4)]
    assert [reply["answer"] for reply in replies if reply["ask"] == "stop"] == [{}, {}]
    assert {reply["seq"] for reply in replies if "dropped" in reply} == {seqs[0], seqs[2]}
    assert 5 not in held.begun
    held.let_go(3)
    assert page.hear()["answer"] == {"number": 3}


def test_stop_of_nothing_is_no_fault(page):
    assert page.ask("stop", of=12345) == {}


def test_one_that_is_stopped_may_answer_with_what_it_has(page, held):
    seq = page.say("long", number=2)
    held.wait_for(2)
    page.ask("stop", of=seq)
    assert held.stopped[2].is_set()
    held.let_go(2)
    assert page.hear()["answer"] == {"number": 2}


def test_who_leaves_calls_off_all_but_what_changes_the_case(served, held):
    with served.page() as page:
        page.say("quick", number=2)
        page.say("write", number=4)
        held.wait_for(2)
        held.wait_for(4)
        page.say("write", number=6)
        page.say("stop", of=99)
        page.hear()
    assert held.stopped[2].wait(WAIT_S)
    assert not held.stopped[4].is_set()
    held.let_go(2, 4)
    held.wait_for(6)
    assert not held.stopped[6].is_set()
    held.let_go(6)
    with served.page() as page:
        assert "plans" in page.ask("plans")


def test_pages_do_not_disturb_each_other(served, held):
    with served.page() as one, served.page() as other:
        one.say("newest", number=2)
        held.wait_for(2)
        other.say("newest", number=4)
        held.wait_for(4)
        assert other.ask("stop", of=1) == {}
        held.let_go(2, 4)
        assert one.hear()["answer"] == {"number": 2}
        assert other.hear()["answer"] == {"number": 4}
        assert not held.stopped[2].is_set()


def test_a_number_is_used_once_at_a_time(page, held):
    page.say("long", number=2)
    held.wait_for(2)
    page.seq -= 1
    assert "seq" in page.refused("plans")["who"]
    held.let_go(2)
    assert page.hear()["answer"] == {"number": 2}


def test_no_more_questions_than_can_wait(page, held):
    numbers = range(2, 2 * UNANSWERED + 2, 2)
    for number in numbers:
        page.say("quick", number=number)
    assert str(UNANSWERED) in page.refused("plans")["rule"]
    held.let_go(*numbers)
    assert sorted(page.hear()["answer"]["number"] for _ in numbers) == list(numbers)
    assert QUICK_WORKERS < UNANSWERED
    assert "plans" in page.ask("plans")


def test_progress_is_reported_before_the_answer_and_not_too_often(page, held):
    seq = page.say("count", number=5000)
    replies = [page.hear()]
    while "answer" not in replies[-1]:
        replies.append(page.hear())
    assert {reply["seq"] for reply in replies} == {seq}
    assert replies[0]["progress"] == {"done": 0, "total": 5000, "words": "counting"}
    assert len(replies) < 1000
    page.say("plans")
    assert "answer" in page.hear()  # nothing comes after the answer


def test_pictures_follow_their_answers(page, held):
    seqs = {page.say("picture", number=number): number for number in range(1, 30)}
    for _ in range(len(seqs)):
        head, body = page.hear(), page.frame()
        assert head["binary"]
        assert head["answer"] == {"of": seqs[head["seq"]]}
        assert body == bytes(seqs[head["seq"]])


def test_faults_of_handlers_are_reported_without_a_trace(page, held, capsys):
    assert page.refused("fail", number=1)["rule"] == "must not be"
    assert page.refused("fail", number=2)["rule"] == "refused (Permission denied)"
    page.say("fail", number=3)
    assert page.hear()["dropped"]
    for number in (4, 5):
        assert page.refused("fail", number=number)["rule"] == "could not be answered"
    assert "plans" in page.ask("plans")
    logged = capsys.readouterr().err
    assert "ZeroDivisionError" in logged
    assert FOLDER not in logged
    assert "Traceback" not in logged
