#!/usr/bin/env python3
"""Spoils every kind of file and message that canalwise takes, for a given time, and watches what it does.

    .venv/bin/python scripts/fuzz_intake.py [--seconds 60] [--seed 0] [--kinds nifti,plan] [--only 17] [--keep FOLDER]

Each spoilt input goes through the command line (or the page's own reading and answering) in a process of its own. A
finding is: a signal, a traceback, a warning or anything else on stderr that is not canalwise's own sentence, an exit
status that is not one of the documented ones for that input, a file left behind by a refusal, the patient's name in a
message, too much time or memory. Prints every finding with the number that brings it back (--only) and ends with 1
where there is any. Anatomy is not looked for: a scan that is accepted is written as a case and read again.
"""

from __future__ import annotations

import argparse
import io
import json
import os
import resource
import shutil
import signal
import sys
import tempfile
import time
import traceback
import zipfile
from collections import Counter
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from random import Random
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import nibabel as nib
import numpy as np
from fuzz_mutations import (
    spoilt_bytes,
    spoilt_dicom,
    spoilt_header,
    spoilt_json,
    spoilt_nifti,
    spoilt_text,
)

from canalwise.estimator.approach.plan_file import plan_text
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.recon.anatomy import Anatomy
from canalwise.recon.case.folder import read_case, write_case
from canalwise.recon.intake.label_maps import read_given_labels
from canalwise.recon.scan import Scan
from canalwise.workbench.commands.main import main as canalwise
from canalwise.workbench.console import build_options as building
from canalwise.workbench.rehearsal.server import server as serve
from canalwise.workbench.rehearsal.server.jobs import answered
from canalwise.workbench.rehearsal.server.registry import request_kinds
from canalwise.workbench.rehearsal.session.messages import MalformedMessage, question_of
from canalwise.workbench.rehearsal.session.request import RequestJob
from canalwise.workbench.rehearsal.session.session import Session
from canalwise.workbench.teaching.lesson import BUILT_IN
from tests.recon.scans import SECRET, body, write_nifti_file, write_series
from tests.workbench import toy

LONGEST_S = 60
"""More is a hang: an estimate takes a second, on a loaded machine some."""

MOST_MB = 3000
"""Resident memory: the default budget of 2,500 MB and the libraries."""

OWN_WORDS = ("canalwise: ", "note: ", "usage: canalwise", "canalwise ")
"""How lines begin that canalwise says on stderr."""


@dataclass(frozen=True)
class Tried:
    """What became of one spoilt input."""

    status: int
    said: str
    megabytes: float
    left: tuple[str, ...]
    timed_out: bool


@dataclass(frozen=True)
class Target:
    """One kind of input.

    Parameters
    ----------
    lay : writes a spoilt input into a folder; gives what `go` needs
    go : runs canalwise on it, in a process of its own; gives the exit status
    statuses : that are right for such an input
    """

    lay: Callable[[Path, Random], Any]
    go: Callable[[Path, Any], int]
    statuses: tuple[int, ...]


