"""canalwise audit from files to files: the result, what is kept, what the report tells of it, and refusals."""

from __future__ import annotations

import json
import re

import numpy as np
import pytest

from canalwise.recon.case.case_files import carry_foreign
from canalwise.recon.case.folder import read_case, write_case
from canalwise.recon.disclaimer import CAUTION
from canalwise.recon.errors import BadFile
from canalwise.recon.image.volume import BUDGET_MB
from canalwise.recon.intake.nifti_reader import stored_voxels
from canalwise.recon.intake.nifti_writer import write_nifti
from canalwise.recon.labels import bone_mask
from canalwise.workbench.commands.main import main
from canalwise.workbench.console.audit_tables import audit_lines
from canalwise.workbench.images.audit_maps import AFTER, map_path
from canalwise.workbench.rehearsal.handlers.overview import AuditRequest, audit
from canalwise.workbench.rehearsal.session.case_facts import InitialPlan, case_facts
from canalwise.workbench.rehearsal.session.request import RequestJob
from canalwise.workbench.rehearsal.session.session import Session
from canalwise.workbench.report.audit_section import audit_section, kept_audit, read_audit
from canalwise.workbench.surfaces.audit_frame import audit_frame
from canalwise.workbench.surfaces.binary_frames import frame_of
from tests import pairs
from tests.workbench import toy


@pytest.fixture(scope="module")
def audited(tmp_path_factory):
    """A case with an audit kept in it: (folder, what the command printed)."""
    parent = tmp_path_factory.mktemp("audited")
    write_case(parent / "case", pairs.before(), toy.anatomy())
    after = pairs.operated()
    voxels = after.voxels.copy()
    voxels[:, :3] = -1000  # air behind the skin, without which no file passes for a CT
    write_nifti(parent / "post.nii.gz", voxels, after.grid)
    with pytest.MonkeyPatch.context() as patch:
        printed: list[str] = []
        patch.setattr("sys.stdout.write", printed.append, raising=False)
        argv = ["audit", str(parent / "case"), str(parent / "post.nii.gz"), "--level", "L3-L4", "--save", "--json"]
        assert main([*argv, "--days-after", "90"]) == 0
    return parent, "".join(printed)


def test_the_json_is_printed_alone_and_kept(audited):
    parent, printed = audited
    document = json.loads(printed)
    kept = json.loads((parent / "case" / "results" / "L3-L4-audit.json").read_text())
    assert kept == document
    assert document["schema"] == "canalwise.audit/1"
    assert document["days_after"] == 90
    true = float(pairs.taken_box()[(toy.labels() >= 100) & (toy.labels() % 100 != 1)].sum())
    assert document["bone_taken_mm3"]["total"] == pytest.approx(true, rel=0.1)
    assert (parent / "case" / "results" / "L3-L4-audit.png").read_bytes().startswith(b"\x89PNG")


def test_nothing_of_the_machine_or_the_files_is_reported(audited):
    parent, printed = audited
    assert "post.nii" not in printed
    assert str(parent) not in printed


def test_the_report_tells_of_a_kept_audit(audited):
    parent, _ = audited
    section = kept_audit(read_case(parent / "case"), "L3-L4", None)
    assert section is not None
    assert section.picture is not None
    assert {table.title for table in section.tables} >= {"Bone taken", "Joints kept", "Enough?"}
    assert kept_audit(read_case(parent / "case"), "L4-L5", None) is None


def test_people_read_tables_and_the_caution(audited):
    document = json.loads(audited[1])
    lines = audit_lines(document)
    assert lines[0] == f"{document['sentence']}."
    assert lines[-1] == CAUTION
    assert any("Registration residual" in line for line in lines if isinstance(line, str))


def test_another_file_is_no_audit(audited, tmp_path):
    path = tmp_path / "other.json"
    path.write_text('{"schema": "canalwise.estimate/1"}')
    with pytest.raises(BadFile):
        read_audit(path)
    with pytest.raises(BadFile, match="must be whole"):
        audit_section({"sentence": "nothing"})


@pytest.mark.parametrize(
    ("options", "status", "words"),
    [
        ([], 2, "must be given"),
        (["--plan", "none"], 2, "must name a plan kept in the case"),
        (["--level", "L3"], 2, "joined by '-'"),
        (["--level", "L3-L4", "--label-names", "names.toml"], 2, "needs label maps"),
        (["--level", "L1-L2"], 3, "must be one of those in view"),
        (["--level", "L3-L4", "--days-after", "-3"], 2, "must be 0 or more"),
    ],
)
def test_wrong_calls_say_what_is_wrong(audited, options, status, words, capsys):
    parent, _ = audited
    assert main(["audit", str(parent / "case"), str(parent / "post.nii.gz"), *options]) == status
    assert words in capsys.readouterr().err


def test_a_scan_of_another_patient_is_refused_with_3(audited, tmp_path, capsys):
    parent, _ = audited
    other = np.random.default_rng(3).permutation(pairs.before().voxels, axis=2)
    other[:, :3] = -1000
    write_nifti(tmp_path / "other.nii.gz", other, toy.grid())
    assert main(["audit", str(parent / "case"), str(tmp_path / "other.nii.gz"), "--level", "L3-L4"]) == 3
    reported = capsys.readouterr()
    assert re.search(r"must show L[34] of the same patient", reported.err)
    assert reported.out == ""


def test_the_maps_are_what_the_numbers_rest_on(audited):
    parent, printed = audited
    case = read_case(parent / "case")
    header, arrays = frame_of(audit_frame(case, "L3-L4"))
    total = json.loads(printed)["bone_taken_mm3"]["total"]
    assert arrays["taken"].sum() / 255 * case.anatomy.grid.voxel_mm3 == pytest.approx(total, rel=0.01)
    assert "planned" not in arrays
    # the scan after, brought back onto the voxels before: alike but where bone was taken
    grid = stored_voxels(map_path(case.folder, "L3-L4-audit", AFTER), BUDGET_MB)[1]
    first = np.rint(case.scan.grid.index_of(grid.world_mm([0, 0, 0]))).astype(int)
    box = tuple(slice(a, a + n) for a, n in zip(first, grid.shape, strict=True))
    before, after = case.scan.voxels[box], arrays["after"].reshape(grid.shape, order="F")
    seen = after > -900  # the scan after is shorter
    kept = seen & bone_mask(case.anatomy.labels[box]) & (pairs.taken_box()[box] == 0)
    assert np.corrcoef(before[kept], after[kept])[0, 1] > 0.9
    gone = seen & (case.anatomy.occupancy[box] > 0.9) & (pairs.taken_box()[box] == 1)
    assert np.median(after[gone]) < 100 < np.median(before[gone])
    assert header["middle_mm"][0] > 0  # the patient's left


def test_the_page_shows_the_audit_as_the_report_does(audited):
    session = Session(read_case(audited[0] / "case"))
    answer = audit(session, AuditRequest("L3-L4"), RequestJob())
    section = kept_audit(session.case, "L3-L4", None)
    assert answer["maps"]
    assert answer["sentence"] == section.sentence
    assert [[tuple(row) for row in table["rows"]] for table in answer["tables"]] == [t.rows for t in section.tables]
    assert case_facts(session.case, InitialPlan(), {})["audits"] == ["L3-L4"]


def test_an_anatomy_built_anew_leaves_no_map_behind(audited, tmp_path):
    carry_foreign(audited[0] / "case", tmp_path)
    assert not [*tmp_path.glob("results/*")]
