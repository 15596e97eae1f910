"""The command line: exit status, what goes where, and nothing left behind."""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import warnings
from dataclasses import replace

import numpy as np
import pytest

from canalwise.estimator.approach.plan_file import plan_text
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.recon.case.folder import read_case, write_case
from canalwise.recon.disclaimer import CAUTION
from canalwise.recon.errors import AnatomyNotFound
from canalwise.recon.grid import Grid
from canalwise.recon.intake.nifti_writer import write_nifti
from canalwise.recon.labels import Tissue
from canalwise.workbench.commands import main as main_module
from canalwise.workbench.commands.main import INTERRUPTED, VERBS, main
from canalwise.workbench.console.verb import Verb
from tests.workbench import toy


def test_help_of_every_verb_teaches(capsys):
    for verb in VERBS:
        assert main([verb.name, "--help"]) == 0
        text = capsys.readouterr().out
        assert "example" in text
        assert f"canalwise {verb.name}" in text
        assert " ".join(CAUTION.split()) in " ".join(text.split())


def test_no_warning_of_a_library_reaches_the_user_of_the_program(monkeypatch):
    def run(_: argparse.Namespace) -> int:
        warnings.warn("divide by zero", RuntimeWarning, stacklevel=1)
        return 0

    monkeypatch.setattr(main_module, "VERBS", (Verb("warned", "warns", "example", lambda _: None, run),))
    monkeypatch.setattr(sys, "argv", ["canalwise", "warned"])
    with warnings.catch_warnings(record=True) as heard:
        warnings.simplefilter("always")
        assert main(["warned"]) == 0  # called by a program, which may want to hear of it
        assert len(heard) == 1
        assert main() == 0
        assert len(heard) == 1


def test_help_lists_every_verb_and_exit_status(capsys):
    assert main(["--help"]) == 0
    text = capsys.readouterr().out
    assert all(verb.summary in text for verb in VERBS)
    assert "limit is breached" in text


@pytest.mark.parametrize(
    "argv",
    [
        [],
        ["operate"],
        ["measure"],
        ["measure", "case", "--colour", "red"],
        ["estimate", "case", "--side", "up", "--level", "L3-L4"],
        ["estimate", "case", "--level", "L3-L4", "--side", "left", "--medial-tilt-deg", "steep"],
        ["build", "ct.nii.gz"],
        ["build", "ct.nii.gz", "--out", "case", "--levels", "L2,L33"],
    ],
)
def test_wrong_use_is_2_with_a_word_on_stderr(argv, capsys):
    assert main(argv) == 2
    reported = capsys.readouterr()
    assert reported.out == ""
    assert "canalwise" in reported.err


def test_bad_vertebra_name_is_named(capsys):
    main(["build", "ct.nii.gz", "--out", "case", "--levels", "L2,L33"])
    assert "'L33' is no vertebra" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("argv", "word"),
    [
        (["--level", "L3-L4"], "--side"),
        ([], "--plan FILE"),
        (["--level", "L3", "--side", "left"], "joined by '-'"),
        (["--level", "L3-L5", "--side", "left"], "neighbours"),
        (["--level", "L3-L4", "--side", "left", "--sleeve-diameter-mm", "2"], "tool <= scope <= sleeve"),
        (["--level", "L3-L4", "--side", "left", "--medial-tilt-deg", "nan"], "[-80, 80]"),
        (["--level", "L3-L4", "--side", "left", "--name", "../x"], "plain file name"),
        (["--plan", "p.toml", "--side", "left"], "alone"),
        (["--level", "L3-L4", "--side", "left", "--task", "floor"], "contralateral recess"),
    ],
)
def test_estimate_says_what_is_wrong_with_the_call(case, argv, word, capsys):
    assert main(["estimate", str(case), *argv]) == 2
    reported = capsys.readouterr()
    assert reported.err.startswith("canalwise: ")
    assert word in reported.err
    assert "Traceback" not in reported.err
    assert not any((case / "results").iterdir())


def test_level_not_in_view_is_3_and_names_those_that_are(case, capsys):
    for verb in (["estimate", "--side", "left"], ["compare"], ["search"], ["report", "--side", "left"]):
        assert main([verb[0], str(case), "--level", "L1-L2", *verb[1:]]) == 3
        assert "L3-L4" in capsys.readouterr().err


