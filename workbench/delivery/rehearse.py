"""canalwise rehearse: the rehearsal page, in the browser."""

from __future__ import annotations

import argparse
import json
import os
import sys
import webbrowser
from pathlib import Path
from typing import TYPE_CHECKING

from canalwise.recon.errors import WrongUse
from canalwise.recon.labels import SIDES
from canalwise.workbench.console.options import add_case, add_json
from canalwise.workbench.console.output import CommandOutput
from canalwise.workbench.console.verb import Verb

if TYPE_CHECKING:
    from canalwise.recon.case.folder import Case
    from canalwise.workbench.rehearsal.session.case_facts import InitialPlan

ABOUT = """\
Open the rehearsal page on a case: tilt the channel in 3D and see at once what it takes, keeps and
reaches, through the endoscope and in the slices; charts, search, comparison, lessons and the sheet
for theatre. It runs on this machine alone, without internet, until Ctrl-C.

examples:
  canalwise rehearse case
  canalwise rehearse case --level L3-L4 --side right
  canalwise rehearse case --plan steeper
  canalwise rehearse case --no-open --port 8765

prints the page's address on stderr and opens it where there is a display. The address holds a token
that is new in every run: whoever has it can see the case, so give it to nobody. What is done on the
page is kept in the case (folders rehearsal and plans), and a page left open goes on when the server
is started again with the same --port and --token.
"""


def options(parser: argparse.ArgumentParser) -> None:
    """CASE, where to start, and where to serve."""
    add_case(parser)
    start = parser.add_argument_group("where to start", "Otherwise the page goes on where it was left.")
    start.add_argument("--level", metavar="L3-L4", help="the level, as upper and lower vertebra")
    start.add_argument("--side", choices=SIDES, help="the patient's side of the skin entry")
    start.add_argument("--plan", metavar="NAME", help="a plan kept in the case, by name")
    parser.add_argument("--lessons", type=Path, metavar="FOLDER", help="a folder of lessons of your own, beside ours")
    where = parser.add_argument_group("where to serve")
    where.add_argument("--port", type=int, default=0, metavar="N", help="the port (usual: any that is free)")
    where.add_argument(
        "--host",
        default="127.0.0.1",
        metavar="ADDRESS",
        help="the address to serve on [%(default)s]; with any other than this machine's own, the page can be "
        "reached through the network, without encryption",
    )
    where.add_argument(
        "--token",
        default="",
        metavar="TEXT",
        help="the token in the address, 32 to 128 letters, digits, '-' or '_', to start again under the same address "
        "(usual: a new one)",
    )
    where.add_argument("--no-open", action="store_true", help="do not open a browser")
    add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Reads a case and serves its page until Ctrl-C."""
    from canalwise.recon.case.folder import read_case
    from canalwise.workbench.rehearsal.server.jobs import answering_threads
    from canalwise.workbench.rehearsal.server.malloc_trim import trimmed_heap
    from canalwise.workbench.rehearsal.server.registry import request_kinds
    from canalwise.workbench.rehearsal.server.security import LOOPBACK
    from canalwise.workbench.rehearsal.server.server import ServerAddress, serving
    from canalwise.workbench.rehearsal.session.session import Session
    from canalwise.workbench.teaching.lesson import built_in_lessons, lessons_in

    voice = CommandOutput(args.json)
    trimmed_heap()
    lessons = built_in_lessons() | (lessons_in(args.lessons) if args.lessons else {})
    session = Session(read_case(args.case), lessons)
    start, notes = _start(session.case, args)
    served = serving(session, request_kinds(), ServerAddress(args.host, args.port, args.token), start)
    url = served.address.url
    if args.json:
        print(json.dumps({"url": url}), flush=True)
    voice.tell([f"The rehearsal page is at {url}", "Ctrl-C ends it."])
    voice.warn([*session.case.notes, *notes])
    if args.host not in LOOPBACK:
        CommandOutput().warn(
            ["Others on the network can reach this page, without encryption, if they have its address."]
        )
    if not args.no_open and has_display():
        webbrowser.open(url)
    try:
        served.run()
    except KeyboardInterrupt:
        voice.tell(["The rehearsal page is closed; what was done on it is kept in the case."])
    if answering_threads():
        # Python would wait for them without end. Files are written whole or not at all, so nothing is torn.
        sys.stdout.flush()
        os._exit(0)
    return 0


def _start(case: Case, args: argparse.Namespace) -> tuple[InitialPlan, tuple[str, ...]]:
    """Where the page starts, and what is to be said of the plan.

    Raises as reading a plan does, and LevelNotInView for a level that is not there.
    """
    from canalwise.estimator.approach.plan_file import read_kept_plan
    from canalwise.workbench.console.plan_store import plan_notes, plan_path
    from canalwise.workbench.rehearsal.session.case_facts import InitialPlan

    if args.plan and (args.level or args.side):
        raise WrongUse("--plan", "must be given alone", do="A plan has its level and side.")
    kept = read_kept_plan(plan_path(case, args.plan)) if args.plan else None
    plan = kept.approach if kept else None
    if level := plan.level if plan else args.level:
        case.anatomy.level(level)
    notes = plan_notes(case, kept, args.plan) if kept else ()
    return InitialPlan(level, plan.side if plan else args.side, args.plan), notes


def has_display() -> bool:
    """Is there a screen to open a browser on?"""
    return sys.platform in ("win32", "darwin") or bool(os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY"))


VERB = Verb("rehearse", "the rehearsal page, in the browser", ABOUT, options, run)
