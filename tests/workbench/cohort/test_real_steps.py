"""Two small made-up spines through the real steps: two workers give the bytes that one process gives."""

from __future__ import annotations

import json

import numpy as np
import pyarrow.parquet

from canalwise.recon.disclaimer import CAUTION
from canalwise.recon.intake.nifti_writer import write_nifti
from canalwise.recon.labels import Part, label_of
from canalwise.workbench.commands.main import main
from tests.workbench import toy
from tests.workbench.cohort.test_whole_cohort import everything


def disc_labels() -> np.ndarray:
    """The toy's labels with a disc between its bodies, without which a scan shows no level."""
    labels = toy.labels().copy()
    x, y, z = np.moveaxis(toy.LOW_MM + toy.SPACING_MM * np.stack(np.indices(toy.SHAPE), -1), -1, 0)
    labels[((x / 22) ** 2 + ((y + 25) / 16) ** 2 <= 1) & (z > -5) & (z < 4)] = label_of("L3", Part.DISC)
    return labels


def test_two_workers_and_one_process_write_the_same_bytes(tmp_path, capsys):
    write_nifti(tmp_path / "labels.nii.gz", disc_labels(), toy.grid())
    rows = ["case,scan,labels,level,side"]
    for n, (name, plan) in enumerate({"planned": "L3-L4,left", "seen": ","}.items()):
        write_nifti(tmp_path / f"Doe{n}.nii.gz", toy.scan().voxels + np.int16(n), toy.grid())
        rows.append(f"{name},Doe{n}.nii.gz,labels.nii.gz,{plan}")
    (tmp_path / "list.csv").write_text("\n".join(rows))
    call = ["cohort", str(tmp_path / "list.csv"), "--samples", "0", "--json", "--out"]
    assert main([*call, str(tmp_path / "one"), "--serial"]) == 0
    alone = json.loads(capsys.readouterr().out)
    assert main([*call, str(tmp_path / "two"), "--workers", "2", "--memory-mb", "2000"]) == 0
    assert json.loads(capsys.readouterr().out) == alone
    assert (alone["cases_without_failure"], alone["rows"], alone["caution"]) == (2, 2, CAUTION)
    one, two = everything(tmp_path / "one"), everything(tmp_path / "two")
    assert one.keys() == two.keys()
    assert [name for name in one if one[name] != two[name]] == []
    assert not [name for name, content in one.items() if b"Doe" in content]
    table = pyarrow.parquet.read_table(tmp_path / "one" / "cases.parquet")
    assert table["side"].to_pylist() == ["left", ""]
    assert table["bone_removed_mm3"].to_pylist()[0] > 0
    assert table["bone_removed_mm3"].null_count == 1
    assert table["canal_area_before_mm2"].null_count == 0