class SoundInputs:
    """Whole inputs to be spoilt, and the case that plans, lessons and messages are tried on."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        write_nifti_file(folder / "a.nii", body(), qform=1)
        self.nifti = (folder / "a.nii").read_bytes()
        stored = body().tobytes(order="F")
        self.nrrd = NRRD_HEADER.encode() + b"\n\n" + stored
        self.mha = MHA_HEADER.encode() + b"\n" + stored
        series = write_series(folder / "series", body((20, 24, 12)), heights_mm=[1.5 * k for k in range(12)])
        self.slices = {path.name: path.read_bytes() for path in sorted(series.iterdir())}
        labels = np.zeros(toy.grid().shape, np.uint16)
        labels[:] = toy.labels()
        nib.save(nib.Nifti1Image(labels // 100, toy.grid().affine_ras_mm), folder / "labels.nii.gz")
        nib.save(nib.Nifti1Image(toy.scan().voxels, toy.grid().affine_ras_mm), folder / "toy.nii.gz")
        self.case = write_case(folder / "case", toy.scan(), toy.anatomy())
        self.plan = plan_text(default_approach(toy.anatomy(), "L3-L4", "left")).encode()
        self.lesson = sorted(BUILT_IN.glob("*.toml"))[0].read_bytes()
        self.messages = _messages()
        with open(os.devnull, "w") as quiet:
            _quietly(quiet, self._warmed)

    def _warmed(self) -> None:
        """Everything compiled and loaded once, so that each trial starts from there."""
        work = self.folder / "work"
        (work / "lessons").mkdir(parents=True)
        (work / "lessons" / "a.toml").write_bytes(self.lesson)
        (work / "plan.toml").write_bytes(self.plan)
        (work / "names.toml").write_bytes(LABEL_NAMES)
        _built(work, self.folder / "series")
        _estimated(self)(work, work / "plan.toml")
        _labelled(self)(work, work / "names.toml")
        _taught(self)(work, work / "lessons" / "a.toml")
        for number, message in enumerate(self.messages, start=1):
            _talked(self)(work, json.dumps({"seq": number, **message}))


NRRD_HEADER = """NRRD0005
# made up
type: short
dimension: 3
space: left-posterior-superior
sizes: 20 24 30
space directions: (-0.9,0,0) (0,-0.8,0) (0,0,0.7)
kinds: domain domain domain
endian: little
encoding: raw
space origin: (31,-17,-205)"""

MHA_HEADER = """ObjectType = Image
NDims = 3
BinaryData = True
BinaryDataByteOrderMSB = False
CompressedData = False
TransformMatrix = -1 0 0 0 -1 0 0 0 1
Offset = 31 -17 -205
CenterOfRotation = 0 0 0
ElementSpacing = 0.9 0.8 0.7
DimSize = 20 24 30
ElementType = MET_SHORT
ElementDataFile = LOCAL"""

LABEL_NAMES = b"""schema = "canalwise.label-names/1"
[[file]]
22 = "L3"
23 = "L4"
"""


def _messages() -> list[dict[str, Any]]:
    plan = asdict(default_approach(toy.anatomy(), "L3-L4", "left"))
    task = ["roof", "contralateral recess"]
    about = {"plan": plan, "task": task}
    return [
        {"ask": "estimate", **about, "intervals": False},
        {"ask": "save", "name": "steeper", "plan": plan, "replace": True},
        {"ask": "open", "name": "steeper"},
        {"ask": "forget", "name": "steeper"},
        {"ask": "keep", "tab": "abcdefgh", "state": {"plan": plan, "name": "x"}},
        {"ask": "recall", "tab": "abcdefgh"},
        {"ask": "start", "level": "L3-L4", "side": "left", "instrument": "8 mm"},
        {"ask": "dock", "plan": plan, "point_mm": [8.0, 12.0, 0.0]},
        {"ask": "enter", "plan": plan, "lateral_mm": 15.0, "cranial_mm": 3.0},
        {"ask": "angle_chart", "plan": plan, "phase": "over the top", "task": task},
        {"ask": "radiographs", "plan": plan},
        {"ask": "execution", "plan": plan},
        {"ask": "explore", "lesson": "3-which-side", "step": 2, "plans": [plan]},
        {"ask": "mark", "lesson": "1-one-side-both-recesses", "step": 0, **about, "choice": "x"},
        {"ask": "lesson", "name": "1-one-side-both-recesses", **about},
        {
            "ask": "search",
            "level": "L3-L4",
            "sides": ["left"],
            "instruments": ["8 mm"],
            "task": task,
            "budget": 1000,
            "seed": 0,
        },
        {"ask": "sheet", **about, "scope": ""},
    ]


def targets(inputs: SoundInputs) -> dict[str, Target]:
    """Every kind of input by name."""
    scan_file = {
        "nifti": (".nii", lambda rng: spoilt_nifti(inputs.nifti, rng)),
        "nrrd": (".nrrd", lambda rng: _header_or_bytes(inputs.nrrd, rng, b"\n\n")),
        "mha": (".mha", lambda rng: _header_or_bytes(inputs.mha, rng, b"LOCAL\n")),
    }
    found = {name: Target(_file_writer(suffix, spoil), _built, (0, 3)) for name, (suffix, spoil) in scan_file.items()}
    estimated = Target(_file_writer(".toml", lambda rng: spoilt_text(inputs.plan, rng)), _estimated(inputs), (0, 3))
    named = Target(_file_writer(".toml", lambda rng: spoilt_text(LABEL_NAMES, rng)), _labelled(inputs), (0, 2, 3))
    taught = Target(_file_writer(".toml", lambda rng: spoilt_text(inputs.lesson, rng)), _taught(inputs), (0, 3))
    spoilt = lambda folder, rng: spoilt_json({"seq": 1, **rng.choice(inputs.messages)}, rng)  # noqa: E731
    talked = Target(spoilt, _talked(inputs), (0,))
    return found | {
        "dicom": Target(lambda folder, rng: _written_series(inputs, folder, rng), _built, (0, 3)),
        "zip": Target(lambda folder, rng: _written_zip(inputs, folder, rng), _built, (0, 3)),
        "plan": estimated,
        "names": named,
        "lesson": taught,
        "message": talked,
    }


def _header_or_bytes(content: bytes, rng: Random, end: bytes) -> bytes:
    return spoilt_header(content, rng, end) if rng.random() < 0.8 else spoilt_bytes(content, rng, 400)


def _file_writer(suffix: str, spoil: Callable[[Random], bytes]) -> Callable[[Path, Random], Path]:
    def lay(folder: Path, rng: Random) -> Path:
        path = folder / f"{SECRET}{suffix}"
        path.write_bytes(spoil(rng))
        return path

    return lay


def _spoilt_slices(inputs: SoundInputs, rng: Random) -> dict[str, bytes]:
    slices = dict(inputs.slices)
    for name in rng.sample(sorted(slices), rng.choice((1, 1, 2, 12))):
        kind = rng.random()
        if kind < 0.8:
            slices[name] = spoilt_dicom(slices[name], rng)
        elif kind < 0.9:
            del slices[name]
        else:
            slices[f"copy-{name}"] = slices[name]
    return slices


def _written_series(inputs: SoundInputs, folder: Path, rng: Random) -> Path:
    (folder / SECRET).mkdir()
    for name, content in _spoilt_slices(inputs, rng).items():
        (folder / SECRET / name).write_bytes(content)
    return folder / SECRET


def _written_zip(inputs: SoundInputs, folder: Path, rng: Random) -> Path:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", rng.choice((zipfile.ZIP_DEFLATED, zipfile.ZIP_STORED))) as archive:
        for name, content in (_spoilt_slices(inputs, rng) if rng.random() < 0.3 else inputs.slices).items():
            archive.writestr(name, content)
    content = packed.getvalue()
    if rng.random() < 0.8:
        cut = content.rfind(b"PK\1\2") - 400 if rng.random() < 0.6 else 0
        content = content[:cut] + spoilt_bytes(content[cut:], rng)
    path = folder / f"{SECRET}.zip"
    path.write_bytes(content)
    return path


def _built(folder: Path, scan: Path) -> int:
    building.anatomy_from = _no_anatomy  # type: ignore[assignment]
    out = folder / "case"
    status = canalwise(["build", str(scan), "--out", str(out), "--accept-tilt", "--accept-thick"])
    if status == 0:
        read_case(out)
        shutil.rmtree(out)
    return status


def _no_anatomy(scan: Scan, labels: Any, names: Path | None, *_: Any) -> Anatomy:
    if labels:
        read_given_labels(labels, names, scan.grid)
    shape = scan.grid.shape
    return Anatomy(scan.grid, np.zeros(shape, np.uint16), np.zeros(shape, np.float32), ())


def _estimated(inputs: SoundInputs) -> Callable[[Path, Path], int]:
    def go(folder: Path, plan: Path) -> int:
        case = folder / "case"
        shutil.copytree(inputs.case.folder, case)
        status = canalwise(["estimate", str(case), "--plan", str(plan), "--no-intervals", "--name", "spoilt"])
        kept = [*(case / "plans").iterdir(), *(case / "results").iterdir()]
        shutil.rmtree(case)
        return status if bool(kept) == (status == 0) else -1

    return go


def _labelled(inputs: SoundInputs) -> Callable[[Path, Path], int]:
    def go(folder: Path, names: Path) -> int:
        building.anatomy_from = _no_anatomy  # type: ignore[assignment]
        out = folder / "case"
        status = canalwise(
            [
                "build",
                str(inputs.folder / "toy.nii.gz"),
                "--out",
                str(out),
                "--labels",
                str(inputs.folder / "labels.nii.gz"),
                "--label-names",
                str(names),
            ]
        )
        shutil.rmtree(out) if status == 0 else None
        return status

    return go


def _taught(inputs: SoundInputs) -> Callable[[Path, Path], int]:
    def go(folder: Path, lesson: Path) -> int:
        serve.serving = _served_nothing  # type: ignore[assignment]
        try:
            return canalwise(["rehearse", str(inputs.case.folder), "--lessons", str(lesson.parent), "--no-open"])
        except _Served:
            return 0

    return go


class _Served(Exception):
    """All was read, and the server would begin."""


def _served_nothing(*_: Any) -> Any:
    raise _Served


def _talked(inputs: SoundInputs) -> Callable[[Path, str], int]:
    def go(folder: Path, text: str) -> int:
        case = folder / "case"
        shutil.copytree(inputs.case.folder, case)
        try:
            question = question_of(text, request_kinds())
        except MalformedMessage:
            return 0
        finally:
            shutil.rmtree(case)
        if question.ask.long:
            return 0
        shutil.copytree(inputs.case.folder, case)
        # An answer that nobody foresaw the failure of says so on stderr.
        reply, _ = answered(Session(read_case(case)), question, RequestJob())
        json.loads(reply)
        left = sorted(path.name for path in folder.iterdir())
        shutil.rmtree(case)
        return 0 if left == ["case"] else -1

    return go


def _quietly(stream: Any, work: Callable[[], Any]) -> Any:
    sys.stdout.flush()
    kept = os.dup(1), os.dup(2)
    os.dup2(stream.fileno(), 1)
    os.dup2(stream.fileno(), 2)
    try:
        return work()
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        for number, handle in enumerate(kept, start=1):
            os.dup2(handle, number)
            os.close(handle)


def tried(target: Target, rng: Random, keep: Path | None) -> Tried:
    """Runs one spoilt input in a process of its own."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        written = target.lay(folder, rng)
        if keep:
            shutil.copytree(folder, keep, dirs_exist_ok=True)
            (keep / "message.txt").write_text(written) if isinstance(written, str) else None
        before = {path.name for path in folder.iterdir()}
        with tempfile.TemporaryFile() as said:
            child = os.fork()
            if child == 0:
                _be_child(target, folder, written, said)
            status, used, timed_out = _waited(child)
            said.seek(0)
            text = said.read().decode(errors="replace")
        left = tuple(sorted({path.name for path in folder.iterdir()} - before))
    return Tried(status, text, used, left, timed_out)


