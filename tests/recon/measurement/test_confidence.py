"""How sure: a clean scan with right labels is, and each thing that can go wrong is reported by its own reason."""

from dataclasses import replace
from functools import cache
from typing import get_args

import numpy as np
import pytest
from scipy import ndimage

from canalwise.recon.anatomy import Confidence, Level, Measurement, Naming
from canalwise.recon.case.anatomy_builder import anatomy_of
from canalwise.recon.evidence import EvidenceClass
from canalwise.recon.examination.working_volume import working_volume
from canalwise.recon.grid import Grid, isotropic_grid
from canalwise.recon.intake.label_maps import GivenLabels
from canalwise.recon.labels import Labels, Part, label_of
from canalwise.recon.measurement.confidence import CHECK_BELOW, border_sd_mm, confidence_of, structures_of
from canalwise.recon.measurement.image_evidence import border_of, noise_of, picture_of
from canalwise.recon.measurement.plausible_ranges import RANGES, implausible
from canalwise.recon.scan import Scan
from tests.recon.shapes import case

GIVEN = {"parts": "given", "canal": "given", "sac": "modelled", "flavum": "modelled"}
SURE = Naming("both", 0.95, "five counted")
GRID_3_MM = Grid((40, 40, 12), np.diag([1.0, 1.0, 3.0, 1.0]))


@cache
def found() -> tuple[Scan, Labels, Level]:
    """A level of plain shapes, without noise, its labels given."""
    _, labels, share, grid = case("plain")
    scan = Scan(np.rint(40 + 660 * share).astype(np.int16), grid, "CT")
    anatomy = anatomy_of(scan, given=GivenLabels(labels, frozenset({"vertebrae", "parts", "canal", "discs", "soft"})))
    # measurements of plain shapes are no patient's
    return (
        scan.on(anatomy.grid),
        anatomy.labels,
        replace(anatomy.levels[0], measurements=(Measurement("lamina thickness", 6.0, "mm", "lamina", "mid-lamina"),)),
    )


def assessment_of(scan: Scan | None = None, labels: Labels | None = None, level: Level | None = None) -> Confidence:
    right = found()
    return confidence_of(scan or right[0], right[1] if labels is None else labels, level or right[2], GIVEN, SURE)


def values(sure: Confidence) -> dict[str, float]:
    return {reason.about: reason.value_frac for reason in sure.reasons}


def test_clean_scan_with_right_labels() -> None:
    sure = assessment_of()
    assert not sure.check_by_eye
    assert sure.value_frac == min(reason.value_frac for reason in sure.reasons) > CHECK_BELOW.value
    assert [each.name for each in sure.structures] == list(structures_of(found()[2]))
    assert all(0 < each.border_sd_mm < 0.1 for each in sure.structures)


def test_noise_dims_borders_and_widens_their_deviation() -> None:
    scan = found()[0]
    noise = np.random.default_rng(3).normal(0, 350, scan.grid.shape)
    noisy = assessment_of(replace(scan, voxels=(scan.voxels + noise).astype(np.int16)))
    assert noisy.check_by_eye
    assert values(noisy)["borders"] < values(assessment_of())["borders"]
    pairs = zip(assessment_of().structures, noisy.structures, strict=True)
    assert all(loud.border_sd_mm > clean.border_sd_mm for clean, loud in pairs)


def test_a_gap_as_bright_as_bone_is_not_seen() -> None:
    scan, _, level = found()
    filled = scan.voxels.copy()
    joint = level.joints["left"]
    middle = (joint.inferior_face_ras_mm + joint.superior_face_ras_mm) / 2
    for offset in np.stack(np.meshgrid(*[(-1, 0, 1)] * 3), axis=-1).reshape(-1, 3):
        index = np.rint(scan.grid.index_of(middle)).astype(int) + offset
        filled[tuple(index.T)] = 700
    reported = values(assessment_of(replace(scan, voxels=filled)))
    assert reported["joint gap left"] < 0.2 < 0.9 < reported["joint gap right"]


def test_no_joint_and_one_that_is_not_resolved() -> None:
    level = found()[2]
    one = replace(level, joints={"left": level.joints["left"]})
    assert values(assessment_of(level=one))["joint gap right"] == pytest.approx(0.2)
    touching = replace(level.joints["left"], gap_resolved=False)
    reasons = assessment_of(level=replace(level, joints={**level.joints, "left": touching})).reasons
    assert any("does not tell them apart" in reason.because for reason in reasons)


