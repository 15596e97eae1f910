"""One vertebra of blocks seen from its canal, and the marks its parts are divided by."""

import numpy as np
import pytest

from canalwise.recon.errors import AnatomyNotFound
from canalwise.recon.labels import Labels, Part, Side, label_of
from canalwise.recon.spine.arch_landmarks import ISTHMUS_BELOW_PEDICLE_MM, pedicle_heights_mm, side_marks, side_mask
from canalwise.recon.spine.arch_view import VertebraView, borders_of, vertebra_view
from tests.recon.blocks import PEDICLE_HIGH_MM, PEDICLE_LOW_MM, RADIUS_MM, STEP_MM, blocks, middles_mm

NAMES = ("L4", "L3", "L2")
PEDICLE_LATERAL_MM = 19.0


def labelled(moved_voxels: int = 0) -> Labels:
    """The blocks' labels, arches undivided; L3 moved so many voxels to the patient's right."""
    b = blocks()
    out = np.zeros(b.grid.shape, np.uint16)
    for n, name in enumerate(NAMES, start=1):
        shift = moved_voxels if name == "L3" else 0
        bone, body = (np.roll(array == n, shift, axis=0) for array in (b.number, b.body))
        out[bone] = label_of(name, Part.UNDIVIDED)
        out[body] = label_of(name, Part.BODY)
    return out


def view_of(moved_voxels: int = 0) -> VertebraView:
    """L3 seen from the canal."""
    b = blocks()
    return vertebra_view(labelled(moved_voxels), b.grid, b.tube, "L3")


def test_coordinates_of_a_straight_canal() -> None:
    view, b = view_of(), blocks()
    x, y, z = b.grid.cropped(view.box).world_mm(view.index.T).T
    assert view.x_mm == pytest.approx(-x, abs=0.3)
    assert view.y_mm == pytest.approx(-y, abs=0.3)
    assert view.s_mm == pytest.approx(z, abs=1e-3)
    assert view.parts.tolist() == labelled()[view.box][tuple(view.index)].astype(int).__mod__(100).tolist()


@pytest.mark.parametrize("voxels", [-1, 1])
def test_left_is_measured_from_the_vertebras_own_middle(voxels: int) -> None:
    view = view_of(voxels)
    arch = view.parts == Part.UNDIVIDED
    assert float(view.x_mm[arch].mean()) == pytest.approx(0.0, abs=0.3)
    assert float(view.border("left").mean() - view.border("right").mean()) == pytest.approx(
        2 * voxels * STEP_MM, abs=0.8
    )


def test_borders_are_the_tubes() -> None:
    borders = borders_of(blocks().tube)
    assert borders.left_mm == pytest.approx(RADIUS_MM, abs=1e-6)
    assert borders.right_mm == pytest.approx(RADIUS_MM, abs=1e-6)
    assert borders.dorsal_mm == pytest.approx(RADIUS_MM, abs=1e-6)
    # mean of r cos(a) over |sin(a)| <= 0.6
    assert borders.ventral_mm == pytest.approx(-RADIUS_MM * 0.6 / np.arcsin(0.6), abs=0.1)


def test_distance_to_the_canal() -> None:
    view = view_of()
    radius = np.hypot(view.x_mm, view.y_mm)
    near = radius < RADIUS_MM + 4
    assert np.abs(view.canal_mm - (radius - RADIUS_MM))[near].max() < 1.2 * STEP_MM


def test_neighbours_are_seen_where_they_may_face() -> None:
    # bodies 26 mm high each 36 mm: ten between them, too far for a joint
    assert np.isinf(view_of().face_above_mm).all()
    b, labels = blocks(), labelled()
    l2 = labels // 100 == 21
    lowered = np.where(l2, np.uint16(0), labels)
    lowered[:, :, :-5] = np.where(l2[:, :, 5:], labels[:, :, 5:], lowered[:, :, :-5])
    view = vertebra_view(lowered, b.grid, b.tube, "L3")
    # from voxel centre to voxel centre, a step more than from face to face
    assert view.face_above_mm.min() == pytest.approx(10.0 - 5 * STEP_MM + STEP_MM, abs=STEP_MM / 2)
    assert np.isinf(view.face_below_mm).all()


def test_no_neighbour_is_infinitely_far_and_no_bone_is_refused() -> None:
    b = blocks()
    labels = labelled()
    top = vertebra_view(labels, b.grid, b.tube, "L2")
    assert np.isinf(top.face_above_mm).all()
    with pytest.raises(AnatomyNotFound, match="L1"):
        vertebra_view(labels, b.grid, b.tube, "L1")


@pytest.mark.parametrize("side", ["left", "right"])
def test_marks_of_a_side(side: Side) -> None:
    view, middle = view_of(), float(middles_mm()[1])
    marks = side_marks(view, side)
    assert marks.pedicle_low_mm == pytest.approx(middle + PEDICLE_LOW_MM, abs=STEP_MM)
    assert marks.pedicle_high_mm == pytest.approx(middle + PEDICLE_HIGH_MM, abs=STEP_MM)
    assert (marks.pedicle_low_mm, marks.pedicle_high_mm) == pedicle_heights_mm(view, side)
    assert marks.pedicle_lateral_mm == pytest.approx(PEDICLE_LATERAL_MM, abs=STEP_MM)
    # no joint is near: the processes begin where they must by rule
    assert marks.superior_low_mm == marks.pedicle_high_mm
    assert marks.superior_lateral_mm == marks.pedicle_lateral_mm
    assert marks.inferior_high_mm == pytest.approx(marks.pedicle_low_mm - ISTHMUS_BELOW_PEDICLE_MM)
    assert marks.inferior_medial_mm == pytest.approx(0.6 * RADIUS_MM, abs=0.3)


def test_sides_are_the_patients() -> None:
    view = view_of()
    left, right = side_mask(view, "left"), side_mask(view, "right")
    assert (left ^ right).all()
    assert (view.x_mm[left] >= 0).all()


def test_given_processes_set_their_marks() -> None:
    b, labels = blocks(), labelled()
    x, y, z = np.moveaxis(b.grid.voxel_centres_mm(), -1, 0)
    middle = middles_mm()[1]
    arch = labels == label_of("L3", Part.UNDIVIDED)
    labels[arch & (x < -6) & (y < -4) & (z < middle - 8)] = label_of("L3", Part.INFERIOR_ARTICULAR_LEFT)
    marks = side_marks(vertebra_view(labels, b.grid, b.tube, "L3"), "left")
    assert marks.inferior_high_mm == pytest.approx(middle - 8, abs=STEP_MM)
    assert marks.inferior_medial_mm == pytest.approx(6.0, abs=STEP_MM)