def _be_child(target: Target, folder: Path, written: Any, said: Any) -> None:
    os.dup2(said.fileno(), 2)
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
    sys.stdout, sys.stderr = (os.fdopen(number, "w", closefd=False) for number in (1, 2))
    signal.alarm(LONGEST_S + 10)
    status = 70
    try:
        status = target.go(folder, written) & 127
    except BaseException:
        traceback.print_exc()
    sys.stderr.flush()
    os._exit(status)


def _waited(child: int) -> tuple[int, float, bool]:
    until_s = time.monotonic() + LONGEST_S
    while time.monotonic() < until_s:
        done, status, used = os.wait4(child, os.WNOHANG)
        if done:
            return os.waitstatus_to_exitcode(status), used.ru_maxrss / 1024, False
        time.sleep(0.002)
    os.kill(child, signal.SIGKILL)
    _, status, used = os.wait4(child, 0)
    return os.waitstatus_to_exitcode(status), used.ru_maxrss / 1024, True


def faults_of(target: Target, found: Tried) -> list[str]:
    """What is wrong with what happened; nothing where it is as it should be."""
    strange = [line for line in found.said.splitlines() if line.strip() and not line.startswith(OWN_WORDS)]
    checks = {
        f"hung for {LONGEST_S} s": found.timed_out,
        f"signal {-found.status}": found.status < 0 and not found.timed_out,
        f"exit status {found.status}": found.status >= 0 and found.status not in target.statuses,
        f"on stderr: {' | '.join(strange[-3:])[:300]}": bool(strange),
        f"left behind: {', '.join(found.left)}": bool(found.left),
        "the patient's name in a message": SECRET in found.said.replace(f"{SECRET}.toml", ""),
        "refused without a word": found.status in (2, 3) and not found.said.strip(),
        f"{found.megabytes:.0f} MB": found.megabytes > MOST_MB,
    }
    return [words for words, is_so in checks.items() if is_so]


