"""Named target sets on a round canal whose roof and ligament are known, and what choosing among them means."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canalwise.estimator.level.target_names import MIDLINE, NAMES, chosen, named
from canalwise.estimator.level.target_points import PLANE_STEP_MM, STEP_MM, TaskTargets, task_targets
from canalwise.recon.anatomy import Anatomy
from canalwise.recon.errors import WrongUse
from canalwise.recon.grid import Grid
from canalwise.recon.labels import Tissue
from tests.estimator.toys import LEVEL_AXES, round_sac_anatomy

CANAL_MM, SAC_MM, SPACING_MM = 9.0, 5.0, 0.5
LAMINA_EDGE_Z_MM, BASE_Z_MM = -6.0, 6.0
LIGAMENT_MM, LIGAMENT_Z_MM = 3.0, (-8.0, 5.0)
NEIGHBOURS_FROM_Z_MM = 9.0
"""Above this the next level's ligament begins; it is none of ours."""

CONTOUR_TOL_MM = 0.25 + 1e-6
"""Half a voxel: labels change at voxel centres, their border lies halfway between two."""


@pytest.fixture(scope="module")
def anatomy() -> Anatomy:
    """A round canal lined dorsally by ligament, the landmarks of its roof in place."""
    toy = round_sac_anatomy(SAC_MM, CANAL_MM, SPACING_MM)
    level = toy.levels[0]
    x, y, z = np.moveaxis(level.frame.to_level_mm(toy.grid.voxel_centres_mm()), -1, 0)
    ours = (z >= LIGAMENT_Z_MM[0]) & (z <= LIGAMENT_Z_MM[1])
    sheet = (np.hypot(x, y) > CANAL_MM - LIGAMENT_MM) & (y > 0) & (ours | (z > NEIGHBOURS_FROM_Z_MM))
    labels = np.where(sheet & (toy.labels == Tissue.CANAL), Tissue.FLAVUM, toy.labels).astype(np.uint16)
    marks = {f"lower_lamina_cranial_edge_{side}": (0.0, CANAL_MM, LAMINA_EDGE_Z_MM) for side in ("left", "right")}
    marks["upper_spinous_base"] = (0.0, CANAL_MM, BASE_Z_MM)
    placed = {name: level.frame.to_world_mm(point) for name, point in marks.items()}
    return replace(toy, labels=labels, levels=(replace(level, landmarks_ras_mm=placed),))


@pytest.fixture(scope="module")
def found(anatomy: Anatomy) -> TaskTargets:
    return task_targets(anatomy, anatomy.levels[0])


def local(found: TaskTargets, name: str) -> np.ndarray:
    """A midline set in the level frame."""
    return found.level.frame.to_level_mm(found.midline_ras_mm[name])


def test_the_roof_lies_on_the_dorsal_border_of_the_middle_third(found: TaskTargets) -> None:
    roof = local(found, "roof")
    assert np.abs(roof[:, 0]).max() <= CANAL_MM / 3 + CONTOUR_TOL_MM
    assert roof[:, 1] == pytest.approx(np.sqrt(CANAL_MM**2 - roof[:, 0] ** 2), abs=CONTOUR_TOL_MM)
    assert sorted(set(roof[:, 0].round(6))) == pytest.approx(np.arange(-2.0, 3.0) * STEP_MM)


def test_the_roof_of_a_wide_canal_is_a_third_of_its_own_width(anatomy: Anatomy) -> None:
    stretch, level = 1.5, anatomy.levels[0]
    affine = np.diag([stretch, 1.0, 1.0, 1.0]) @ anatomy.grid.affine_ras_mm
    wide = replace(anatomy, grid=Grid(anatomy.grid.shape, affine))
    roof = local(task_targets(wide, level), "roof")
    half_mm = np.floor(stretch * CANAL_MM / 3 / STEP_MM) * STEP_MM
    assert (roof[:, 0].min(), roof[:, 0].max()) == pytest.approx((-half_mm, half_mm))


def test_the_roof_spans_lower_laminae_edge_to_upper_laminae_middle(found: TaskTargets) -> None:
    heights = np.unique(local(found, "roof")[:, 2].round(6))
    assert (heights[0], heights[-1]) == (LAMINA_EDGE_Z_MM, BASE_Z_MM)
    assert np.diff(heights).max() <= PLANE_STEP_MM + 1e-9


