"""Level names, canal and sac of real CTs, read with no name given.

`ct_whole_lumbar_3mm` (Apache-2.0; TotalSegmentator's reference files, commit 0e65a44): its vertebra map is automatic
output that its authors use as reference; the patient's canal looks healthy.
"""

from __future__ import annotations

from pathlib import Path

import nibabel as nib
import numpy as np
import pytest

from canalwise.recon.anatomy import Anatomy
from canalwise.recon.canal.soft_tissue_model import SAC_RATIO, SAC_RATIO_SD
from canalwise.recon.case.anatomy_builder import anatomy_of
from canalwise.recon.intake.reader import read_scan
from canalwise.recon.labels import Labels, vertebra_mask, vertebra_number
from canalwise.recon.measurement.kinds import SCALES
from canalwise.recon.scan import Scan

TRUE = {27: "L5", 28: "L4", 29: "L3", 30: "L2", 31: "L1", 32: "T12"}
LEAST_DICE = 0.88
"""Of each vertebra cut to the labels' own slices; 0.90 to 0.95 were measured."""


@pytest.fixture(scope="module")
def whole(data_dir: Path) -> tuple[Scan, Labels]:
    folder = data_dir / "ct_whole_lumbar_3mm"
    if not folder.is_dir():
        pytest.skip("no whole lumbar CT in the folder of real data")
    truth = np.asarray(nib.load(folder / "vertebrae.nii.gz").dataobj).astype(np.uint16)
    return read_scan(folder / "ct.nii.gz"), truth


def true_name(anatomy: Anatomy, whole: tuple[Scan, Labels], name: str) -> str | None:
    """The reference's name of what was found under a name; None where it has none for it."""
    scan, truth = whole
    index = np.argwhere(vertebra_mask(anatomy.labels, vertebra_number(name)))
    at = np.rint(scan.grid.index_of(anatomy.grid.world_mm(index))).astype(int)
    value = truth[tuple(at.T)]
    counts = np.bincount(value[value > 0], minlength=1)
    return TRUE.get(int(counts.argmax())) if counts.sum() > 20 else None


def test_the_whole_scan_is_named_rightly_and_surely(whole: tuple[Scan, Labels]) -> None:
    scan, truth = whole
    anatomy = anatomy_of(scan)
    assert anatomy.naming is not None
    assert anatomy.naming.confirmed
    assert [level.name for level in anatomy.levels][-5:] == ["L1-L2", "L2-L3", "L3-L4", "L4-L5", "L5-S1"]
    full = np.zeros(scan.grid.shape, dtype=np.uint16)
    start = np.rint(scan.grid.index_of(anatomy.grid.world_mm([0, 0, 0]))).astype(int)
    full[tuple(slice(a, a + n) for a, n in zip(start, anatomy.grid.shape, strict=True))] = anatomy.labels
    for value, name in TRUE.items():
        own, ref = vertebra_mask(full, vertebra_number(name)), truth == value
        assert 2 * (own & ref).sum() / (own.sum() + ref.sum()) >= LEAST_DICE, name
    _no_severity_from_a_model(anatomy)


def _no_severity_from_a_model(anatomy: Anatomy) -> None:
    """A healthy canal: the modelled sac keeps the published ratio within its spread and is not judged."""
    worse = {limit.band for scale in SCALES.values() for limit in scale.thresholds}
    for level in anatomy.levels:
        found = {(m.name, m.at): m for m in level.measurements}
        for m in level.measurements:
            if "sac" in m.structure or "flavum" in m.structure:
                assert m.band not in worse
                assert m.band == ""
        ratio = found["dural sac area", "dural sac at disc"].value / found["canal area", "canal at disc"].value
        assert abs(ratio - SAC_RATIO.value) <= 2 * SAC_RATIO_SD, (level.name, ratio)
        # 3 mm voxels resolve no joint: none has a number
        assert not [m for m in level.measurements if "facet joint" in m.structure and not level.joints]


@pytest.mark.parametrize(("low", "high"), [(47, 86), (52, 92)], ids=["cut within S1", "cut below L5"])
def test_a_cut_scan_is_never_surely_misnamed(whole: tuple[Scan, Labels], low: int, high: int) -> None:
    anatomy = anatomy_of(whole[0].cropped((slice(None), slice(None), slice(low, high))))
    assert anatomy.naming is not None
    wrong = [
        name
        for level in anatomy.levels
        for name in (level.upper, level.lower)
        if true_name(anatomy, whole, name) not in (name, None)
    ]
    assert not (wrong and anatomy.naming.confirmed)
    assert anatomy.levels


def test_a_scan_without_sacrum_and_ribs_is_built_and_asked_about(data_dir: Path) -> None:
    anatomy = anatomy_of(read_scan(data_dir / "ct_lumbar_crop_1p5mm" / "ct.nii.gz"))
    assert anatomy.naming is not None
    assert not anatomy.naming.confirmed
    assert anatomy.naming.value_frac < 0.5
    assert len(anatomy.levels) == 2
    assert any("NOT CONFIRMED" in warning for warning in anatomy.warnings)
