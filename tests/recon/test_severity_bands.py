"""Bands at the published limits; every limit names its source."""

from typing import get_args

import pytest

from canalwise.recon.evidence import EvidenceClass
from canalwise.recon.measurement.kinds import SCALES
from canalwise.recon.severity_bands import flavum_thickness_mm, population_scale


@pytest.mark.parametrize(
    ("quantity", "value", "band"),
    [
        # Verbiest, Schonstrom, Bolender, Ciric, Hasegawa: docs/published-values.md#canal
        ("canal mid-sagittal diameter", 9.9, "absolute stenosis"),
        ("canal mid-sagittal diameter", 11.0, "relative stenosis"),
        ("canal mid-sagittal diameter", 13.5, "normal"),
        ("dural sac area", 70.0, "severe stenosis"),
        ("dural sac area", 99.0, "central stenosis"),
        ("dural sac area", 120.0, "early stenosis"),
        ("dural sac area", 150.0, "normal"),
        ("lateral recess height", 2.5, "recess stenosis likely"),
        ("foramen height", 14.9, "critical"),
        ("posterior disc height", 4.1, "not critical"),
        ("slip", 24.0, "grade I"),
        ("slip", 26.0, "grade II"),
        ("slip", 101.0, "grade V"),
        ("facet tropism", 7.5, "tropism"),
        ("ligamentum flavum thickness", 4.2, "hypertrophy"),
    ],
)
def test_bands(quantity: str, value: float, band: str) -> None:
    assert SCALES[quantity].band(value) == band


def test_every_limit_has_value_unit_source_and_evidence_worst_first() -> None:
    for scale in SCALES.values():
        values = [limit.value for limit in scale.thresholds]
        assert values == sorted(values, reverse=scale.worse == "high")
        for limit in scale.thresholds:
            assert limit.unit
            assert limit.source
            assert limit.evidence in get_args(EvidenceClass)


def test_absolute_and_population_scales_stay_apart() -> None:
    # 17 mm is wide for Verbiest and narrow for the cohort: docs/published-values.md#conflicts
    population = population_scale("L3")
    assert population is not None
    assert SCALES["canal mid-sagittal diameter"].band(17.0) == "normal"
    assert population.band(17.0) == "narrow for the population"
    assert population_scale("T12") is None


def test_flavum_thickness_by_level() -> None:
    # Khasawneh et al. 2023: docs/published-values.md#ligament
    found = [flavum_thickness_mm(level).value for level in ("L2-L3", "L3-L4", "L4-L5", "L5-S1")]
    assert found == [3.19, 3.38, 3.71, 3.64]
    assert flavum_thickness_mm("L1-L2").evidence == "PRACTICE"
