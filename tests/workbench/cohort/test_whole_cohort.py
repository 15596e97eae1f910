"""A cohort of made-up steps: rows, failures, what is not done again, and nothing of a source in what is written."""

from __future__ import annotations

import csv
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pyarrow.parquet
import pytest

from canalwise.recon.disclaimer import CAUTION
from canalwise.recon.errors import UnusableInput, WrongUse
from canalwise.recon.folder_lock import locked
from canalwise.workbench.cohort import dask_rows
from canalwise.workbench.cohort.case_list import lines_of
from canalwise.workbench.cohort.dask_rows import local_client
from canalwise.workbench.cohort.row_record import CohortOptions
from canalwise.workbench.cohort.whole_cohort import Workers, cohort
from canalwise.workbench.cohort.worker_memory import WorkerShare, worker_share
from tests.workbench.cohort.made_up_steps import STEPS

ROOT = Path(__file__).resolve().parents[3]

SERIAL = Workers(serial=True)
TWO = Workers(count=2, memory_mb=600.0)


def everything(folder):
    """Path -> bytes of all files in a folder."""
    return {str(path.relative_to(folder)): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


def failures_in(folder):
    """(case, level, step, kind, exit status) of each failure."""
    with (folder / "failures.csv").open() as file:
        return [tuple(row.values())[:5] for row in csv.DictReader(file)]


def test_rows_come_in_the_lists_order_with_units_and_meaning(listed, tmp_path):
    cohort(listed(b="abcd", a="ab"), tmp_path / "out", workers=SERIAL, steps=STEPS)
    table = pyarrow.parquet.read_table(tmp_path / "out" / "cases.parquet")
    assert table["case"].to_pylist() == ["b", "b", "a", "a"]
    assert table["level"].to_pylist() == ["L3-L4", "L4-L5"] * 2
    assert table["bone_removed_mm3"].to_pylist() == [4.0, 4.0, 2.0, 2.0]
    assert table["bone_removed_mm3_high"].to_pylist() == [9.0] * 4
    assert table["sac_area_before_mm2"].null_count == 4
    assert table["kept"].to_pylist() == [True, True, False, False]
    assert table.schema.field("freed_frac").metadata[b"meaning"]
    assert table.schema.metadata[b"caution"].decode() == CAUTION


def test_a_failure_is_a_row_and_says_nothing_of_its_source(listed, tmp_path):
    lines = listed(good="fine", torn="corrupt", bug="bug", some="half")
    gone = lines_of(["case,scan", "gone,nowhere.nii"], tmp_path)
    wrong = lines_of(["case,scan,level,side", "wrong,a.nii,L3-L9,left"], tmp_path)
    out = tmp_path / "out"
    found = cohort([*lines, *gone, *wrong], out, workers=SERIAL, steps=STEPS)
    assert [record.case for record in found.failed] == ["torn", "bug", "some", "gone", "wrong"]
    assert failures_in(out) == [
        ("torn", "", "act", "unusable input", "3"),
        ("bug", "", "act", "internal error", "1"),
        ("some", "L4-L5", "act", "unusable input", "3"),
        ("gone", "", "inputs", "unusable input", "3"),
        ("wrong", "", "list", "wrong use", "2"),
    ]
    assert [row["level"] for row in found.records[3].rows] == ["L3-L4"]
    written = b"".join(everything(out).values())
    assert b"Doe" not in written
    assert str(tmp_path).encode() not in written
    page = (out / "summary.html").read_text()
    assert CAUTION in page
    assert "must be whole" in page


def test_what_is_finished_is_not_done_again_unless_it_changed(listed, tmp_path):
    out, lines = tmp_path / "out", listed(a="aa", b="corrupt")
    first = cohort(lines, out, workers=SERIAL, steps=STEPS)
    before = everything(out)
    again = cohort(lines, out, workers=SERIAL, steps=STEPS)
    assert (first.reused, again.reused) == (frozenset(), frozenset({"a"}))
    assert everything(out) == before
    lines[0].scan.write_text("aaa")
    assert cohort(lines, out, workers=SERIAL, steps=STEPS).records[0].rows[0]["bone_removed_mm3"] == 3.0
    other = cohort(lines, out, CohortOptions(seed=5), SERIAL, steps=STEPS)
    assert other.reused == frozenset()


def test_a_folder_of_something_else_or_in_use_is_refused(listed, tmp_path):
    (tmp_path / "out").mkdir()
    with locked(tmp_path / "out"), pytest.raises(UnusableInput, match="another cohort"):
        cohort(listed(a="aa"), tmp_path / "out", workers=SERIAL, steps=STEPS)
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "letter.txt").write_text("mine")
    with pytest.raises(WrongUse, match="new, empty"):
        cohort(listed(a="aa"), tmp_path / "other", workers=SERIAL, steps=STEPS)


