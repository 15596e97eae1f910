"""Diseases of a case that is rewritten: a person's files lost, work on the old anatomy, kills halfway."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from canalwise.recon.anatomy import Anatomy
from canalwise.recon.case import folder as case_module
from canalwise.recon.case.folder import anatomy_checksum, changing, put_in_order, read_case, write_case
from canalwise.recon.errors import BadCase, WrongUse
from canalwise.recon.folder_lock import locked
from tests.recon.case.test_folder import OBLIQUE, _scan

ROOT = Path(__file__).resolve().parents[2]

OWN_RESULT = '{\n "schema": "canalwise.search/1"\n}\n'

needs_flock = pytest.mark.skipif(sys.platform == "win32", reason="there are no such locks on this system")


def _anatomy() -> Anatomy:
    """A block of bone: its one mesh is quickly made."""
    labels = np.zeros(OBLIQUE.shape, np.uint16)
    labels[5:9, 5:9, 5:9] = 2206
    return Anatomy(OBLIQUE, labels, (labels > 0).astype(np.float32), (), {"sac": "modelled"}, ("check",))


def _other():
    return replace(_anatomy(), warnings=("another",))


def _case(tmp_path):
    return write_case(tmp_path / "case", _scan(), _anatomy())


def test_rewriting_keeps_whatever_is_not_the_tools_own(tmp_path):
    folder = _case(tmp_path).folder
    own = {
        "results/old.json": OWN_RESULT,
        "results/old.png": "drawn",
        "report.html": "drawn",
        "meshes/L3.stl": None,
        "plans/.writing-abc": "half",
    }
    kept = {
        "notes.txt": "mine",
        "plans/mine.toml": "level",
        "plans/why.md": "because",
        "results/table.csv": "1,2",
        "results/mine.json": '{"schema": "somebody.else/1"}',
        "results/photo.png": "mine",
        "meshes/a.stl": "solid",
        "rehearsal/abcdefgh.json": "{}",
        "painted/deep/canal.nii.gz": "painted",
        "painted/empty/": None,
    }
    about = (folder / "case.json").read_text()
    (folder / "case.json").write_text(about.replace('"meshes": {', '"meshes": {"L3.stl": {}, ', 1))
    for name, text in (own | kept).items():
        place = folder / name
        place.parent.mkdir(parents=True, exist_ok=True)
        place.mkdir() if name.endswith("/") else place.write_text(text or "mesh")
    (folder / "link").symlink_to("notes.txt")
    write_case(folder, _scan(), _other(), force=True)
    assert [name for name in kept if not (folder / name).exists()] == []
    assert {name: (folder / name).read_text() for name in kept if kept[name]} == {n: t for n, t in kept.items() if t}
    assert (folder / "link").is_symlink()
    assert [name for name in own if name != "meshes/L3.stl" and (folder / name).exists()] == []
    assert not (folder / "meshes" / "L3.stl").exists() or (folder / "meshes" / "L3.stl").read_bytes() != b"mesh"
    assert read_case(folder).anatomy.warnings == ("another",)
    assert sorted(os.listdir(tmp_path)) == ["case"]


def test_a_persons_mesh_under_a_name_the_new_case_takes_is_kept_beside_it(tmp_path):
    folder = _case(tmp_path).folder
    taken = next((folder / "meshes").iterdir()).name
    (folder / "case.json").write_text((folder / "case.json").read_text().replace(taken, "another.stl"))
    (folder / "meshes" / taken).write_text("mine")
    write_case(folder, _scan(), _anatomy(), force=True)
    assert (folder / "meshes" / taken.replace(".stl", "-kept.stl")).read_text() == "mine"
    assert (folder / "meshes" / taken).read_bytes() != b"mine"


def test_a_rewrite_that_fails_leaves_the_old_case_with_all_in_it(tmp_path, monkeypatch):
    folder = _case(tmp_path).folder
    (folder / "notes.txt").write_text("mine")
    before = anatomy_checksum(folder)

    def fail(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(case_module, "carry_foreign", fail)
    with pytest.raises(OSError, match="No space"):
        write_case(folder, _scan(), _other(), force=True)
    assert (anatomy_checksum(folder), (folder / "notes.txt").read_text()) == (before, "mine")
    assert os.listdir(tmp_path) == ["case"]


def test_checksum_tells_one_anatomy_from_another(tmp_path):
    first = _case(tmp_path)
    assert read_case(first.folder).anatomy_sha256 == first.anatomy_sha256 == anatomy_checksum(first.folder)
    same = write_case(tmp_path / "same", _scan(), _anatomy())
    other = write_case(tmp_path / "other", _scan(), _other())
    assert same.anatomy_sha256 == first.anatomy_sha256 != other.anatomy_sha256


def test_work_begun_on_the_old_anatomy_is_not_written_into_the_new_case(tmp_path):
    read = _case(tmp_path)
    with changing(read) as folder:
        (folder / "results" / "a.json").write_text("{}")
    write_case(read.folder, _scan(), _other(), force=True)
    with pytest.raises(BadCase, match="one corrected or built anew meanwhile"), changing(read):
        raise AssertionError("must not be reached")


def test_two_corrections_of_one_case_do_not_undo_each_other(tmp_path):
    read = _case(tmp_path)
    write_case(read.folder, _scan(), _other(), force=True, instead_of=read)
    with pytest.raises(BadCase, match="must be the one that was read"):
        write_case(read.folder, _scan(), _anatomy(), force=True, instead_of=read)
    assert read_case(read.folder).anatomy.warnings == ("another",)


@needs_flock
def test_plans_saved_during_a_rewrite_are_kept_or_refused_never_lost(tmp_path):
    read = _case(tmp_path)
    done, saved = threading.Event(), []

    def save():
        number = 0
        while not done.is_set():
            try:
                with locked(read.folder):
                    (read.folder / "plans" / f"{number}.toml").write_text("x")
                saved.append(number)
            except BadCase:
                continue
            number += 1
            time.sleep(0.005)

    saver = threading.Thread(target=save)
    saver.start()
    for turn in range(200):
        write_case(read.folder, _scan(), _anatomy() if turn % 2 else _other(), force=True)
        # enough to have met a rewrite; how many it takes depends on the machine
        if turn >= 7 and len(saved) > 5:
            break
    done.set()
    saver.join()
    assert len(saved) > 5
    assert [n for n in saved if not (read.folder / "plans" / f"{n}.toml").exists()] == []


@needs_flock
def test_a_case_that_another_run_holds_is_waited_for_and_then_refused(tmp_path):
    folder = _case(tmp_path).folder
    with locked(folder), pytest.raises(BadCase, match="free within"), locked(folder, wait_s=0.1):
        raise AssertionError("must not be reached")
    with locked(folder, shared=True), locked(folder, shared=True):
        assert read_case(folder).notes == ()
    assert ".lock" not in " ".join(os.listdir(folder) + os.listdir(tmp_path))


KILLED = """
import os, signal, sys
from canalwise.recon.case import folder as case, folder_writing
from tests.recon.case.test_folder import _scan
from tests.recon.test_case_rewritten import _other
where, folder = sys.argv[1:]
def killed(*_, **__):
    os.kill(os.getpid(), signal.SIGKILL)