def test_missing_scan_is_3_and_leaves_nothing(tmp_path, capsys):
    assert main(["build", str(tmp_path / "smith_john.nii.gz"), "--out", str(tmp_path / "case")]) == 3
    reported = capsys.readouterr()
    assert "canalwise: " in reported.err
    assert "smith" not in reported.err
    assert list(tmp_path.iterdir()) == []


def test_no_case_and_half_a_case_are_3(case, tmp_path, capsys):
    assert main(["measure", str(tmp_path)]) == 3
    (case / "anatomy.json").unlink()
    assert main(["measure", str(case)]) == 3
    assert "anatomy.json" in capsys.readouterr().err


def test_damaged_case_is_3(case, capsys):
    whole = (case / "labels.nii.gz").read_bytes()
    (case / "labels.nii.gz").write_bytes(whole[: len(whole) // 2])
    assert main(["estimate", str(case), "--level", "L3-L4", "--side", "left"]) == 3
    assert "labels.nii.gz" in capsys.readouterr().err


def test_measure_prints_every_measurement_with_its_band(case, capsys):
    assert main(["measure", str(case)]) == 0
    reported = capsys.readouterr()
    assert "absolute stenosis" in reported.out
    assert "9.4 mm" in reported.out
    assert "named by the person" in reported.err


@pytest.mark.parametrize(
    "argv",
    [
        ["measure"],
        ["compare", "--level", "L3-L4", "--budget", "30"],
        ["search", "--level", "L3-L4", "--budget", "30"],
        ["estimate", "--level", "L3-L4", "--side", "right"],
    ],
)
def test_json_is_all_there_is_on_stdout(case, argv, capsys):
    assert main([argv[0], str(case), *argv[1:], "--json"]) == 0
    reported = capsys.readouterr()
    document = json.loads(reported.out)
    assert document["caution"] == CAUTION
    assert document["schema"].startswith("canalwise.")
    assert reported.err == ""


def test_samples_and_seed_are_chosen_and_intervals_left_out(case, capsys):
    argv = ["estimate", str(case), "--level", "L3-L4", "--side", "left", "--json", "--name", "sampled"]
    reported = []
    for more in (["--samples", "50", "--seed", "3"], ["--samples", "50", "--seed", "3"], ["--no-intervals"]):
        assert main([*argv, *more]) == 0
        reported.append(json.loads(capsys.readouterr().out))
    assert reported[0] == reported[1]
    assert (reported[0]["samples"], reported[0]["seed"]) == (50, 3)
    assert reported[0]["cone"]["bone_removed_mm3"]["interval95"]
    assert (reported[2]["samples"], reported[2]["chances"]["all_limits"]) == (0, None)
    assert reported[2]["cone"]["bone_removed_mm3"]["interval95"] is None
    assert main(["estimate", str(case), "--level", "L3-L4", "--side", "left", "--samples", "0"]) == 2


def test_estimate_keeps_the_plan_and_the_same_numbers(case, capsys):
    argv = ["estimate", str(case), "--level", "L3-L4", "--side", "left", "--json"]
    assert main(argv) == 0
    printed = capsys.readouterr().out
    assert (case / "results" / "L3-L4-left.json").read_text() == printed
    assert main(["estimate", str(case), "--plan", str(case / "plans" / "L3-L4-left.toml"), "--json"]) == 0
    assert capsys.readouterr().out == printed


def test_an_edited_plan_is_not_overwritten_unless_forced(case, capsys):
    argv = ["estimate", str(case), "--level", "L3-L4", "--side", "left", "--no-intervals"]
    plan = case / "plans" / "L3-L4-left.toml"
    assert main(argv) == 0
    first = plan.read_text()
    assert main([*argv, "--over-the-top-medial-tilt-deg", "25"]) == 2
    assert "--name" in capsys.readouterr().err
    assert plan.read_text() == first
    assert main([*argv, "--over-the-top-medial-tilt-deg", "25", "--force"]) == 0
    assert "medial_tilt_deg = 25.0" in plan.read_text()


def test_damaged_plan_is_3(case, tmp_path, capsys):
    (tmp_path / "plan.toml").write_text("level = ")
    assert main(["estimate", str(case), "--plan", str(tmp_path / "plan.toml")]) == 3
    assert "TOML" in capsys.readouterr().err


def test_strict_is_4_when_a_plan_frees_too_little(case, tmp_path, capsys):
    write_case(tmp_path / "deep", toy.scan(), toy.pressed_anatomy(-6.0))
    for folder, freed in ((case, True), (tmp_path / "deep", False)):
        argv = ["estimate", str(folder), "--level", "L3-L4", "--side", "left", "--json"]
        assert main(argv) == 0
        document = json.loads(capsys.readouterr().out)
        assert document["verdict"]["freed"] is freed
        good = document["verdict"]["freed"] and document["verdict"]["kept"]
        assert main([*argv, "--strict"]) == (0 if good else 4)
        assert json.loads(capsys.readouterr().out) == document


def test_strict_is_0_when_all_limits_hold(case, capsys):
    thin = [
        "--sweep-half-angle-deg",
        "0",
        "--sleeve-diameter-mm",
        "4",
        "--scope-diameter-mm",
        "3",
        "--tool-diameter-mm",
        "2",
    ]
    assert (
        main(
            ["estimate", str(case), "--level", "L3-L4", "--side", "left", *thin, "--no-intervals", "--strict", "--json"]
        )
        == 0
    )
    assert not [v for v in json.loads(capsys.readouterr().out)["verdicts"] if v["met"] is False]


def test_interrupt_is_130_and_writes_nothing(case, monkeypatch, capsys):
    def stop(*_, **__):
        raise KeyboardInterrupt

    monkeypatch.setattr("canalwise.workbench.console.json_results.estimate", stop)
    before = sorted(path.name for path in case.rglob("*"))
    assert main(["estimate", str(case), "--level", "L3-L4", "--side", "left"]) == INTERRUPTED
    assert sorted(path.name for path in case.rglob("*")) == before
    assert "half-written" in capsys.readouterr().err


def test_a_full_disk_is_reported_without_the_path(case, monkeypatch, capsys):
    def full(*_):
        raise OSError(28, "No space left on device", str(case))

    monkeypatch.setattr("canalwise.recon.serialization.os.replace", full)
    assert main(["estimate", str(case), "--level", "L3-L4", "--side", "left"]) == 3
    reported = capsys.readouterr().err
    assert "No space left" in reported
    assert str(case) not in reported
    assert not [path for path in case.rglob("*") if path.name.startswith(".writing")]


def test_a_fault_of_our_own_is_not_dressed_up_as_bad_input(case, monkeypatch):
    def broken(*_, **__):
        raise ZeroDivisionError

    monkeypatch.setattr("canalwise.workbench.console.json_results.estimate", broken)
    with pytest.raises(ZeroDivisionError):
        main(["estimate", str(case), "--level", "L3-L4", "--side", "left"])


def test_build_refuses_a_folder_that_is_there_before_reading_the_scan(case, capsys):
    assert main(["build", "no-such-scan.nii.gz", "--out", str(case)]) == 2
    assert "--force" in capsys.readouterr().err


def test_build_refuses_to_replace_what_is_no_case(tmp_path, capsys):
    (tmp_path / "holiday.txt").write_text("beach")
    assert main(["build", "no-such-scan.nii.gz", "--out", str(tmp_path), "--force"]) == 2
    assert (tmp_path / "holiday.txt").read_text() == "beach"
    assert "case.json" in capsys.readouterr().err


def test_build_refuses_names_without_labels(scan_file, tmp_path, capsys):
    assert main(["build", str(scan_file), "--out", str(tmp_path / "case"), "--label-names", "names.toml"]) == 2
    assert "--labels" in capsys.readouterr().err
    assert not (tmp_path / "case").exists()


def test_json_stays_pure_in_a_process_of_its_own(case):
    done = subprocess.run(
        [sys.executable, "-W", "error", "-m", "canalwise.workbench.commands.main", "measure", str(case), "--json"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0
    assert json.loads(done.stdout)["levels"][0]["name"] == "L3-L4"
    assert done.stderr == ""


@pytest.fixture
def scan_file(tmp_path):
    """The toy's scan and label map as NIfTI files."""
    write_nifti(tmp_path / "ct.nii.gz", toy.scan().voxels, toy.scan().grid)
    write_nifti(tmp_path / "labels.nii.gz", toy.labels(), toy.grid())
    return tmp_path / "ct.nii.gz"


def test_build_hands_labels_and_names_to_the_library(scan_file, tmp_path, monkeypatch, capsys):
    options_given = {}

    def anatomy_with(scan, **options):
        options_given.update(options, grid=scan.grid)
        return replace(
            toy.anatomy(),
            grid=scan.grid,
            labels=options["given"].labels,
            occupancy=np.zeros(scan.grid.shape, np.float32),
        )

    monkeypatch.setattr("canalwise.workbench.console.build_options.anatomy_with", anatomy_with)
    out = tmp_path / "case"
    argv = [
        "build",
        str(scan_file),
        "--out",
        str(out),
        "--labels",
        str(tmp_path / "labels.nii.gz"),
        "--levels",
        "L3,L4",
        "--json",
    ]
    assert main(argv) == 0
    reported = capsys.readouterr()
    assert [level["name"] for level in json.loads(reported.out)["levels"]] == ["L3-L4"]
    assert options_given["vertebrae"] == ("L3", "L4")
    assert set(np.unique(options_given["given"].labels)) == set(np.unique(toy.labels()))
    assert main(["measure", str(out)]) == 0
    assert main(argv) == 2
    assert main([*argv, "--force"]) == 0


def test_a_build_that_fails_leaves_nothing(scan_file, tmp_path, monkeypatch, capsys):
    def anatomy_with(*_, **__):
        raise AnatomyNotFound("canal", "must be in view")

    monkeypatch.setattr("canalwise.workbench.console.build_options.anatomy_with", anatomy_with)
    before = sorted(tmp_path.iterdir())
    assert main(["build", str(scan_file), "--out", str(tmp_path / "case")]) == 3
    assert sorted(tmp_path.iterdir()) == before
    assert capsys.readouterr().out == ""


def test_mr_offered_as_ct_is_3(tmp_path, capsys):
    write_nifti(tmp_path / "mr.nii.gz", np.abs(toy.scan().voxels), toy.scan().grid)
    assert main(["build", str(tmp_path / "mr.nii.gz"), "--out", str(tmp_path / "case")]) == 3
    assert "CT" in capsys.readouterr().err


def tree(folder):
    """Every file under a folder with its bytes."""
    return {path.relative_to(folder): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


@pytest.fixture
def smaller_sac(tmp_path):
    """A label map of the toy's sac, its left third cut off."""
    values = (toy.labels() == Tissue.SAC).astype(np.uint8)
    values[np.argwhere(values)[:, 0].max() - 5 :] = 0
    write_nifti(tmp_path / "smith.nii.gz", values, toy.grid())
    return tmp_path / "smith.nii.gz"


def test_correct_replaces_a_structure_and_says_so(case, smaller_sac, tmp_path, monkeypatch, capsys):
    def corrected_anatomy(scan, anatomy, *, replaced, **_):
        assert [each.structure for each in replaced] == ["sac"]
        return replace(anatomy, corrections=tuple(each.record for each in replaced))

    monkeypatch.setattr("canalwise.workbench.console.build_options.corrected_anatomy", corrected_anatomy)
    out = tmp_path / "corrected"
    assert main(["correct", str(case), "--replace", f"sac={smaller_sac}", "--out", str(out), "--json"]) == 0
    reported = json.loads(capsys.readouterr().out)
    assert reported["corrections"][0]["what"] == "sac"
    assert "sac was replaced by a label map" in reported["corrected"][0]
    assert not json.loads((case / "anatomy.json").read_text())["corrections"]
    assert json.loads((out / "anatomy.json").read_text())["corrections"][0]["sha256"]
    assert all(b"smith" not in content for content in tree(out).values())
    assert main(["measure", str(out)]) == 0
    assert "Corrected: sac" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("options", "status", "said"),
    [
        (["--replace", "sack={map}"], 2, "Did you mean: sac"),
        (["--replace", "sac={empty}"], 3, "at least one voxel"),
        (["--replace", "sac=nowhere.nii.gz"], 3, ""),
        (["--replace", "sac={moved}"], 3, "must lie on the scan's voxels"),
        (["--replace", "sac={map}", "--replace", "sac={map}"], 2, "once"),
        (["--seed", "canal=1,2"], 2, "WHAT=X,Y,Z"),
        (["--seed", "canal=900,0,0"], 2, "must lie in the scan"),
        ([], 2, "must change something"),
    ],
)
def test_a_wrong_correction_leaves_the_case_as_it_was(case, smaller_sac, tmp_path, capsys, options, status, said):
    write_nifti(tmp_path / "empty.nii.gz", np.zeros(toy.SHAPE, np.uint8), toy.grid())
    affine = toy.grid().affine_ras_mm.copy()
    affine[:3, 3] += 0.4
    write_nifti(tmp_path / "moved.nii.gz", np.ones(toy.SHAPE, np.uint8), Grid(toy.SHAPE, affine))
    files = {"map": smaller_sac, "empty": tmp_path / "empty.nii.gz", "moved": tmp_path / "moved.nii.gz"}
    before = tree(tmp_path)
    assert main(["correct", str(case), *(text.format(**files) for text in options)]) == status
    assert said in capsys.readouterr().err
    assert tree(tmp_path) == before


def test_a_task_of_less_takes_less_and_says_what_it_touches(case, capsys):
    documents = []
    for extra in ([], ["--task", "contralateral-recess"]):
        assert main(["estimate", str(case), "--level", "L3-L4", "--side", "left", *extra, "--json"]) == 0
        documents.append(json.loads(capsys.readouterr().out))
    whole, less = (document["task"] for document in documents)
    assert list(less["targets"]) == ["contralateral recess"]
    assert less["targets"]["contralateral recess"] == whole["targets"]["contralateral recess"]
    assert less["bone_removed_mm3"]["total"] < whole["bone_removed_mm3"]["total"]
    assert documents[0]["cone"] == documents[1]["cone"]


@pytest.mark.parametrize(
    "wrong",
    [
        b"docking_point_mm = [1e300, 0.0, 0.0]",
        b"docking_point_mm = [1e8, 0.0, 0.0] # \xfc",
        b"docking_point_mm = " + b"[" * 3000,
    ],
)
def test_a_plan_that_cannot_be_is_3_and_leaves_nothing(case, tmp_path, wrong, capsys):
    plan = plan_text(default_approach(toy.anatomy(), "L3-L4", "left")).encode()
    lines = plan.split(b"\n")
    first = next(k for k, line in enumerate(lines) if line.startswith(b"docking_point_mm"))
    last = next(k for k, line in enumerate(lines) if k > first and line == b"]")
    (tmp_path / "plan.toml").write_bytes(b"\n".join([*lines[:first], wrong, *lines[last + 1 :]]))
    assert main(["estimate", str(case), "--plan", str(tmp_path / "plan.toml")]) == 3
    reported = capsys.readouterr()
    assert reported.err.startswith("canalwise: the plan must be ")
    assert reported.out == ""
    assert not [*(case / "plans").iterdir(), *(case / "results").iterdir()]


def test_an_estimate_of_a_plan_made_on_another_anatomy_says_so(case, capsys):
    left = ["estimate", str(case), "--level", "L3-L4", "--side", "left", "--no-intervals"]
    assert main([*left, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["anatomy_sha256"] == read_case(case).anatomy_sha256
    kept = json.loads((case / "results" / "L3-L4-left.json").read_text())
    assert kept["anatomy_sha256"] == read_case(case).anatomy_sha256
    write_case(case, toy.scan(), replace(toy.anatomy(), warnings=("anew",)), force=True)
    plan = case / "plans" / "L3-L4-left.toml"
    assert main(["estimate", str(case), "--plan", str(plan), "--force", "--name", "again", "--no-intervals"]) == 0
    assert "note: The plan was made on another anatomy than the case has now" in capsys.readouterr().err
    assert main(["estimate", str(case), "--plan", str(plan), "--no-intervals", "--json", "--name", "third"]) == 0
    assert "on another anatomy" in json.loads(capsys.readouterr().out)["warnings"][0]
    assert main(["estimate", str(case), "--plan", str(case / "plans" / "again.toml"), "--no-intervals"]) == 0
    assert "another anatomy" not in capsys.readouterr().err


@pytest.mark.parametrize("name", ["CON", "nul", "com7.x", "x" * 200])
def test_a_plan_name_that_some_system_cannot_keep_is_2(case, name, capsys):
    assert main(["estimate", str(case), "--level", "L3-L4", "--side", "left", "--name", name]) == 2
    assert "--name must " in capsys.readouterr().err


def test_a_disk_that_refuses_without_a_word_is_3_and_says_what_it_can(case, monkeypatch, capsys):
    def refuse(*_, **__):
        raise OSError

    monkeypatch.setattr("canalwise.recon.case.folder.read_case", refuse)
    assert main(["measure", str(case)]) == 3
    reported = capsys.readouterr().err
    assert "None" not in reported
    assert "the file system refused" in reported


def test_version_is_printed(capsys):
    assert main(["--version"]) == 0
    name, version = capsys.readouterr().out.split()
    assert name == "canalwise"
    assert version[0].isdigit()
