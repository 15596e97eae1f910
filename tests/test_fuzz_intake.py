"""The fuzzer sees what it is there to see, and gives the same inputs for the same seed."""

from __future__ import annotations

import os
import signal
import sys
import warnings
from pathlib import Path
from random import Random

import pytest

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="each input runs in a process of its own, made by fork")

if hasattr(os, "fork"):
    import fuzz_intake
    from fuzz_mutations import spoilt_bytes, spoilt_json, spoilt_nifti, spoilt_text


def _said(words: str, status: int) -> int:
    print(words, file=sys.stderr)
    return status


def _left(folder: Path) -> int:
    (folder / ".writing-x").mkdir()
    return _said("canalwise: no.", 3)


def _killed() -> int:
    os.kill(os.getpid(), signal.SIGTERM)
    return 0


def _warned() -> int:
    with warnings.catch_warnings():
        warnings.simplefilter("always")
        warnings.showwarning = lambda *reported: print(warnings.formatwarning(*reported[:4]), file=sys.stderr)
        warnings.warn("divide by zero", RuntimeWarning, stacklevel=1)
    return 0


PLANTED = {
    "signal 15": lambda folder: _killed(),
    "exit status 70": lambda folder: 1 // 0,
    "RuntimeWarning": lambda folder: _warned(),
    "exit status 2": lambda folder: _said("canalwise: no.", 2),
    "left behind: .writing-x": _left,
    "the patient's name": lambda folder: _said(f"canalwise: {fuzz_intake.SECRET}.nii", 3),
    "refused without a word": lambda folder: 3,
}


@pytest.mark.parametrize("reported", PLANTED)
def test_every_planted_fault_is_found(reported):
    target = fuzz_intake.Target(lambda folder, rng: None, lambda folder, placed: PLANTED[reported](folder), (0, 3))
    faults = fuzz_intake.faults_of(target, fuzz_intake.tried(target, Random(0), None))
    assert any(reported in fault for fault in faults)


@pytest.mark.parametrize("go", [lambda folder: 0, lambda folder: _said("canalwise: the scan must be whole.", 3)])
def test_what_is_as_it_should_be_is_no_finding(go):
    target = fuzz_intake.Target(lambda folder, rng: None, lambda folder, placed: go(folder), (0, 3))
    assert fuzz_intake.faults_of(target, fuzz_intake.tried(target, Random(0), None)) == []


def test_the_same_seed_spoils_alike_and_another_otherwise():
    content = bytes(range(256)) * 4
    for spoil in (
        spoilt_bytes,
        spoilt_nifti,
        lambda c, r: spoilt_text(b"a = 1\nb = 2\n", r),
        lambda c, r: spoilt_json({"ask": "plans", "seq": 1, "list": [1, 2]}, r),
    ):
        made = [spoil(content, Random(seed)) for seed in (1, 1, *range(2, 12))]
        assert made[0] == made[1]
        assert len(set(made)) > 5
