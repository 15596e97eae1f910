"""Spines drawn at random: every knob at once, wide of what is published, from one generator."""

from __future__ import annotations

import numpy as np

from canalwise.phantoms.spec import LevelKnobs, SpineSpec

DISEASED_FRAC = 0.7
"""Share of the levels that get any disease (choice)."""


def varied_spec(rng: np.random.Generator) -> SpineSpec:
    """A spine with random size, curves, bone and disease; the same generator state gives the same spine.

    >>> varied_spec(np.random.default_rng(3)) == varied_spec(np.random.default_rng(3))
    True
    """
    lumbar = int(rng.choice((4, 5, 5, 5, 5, 5, 5, 5, 5, 6)))
    names = SpineSpec(six_lumbar=lumbar == 6, four_lumbar=lumbar == 4).level_names
    return SpineSpec(
        levels={name: varied_knobs(rng) for name in names if rng.random() < DISEASED_FRAC},
        size_frac=float(rng.uniform(0.82, 1.18)),
        lordosis_deg=float(rng.uniform(15.0, 75.0)),
        scoliosis_deg=float(rng.uniform(-32.0, 32.0)) if rng.random() < 0.5 else 0.0,
        rotation_deg=float(rng.uniform(-14.0, 14.0)) if rng.random() < 0.5 else 0.0,
        six_lumbar=lumbar == 6,
        four_lumbar=lumbar == 4,
        trabecular_hu=float(rng.uniform(50.0, 220.0)),
        cortical_hu=float(rng.uniform(500.0, 1200.0)),
    )


def varied_knobs(rng: np.random.Generator) -> LevelKnobs:
    """Random disease of one level; sides independent."""

    def sides(most: float) -> tuple[float, float]:
        left, right = rng.uniform(0.0, most, 2)
        return float(left), float(right)

    return LevelKnobs(
        canal_narrowing_mm=float(rng.uniform(0.0, 1.6)),
        facet_overgrowth_mm=sides(2.5),
        flavum_overgrowth_mm=sides(2.4),
        calcified_mm=sides(2.0) if rng.random() < 0.3 else (0.0, 0.0),
        disc_bulge_mm=float(rng.uniform(0.0, 3.5)),
        slip_mm=float(rng.uniform(-4.0, 17.0)) if rng.random() < 0.25 else 0.0,
        gap_mm=float(rng.uniform(0.3, 2.2)),
        fused_frac=sides(1.0) if rng.random() < 0.2 else (0.0, 0.0),
        osteophyte_mm=float(rng.uniform(0.0, 7.0)) if rng.random() < 0.4 else 0.0,
        disc_height_frac=float(rng.uniform(0.3, 1.2)),
    )