if where == "filling":
    case.anatomy_checksum = killed
elif where == "between":
    replace = os.replace
    os.replace = lambda a, b: killed() if str(b) == folder else replace(a, b)
else:
    folder_writing.shutil.rmtree = killed
case.write_case(folder, _scan(), _other(), force=True)
"""


@needs_flock
@pytest.mark.parametrize(
    ("where", "anatomy", "reported"),
    [("filling", "check", "1 half-written"), ("between", "check", "is again as it was"), ("after", "another", "")],
)
def test_a_kill_during_a_rewrite_is_cleared_up_at_the_next_run(tmp_path, where, anatomy, reported):
    folder = _case(tmp_path).folder
    (folder / "notes.txt").write_text("mine")
    done = subprocess.run(
        [sys.executable, "-c", KILLED, where, str(folder)],
        cwd=ROOT,
        check=False,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
    )
    assert (done.returncode, done.stderr) == (-9, "")
    assert len(os.listdir(tmp_path)) > 1 or where == "between"
    read = read_case(folder)
    assert read.anatomy.warnings == (anatomy,)
    assert reported in " ".join(read.notes)
    assert bool(read.notes) == bool(reported)
    assert os.listdir(tmp_path) == ["case"]
    assert (folder / "notes.txt").read_text() == "mine"


@needs_flock
def test_what_another_run_is_still_writing_and_what_is_not_ours_is_left_alone(tmp_path):
    folder = _case(tmp_path).folder
    for name, inside in ((".writing-alive", "case.json"), (".writing-strange", "thesis.txt"), (".writing-new", "")):
        (tmp_path / name).mkdir()
        if inside:
            (tmp_path / name / inside).write_text("x")
    (tmp_path / ".replaced-x" / "neighbour").mkdir(parents=True)
    (tmp_path / ".replaced-x" / "neighbour" / "case.json").write_text("all there is of it")
    with locked(tmp_path / ".writing-alive"):
        assert put_in_order(folder) == ()
    assert len(os.listdir(tmp_path)) == 5
    assert "1 half-written" in put_in_order(folder)[0]
    assert sorted(os.listdir(tmp_path)) == [".replaced-x", ".writing-new", ".writing-strange", "case"]


def test_an_old_case_set_aside_under_another_name_is_named(tmp_path):
    folder = _case(tmp_path).folder
    (tmp_path / ".replaced-q").mkdir()
    folder.rename(tmp_path / ".replaced-q" / "old")
    with pytest.raises(BadCase, match=r"The old case lies in \.replaced-q beside it: move it back"):
        read_case(folder)


@needs_flock
def test_a_half_written_file_of_a_killed_run_is_removed(tmp_path):
    folder = _case(tmp_path).folder
    (folder / "plans" / ".writing-abc").write_text("half")
    read_case(folder)
    assert list((folder / "plans").iterdir()) == []


def test_a_folder_that_is_no_case_is_not_overwritten(tmp_path):
    (tmp_path / "case").mkdir()
    (tmp_path / "case" / "notes.txt").write_text("mine")
    with pytest.raises(WrongUse, match=r"must hold a case\.json"):
        write_case(tmp_path / "case", _scan(), _anatomy(), force=True)


def test_reading_waits_for_a_rewrite(tmp_path):
    folder = _case(tmp_path).folder
    begun_s = time.monotonic()
    with locked(folder):
        late = threading.Thread(target=read_case, args=(folder,))
        late.start()
        time.sleep(0.2)
        assert late.is_alive() or sys.platform == "win32"
    late.join()
    assert time.monotonic() - begun_s < 20
