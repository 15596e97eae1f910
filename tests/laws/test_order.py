"""What must hold within one patient: sums, order, nothing from nothing, and the same again."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest

from canalwise.estimator.approach.instrument import Channel
from canalwise.estimator.estimate.estimate import estimate
from canalwise.estimator.estimate.estimate_json import estimate_as_json
from canalwise.recon.serialization import json_text, to_data
from tests.laws.scenes import Scene, facet_fractions, read, volumes_mm3

SWEEPS_DEG = (0.0, 2.0, 5.0, 10.0)

SLACK = 1e-6
"""Of sums in single precision."""


@pytest.fixture(scope="module")
def sweeps(plain: Scene) -> list[Scene]:
    """The approach with ever wider sweeps about the same axes."""
    return [
        replace(
            plain,
            approach=replace(
                plain.approach,
                phases=tuple(replace(phase, sweep_half_angle_deg=sweep) for phase in plain.approach.phases),
            ),
        )
        for sweep in SWEEPS_DEG
    ]


@pytest.mark.parametrize("kind", ["cone", "task"])
def test_structures_sum_to_the_whole(plain: Scene, kind: str) -> None:
    removed = plain.document[kind]["bone_removed_mm3"]
    assert sum(removed["by_structure"].values()) == pytest.approx(removed["total"], rel=SLACK)
    assert len([taken for taken in removed["by_structure"].values() if taken > 0]) > 2


def test_wider_sweeps_never_take_less(sweeps: list[Scene]) -> None:
    taken = [volumes_mm3(scene)["cone"] for scene in sweeps]
    assert taken == sorted(taken)
    assert taken[-1] > 1.5 * taken[0]


def test_wider_sweeps_never_keep_more_of_a_facet(sweeps: list[Scene]) -> None:
    for narrow, wide in pairwise(sweeps):
        kept, kept_after = facet_fractions(narrow), facet_fractions(wide)
        assert [name for name in kept if name.startswith("cone") and kept_after[name] > kept[name] + SLACK] == []


def test_wider_sweeps_never_reach_less_far(sweeps: list[Scene]) -> None:
    reached = [scene.document["contralateral_reach"]["lateral_mm"] for scene in sweeps]
    assert reached == sorted(reached)


HAIR_MM = 1e-3
"""Diameter of a channel that is as good as none: an instrument of no size is refused."""


def test_a_channel_of_no_size_takes_nothing(plain: Scene) -> None:
    sizes = dict.fromkeys(("sleeve_diameter_mm", "scope_diameter_mm", "tool_diameter_mm"), HAIR_MM)
    phases = tuple(replace(phase, sweep_half_angle_deg=0.0) for phase in plain.approach.phases)
    nothing = replace(plain, approach=replace(plain.approach, phases=phases, channel=Channel(**sizes)))
    assert volumes_mm3(nothing) == pytest.approx({"cone": 0.0, "task": 0.0}, abs=1e-3)
    assert set(facet_fractions(nothing).values()) == {1.0}


def test_the_same_approach_gives_the_same_bytes(plain: Scene) -> None:
    again = estimate_as_json(estimate(plain.anatomy, plain.approach))
    assert json_text(again) == json_text(plain.document)


def test_the_same_labels_give_the_same_level(plain: Scene) -> None:
    assert json_text(to_data(read(plain.anatomy).levels)) == json_text(to_data(plain.anatomy.levels))