def test_half_a_process_missing_is_not_symmetric() -> None:
    labels = found()[1].copy()
    process = labels == label_of("L4", Part.SUPERIOR_ARTICULAR_LEFT)
    middle = np.median(np.argwhere(process)[:, 2])
    labels[process & (np.indices(labels.shape)[2] > middle - 2)] = 9
    sure = assessment_of(labels=labels)
    assert values(sure)["symmetry"] < 0.5
    assert "L4 superior articular" in next(r.because for r in sure.reasons if r.about == "symmetry")


def test_what_the_scan_cuts_off() -> None:
    scan, labels, level = found()
    pars = np.argwhere(labels == label_of("L3", Part.PARS_LEFT))
    box = (slice(0, labels.shape[0]), slice(0, labels.shape[1]), slice(0, int(pars[:, 2].mean())))
    sure = confidence_of(scan.cropped(box), labels[box], level, GIVEN, SURE)
    assert sure.check_by_eye
    assert "the scan's own end" in next(r.because for r in sure.reasons if r.about == "borders")


def test_unlikely_measurements_and_names_count() -> None:
    level = found()[2]
    odd = tuple(Measurement("lamina thickness", 30.0, "mm", f"lamina {n}", "mid-lamina") for n in range(3))
    assert values(assessment_of(level=replace(level, measurements=odd)))["published ranges"] == pytest.approx(0.1)
    scan, labels, _ = found()
    unsure = confidence_of(scan, labels, level, GIVEN, Naming("ribs", 0.2, "transitional", True))
    assert unsure.value_frac == pytest.approx(0.2)
    assert unsure.check_by_eye


def test_ranges_say_where_they_come_from() -> None:
    assert all(each.low < each.high and each.source and each.evidence in get_args(EvidenceClass) for each in RANGES)
    assert implausible([Measurement("unheard of", 1.0, "mm", "lamina", "somewhere")]) == (0, ())


@pytest.mark.parametrize("source", ["given", "automatic"])
def test_border_deviation_grows_with_voxel_and_noise(source: str) -> None:
    at = [border_sd_mm(edge, 20.0, source) for edge in (0.5, 1.0, 2.0)]  # type: ignore[arg-type]
    assert at[0] < at[1] < at[2]
    assert border_sd_mm(1.0, 2.0, source) > at[1]  # type: ignore[arg-type]
    assert border_sd_mm(1.0, 20.0, "automatic") > border_sd_mm(1.0, 20.0, "given")


def test_contrast_and_ends_of_a_block() -> None:
    grid = isotropic_grid((0, 0, 0), (19, 19, 19), 1.0)
    labels = np.full(grid.shape, 9, dtype=np.uint16)
    labels[5:15, 5:15, 10:] = label_of("L4", Part.LAMINA_LEFT)
    scan = Scan(np.where(labels >= 100, 500, 100).astype(np.int16), grid, "CT")
    picture = picture_of(scan, labels, (slice(0, 20), slice(0, 20), slice(0, 20)))
    border = border_of(picture, labels >= 100, labels < 100)
    assert border is not None
    assert border.contrast == 400
    assert border.mm3 == 1000
    # 100 of the block's voxels lie on the scan's top; its border without the top: 4 sides of 10 x 10 and its floor
    assert border.end_frac == pytest.approx(100 / (4 * 90 + 64 + 100), abs=0.03)
    assert border_of(picture, labels == 1, labels < 100) is None


def test_noise_is_that_of_soft_tissue() -> None:
    values_hu = np.random.default_rng(1).normal(50, 30, (40, 40, 20)).astype(np.float32)
    values_hu[20:] += 1000
    assert noise_of(values_hu, np.indices((40, 40, 20))[0] < 20) == pytest.approx(30, rel=0.05)
    assert noise_of(values_hu, np.zeros((40, 40, 20), dtype=bool)) == 0.0


def test_noise_with_grain_is_not_read_too_low() -> None:
    grain = ndimage.gaussian_filter(np.random.default_rng(5).normal(size=(40, 40, 24)).astype(np.float32), 1.5)
    grain *= 20.0 / grain.std()
    soft = np.ones(grain.shape, dtype=bool)
    assert noise_of(grain, soft, 6) == pytest.approx(20.0, rel=0.1)
    assert noise_of(grain, soft) < 12.0  # neighbours share their grain


def test_noise_of_slices_put_between_others_is_that_of_the_slices() -> None:
    thick = Scan(np.random.default_rng(6).normal(40, 20, (40, 40, 12)).astype(np.int16), GRID_3_MM, "CT")
    thin = working_volume(thick)
    everywhere = tuple(slice(0, n) for n in thin.grid.shape)
    picture = picture_of(thin, np.full(thin.grid.shape, 9, np.uint16), everywhere)
    assert picture.noise == pytest.approx(20.0, rel=0.1)