@pytest.mark.parametrize(("name", "end_mm"), [("cranial flavum insertion", 5.0), ("caudal flavum insertion", -8.0)])
def test_insertions_are_the_ends_of_this_levels_ligament(found: TaskTargets, name: str, end_mm: float) -> None:
    """Its last millimetre, so half a millimetre short of the end, whatever the next level's ligament does."""
    insertion = local(found, name)
    assert insertion[:, 2] == pytest.approx(end_mm - np.sign(end_mm) * 0.5, abs=SPACING_MM / 2)
    rho = np.hypot(insertion[:, 0], insertion[:, 1])
    assert ((rho > CANAL_MM - LIGAMENT_MM) & (rho < CANAL_MM)).all()
    assert np.diff(insertion[:, 0]) == pytest.approx(STEP_MM, abs=SPACING_MM)


def test_left_and_right_are_alike_where_the_canal_is(found: TaskTargets) -> None:
    for name in MIDLINE:
        points = local(found, name)
        swapped = points * [-1, 1, 1]
        apart = np.linalg.norm(points[:, None] - swapped[None], axis=2).min(axis=1)
        assert apart.max() < CONTOUR_TOL_MM, name


def test_sides_are_relative_to_the_entry(found: TaskTargets) -> None:
    left, right = found.seen_from("left"), found.seen_from("right")
    assert tuple(left) == tuple(right) == NAMES
    for name in MIDLINE:
        assert np.array_equal(left[name], right[name])
    assert np.array_equal(left["ipsilateral recess"], right["contralateral recess"])
    assert (left["ipsilateral canal wall"] @ LEVEL_AXES[0] > 0).all()
    assert (left["contralateral canal wall"] @ LEVEL_AXES[0] < 0).all()


def test_what_is_not_in_view_is_empty(anatomy: Anatomy) -> None:
    bare = replace(anatomy.levels[0], landmarks_ras_mm={}, targets={})
    for points in task_targets(anatomy, bare).seen_from("left").values():
        assert points.shape == (0, 3)


def test_without_ligament_there_is_a_roof_but_no_insertion(anatomy: Anatomy) -> None:
    labels = np.where(anatomy.labels == Tissue.FLAVUM, Tissue.CANAL, anatomy.labels).astype(np.uint16)
    found = task_targets(replace(anatomy, labels=labels), anatomy.levels[0]).midline_ras_mm
    assert len(found["roof"]) > 0
    assert len(found["cranial flavum insertion"]) == len(found["caudal flavum insertion"]) == 0


def test_a_task_is_chosen_from_the_names_and_from_nothing_else() -> None:
    assert chosen(NAMES[::-1]) == NAMES
    assert chosen(()) == ()
    with pytest.raises(WrongUse, match="floor"):
        chosen(["floor"])


def test_a_stump_of_ligament_is_no_insertion(anatomy: Anatomy, found: TaskTargets) -> None:
    """Ligament missing but for 4 mm in the columns from x = 3 mm on: the other columns' ends stay what they were."""
    x, _, z = np.moveaxis(anatomy.levels[0].frame.to_level_mm(anatomy.grid.voxel_centres_mm()), -1, 0)
    gone = (anatomy.labels == Tissue.FLAVUM) & (x > 2.25) & (np.abs(z) > 2.0)
    labels = np.where(gone, Tissue.CANAL, anatomy.labels).astype(np.uint16)
    stumped = task_targets(replace(anatomy, labels=labels), anatomy.levels[0])
    for name in MIDLINE[1:]:
        whole = local(found, name)
        assert local(stumped, name) == pytest.approx(whole[whole[:, 0] < 2.25], abs=SPACING_MM)


@pytest.mark.parametrize("text", ["", "roof,", "ipsilateral", "roof recess"])
def test_a_list_that_is_not_of_names_is_refused(text: str) -> None:
    with pytest.raises(WrongUse, match="the task"):
        named(text)


def test_every_name_can_be_written_in_one_word() -> None:
    assert named(",".join(name.replace(" ", "-") for name in NAMES)) == NAMES