def test_memory_that_does_not_feed_the_workers_is_refused():
    assert worker_share(None, there_mb=3000.0).workers == 1
    with pytest.raises(UnusableInput, match="--workers fewer"):
        worker_share(3, there_mb=3000.0)


def test_two_workers_give_the_bytes_of_one_by_one_and_faults_are_rows(listed, tmp_path, monkeypatch):
    """One cluster for all: killed workers, a memory hog and a corrupt scan stand beside good rows.

    Dask gives every killed worker up at once, as it does where one is slow to start again: others take their places.
    """
    monkeypatch.setitem(dask_rows.CONFIG, "distributed.deploy.lost-worker-timeout", "1ms")
    monkeypatch.setattr(dask_rows, "KEEP_S", 0.5)
    once = tmp_path / "died"
    acts = {
        "a": "aa",
        "die": "die",
        "b": "keeps",
        "hog": "hog",
        "torn": "corrupt",
        "once": f"die-once {once}",
        "c": "cc",
    }
    lines = listed(**acts)
    found = cohort(lines, tmp_path / "dask", workers=TWO, steps=STEPS)
    assert [record.case for record in found.failed] == ["die", "hog", "torn"]
    assert failures_in(tmp_path / "dask") == [
        ("die", "", "", "worker lost", "3"),
        ("hog", "", "act", "out of memory", "3"),
        ("torn", "", "act", "unusable input", "3"),
    ]
    assert "3 times" in found.failed[0].failures[0].message
    assert once.exists()
    good = [line for line in lines if line.case in ("a", "b", "c", "once")]
    cohort(good, tmp_path / "serial", workers=SERIAL, steps=STEPS)
    parallel = everything(tmp_path / "dask")
    for path, content in everything(tmp_path / "serial").items():
        if path.startswith(("cases/", "rows/")):
            assert parallel[path] == content, path


def test_a_scheduler_at_an_address_gives_the_same_rows(listed, tmp_path):
    lines = listed(a="aa", torn="corrupt")
    with local_client(WorkerShare(1, 600.0), dashboard=False) as client:
        address = client.scheduler.address
        assert address.startswith("tcp://127.0.0.1:")
        found = cohort(lines, tmp_path / "dask", workers=Workers(scheduler=address), steps=STEPS)
    assert [record.case for record in found.failed] == ["torn"]
    cohort(lines, tmp_path / "serial", workers=SERIAL, steps=STEPS)
    assert everything(tmp_path / "dask") == everything(tmp_path / "serial")


def test_no_scheduler_is_said_so(listed, tmp_path, monkeypatch):
    monkeypatch.setattr(dask_rows, "CONNECT_S", 0.2)
    with pytest.raises(UnusableInput, match="tcp://HOST:PORT"):
        cohort(listed(a="aa"), tmp_path / "out", workers=Workers(scheduler="tcp://127.0.0.1:1"), steps=STEPS)


INTERRUPTED_RUN = """
import sys
from pathlib import Path
from canalwise.workbench.cohort.case_list import lines_of
from canalwise.workbench.cohort.whole_cohort import Workers, cohort
from tests.workbench.cohort.made_up_steps import STEPS

if __name__ == "__main__":
    folder, out = map(Path, sys.argv[1:])
    lines = lines_of(["case,scan,level,side", "a,a.txt,L3-L4,left", "b,b.txt,L3-L4,left"], folder)
    try:
        cohort(lines, out, workers=Workers(count=1, memory_mb=600.0), steps=STEPS)
    except KeyboardInterrupt:
        sys.exit(130)
"""


@pytest.mark.skipif(os.name != "posix", reason="interrupts a group of processes")
def test_ctrl_c_leaves_a_folder_that_is_taken_up(tmp_path):
    (tmp_path / "a.txt").write_text("aa")
    (tmp_path / "b.txt").write_text("slow 300")
    (tmp_path / "run.py").write_text(INTERRUPTED_RUN)
    out = tmp_path / "out"
    command = [sys.executable, str(tmp_path / "run.py"), str(tmp_path), str(out)]
    paths = os.pathsep.join(sys.path)
    with subprocess.Popen(
        command, cwd=ROOT, env=os.environ | {"PYTHONPATH": paths}, stderr=subprocess.PIPE, start_new_session=True
    ) as run:
        until = time.monotonic() + 60
        while not (out / "rows" / "a.json").is_file() and time.monotonic() < until:
            time.sleep(0.1)
        time.sleep(0.5)
        os.killpg(run.pid, signal.SIGINT)
        said = run.communicate(timeout=60)[1].decode()
    assert (run.returncode, said) == (130, "")
    assert not list(out.rglob(".writing-*"))
    (tmp_path / "b.txt").write_text("bb")
    lines = lines_of(["case,scan,level,side", "a,a.txt,L3-L4,left", "b,b.txt,L3-L4,left"], tmp_path)
    assert cohort(lines, out, workers=SERIAL, steps=STEPS).reused == frozenset({"a"})