def main() -> int:
    """0 where nothing was found."""
    parser = argparse.ArgumentParser(description="Spoil every kind of input and watch what happens.")
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--kinds", default="", help="which kinds of input, parted by commas (usual: all)")
    parser.add_argument("--only", type=int, help="the one input of that number")
    parser.add_argument("--keep", type=Path, help="where to lay the input of --only")
    options = parser.parse_args()
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    with tempfile.TemporaryDirectory() as place:
        return fuzzed(targets(SoundInputs(Path(place))), options)


def fuzzed(every: dict[str, Target], options: argparse.Namespace) -> int:
    """Tries inputs until the time is over; prints findings as they come, and counts at the end."""
    kinds = options.kinds.split(",") if options.kinds else list(every)
    until_s, number, findings = time.monotonic() + options.seconds, options.only or 0, 0
    counts: Counter[str] = Counter()
    statuses: Counter[tuple[str, int]] = Counter()
    seconds: dict[str, float] = dict.fromkeys(kinds, 0.0)
    while options.only is not None or time.monotonic() < until_s:
        kind, rng = kinds[number % len(kinds)], Random(f"{options.seed}/{options.kinds}/{number}")
        begun_s = time.monotonic()
        found = tried(every[kind], rng, options.keep if options.only is not None else None)
        counts[kind] += 1
        seconds[kind] += round(time.monotonic() - begun_s, 3)
        statuses[kind, found.status] += 1
        if faults := faults_of(every[kind], found):
            findings += 1
            print(f"{number:6} {kind:8} {'; '.join(faults)}", flush=True)
        if options.only is not None:
            print(found.said)
            break
        number += 1
    for kind in kinds:
        reported = ", ".join(f"{count} x {status}" for (of, status), count in sorted(statuses.items()) if of == kind)
        print(f"{kind:8} {counts[kind]:6} inputs in {seconds[kind]:4.0f} s; exit status {reported}")
    print(f"{sum(counts.values())} inputs, {findings} findings (seed {options.seed})")
    return 1 if findings else 0


if __name__ == "__main__":
    sys.exit(main())
