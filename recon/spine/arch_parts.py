"""The parts of each arch: undivided bone becomes body, pedicles, pars, laminae, spinous base and processes.

Definitions (the same words as the phantoms' truth): the pedicle joins body and arch lateral of the canal; the pars is
the isthmus between superior and inferior process; the lamina roofs the canal between pars and spinous base; the spinous
base is the bone within 5 mm of the midline and no further than 7 mm from the canal's dorsal border.
Parts that were given stay as they are, but for the base, which is cut from a given spinous process.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from canalwise.recon.canal.tube import CanalTube, canal_from_bone
from canalwise.recon.grid import Grid
from canalwise.recon.image.label_boxes import vertebra_boxes
from canalwise.recon.labels import (
    SACRUM,
    SIDES,
    Labels,
    Mask,
    Part,
    Side,
    bone_mask,
    sided,
    vertebra_number,
    vertebrae_in,
)
from canalwise.recon.parallel import side_by_side
from canalwise.recon.spine.arch_landmarks import SideMarks, side_marks, side_mask
from canalwise.recon.spine.arch_view import VertebraView, vertebra_view

SPINOUS_HALF_WIDTH_MM = 5.0
"""Midline bone is spinous within this of the mid-sagittal plane (docs/numbers.md#anatomical-definitions)."""

SPINOUS_BASE_DEPTH_MM = 7.0
"""Depth of the spinous base from the canal's dorsal border (docs/numbers.md#anatomical-definitions)."""

SPINOUS_TIP_MM = 12.0
"""Further dorsal than this of the canal, bone near the midline is spinous process, however wide its tip."""

SPINOUS_TIP_HALF_WIDTH_MM = 12.0
"""Widest half of a spinous tip (common practice, no source)."""

FEWEST_GIVEN = 20
"""Voxels from which a part counts as given; undivided bone is then not added to it."""


def divide_arches(labels: Labels, grid: Grid, tube: CanalTube | None = None) -> Labels:
    """The label map with every UNDIVIDED bone voxel named.

    Parameters
    ----------
    labels : (nx, ny, nz) uint16 array of `recon.labels`; bones solid
    grid : of the labels
    tube : the canal; found from the labels' bone when left out

    Raises
    ------
    AnatomyNotFound : no tube is given and the bone shows no canal
    """
    canal = canal_from_bone(bone_mask(labels), grid) if tube is None else tube
    divided, boxes = labels.copy(), vertebra_boxes(labels)

    def divide(name: str) -> None:
        view = vertebra_view(labels, grid, canal, name, boxes)
        parts = view.parts.copy()
        parts[view.parts == Part.UNDIVIDED] = _named(view)[view.parts == Part.UNDIVIDED]
        _cut_spinous_base(view, parts)
        block = divided[view.box]
        block[tuple(view.index)] = 100 * vertebra_number(name) + parts

    for _ in side_by_side(divide, vertebrae_in(labels)):
        pass
    return divided


def _midline(view: VertebraView) -> Mask:
    """Voxels of the spinous base and process."""
    behind = view.y_mm - view.border("dorsal")
    narrow = (np.abs(view.x_mm) <= SPINOUS_HALF_WIDTH_MM) & (view.y_mm >= 0)
    tip = (np.abs(view.x_mm) <= SPINOUS_TIP_HALF_WIDTH_MM) & (behind >= SPINOUS_TIP_MM)
    return np.asarray(narrow | tip)


def _ventral(view: VertebraView) -> Mask:
    """Voxels of the body: ventral of the posterior wall's plane, or of the wall itself where it is hollowed."""
    before_canal = (np.abs(view.x_mm) < view.half_width_mm() - 2.0) & (view.y_mm < 0)
    return np.asarray((view.y_mm < view.border("ventral")) | before_canal)


def _cut_spinous_base(view: VertebraView, parts: npt.NDArray[np.uint16]) -> None:
    """Turn the base of a spinous process, given or found, into SPINOUS_BASE (in place)."""
    base = (np.abs(view.x_mm) <= SPINOUS_HALF_WIDTH_MM) & (view.canal_mm <= SPINOUS_BASE_DEPTH_MM)
    parts[(parts == Part.SPINOUS_PROCESS) & base] = Part.SPINOUS_BASE


def _named(view: VertebraView) -> npt.NDArray[np.uint16]:
    """(n,) array: the part every voxel would have if nothing but complete parts were given."""
    given = {Part(p) for p, n in zip(*np.unique(view.parts, return_counts=True), strict=True) if n >= FEWEST_GIVEN}
    named = np.full(view.parts.shape, Part.LAMINA_LEFT, dtype=np.uint16)
    for side in SIDES:
        mine = side_mask(view, side)
        named[mine] = _side_named(view, side, side_marks(view, side), given)[mine]
    named[_midline(view)] = Part.SPINOUS_PROCESS
    if Part.BODY not in given:
        named[_ventral(view)] = Part.BODY
    return named


def _side_named(view: VertebraView, side: Side, marks: SideMarks, given: set[Part]) -> npt.NDArray[np.uint16]:
    """(n,) array: the parts of one side's arch; later lines win over earlier ones."""
    width, height = np.abs(view.x_mm), view.s_mm
    named = np.full(width.shape, sided("lamina", side), dtype=np.uint16)

    def put(part: str, where: Mask) -> None:
        if sided(part, side) not in given or part == "pedicle":
            named[where] = sided(part, side)

    if view.name != SACRUM:
        put("pars", width >= _isthmus_medial_mm(view, marks))
        put("inferior_articular", (height <= marks.inferior_high_mm) & (width >= marks.inferior_medial_mm))
    put("superior_articular", (height >= marks.superior_low_mm) & (width >= 0.7 * view.half_width_mm()))
    ahead = view.y_mm <= marks.pedicle_end_mm
    beside = width >= view.half_width_mm() - 1.5
    level = (height >= marks.pedicle_low_mm - 1.0) & (height <= marks.pedicle_high_mm + 1.0)
    put("pedicle", ahead & beside & level)
    put("transverse", (width > _transverse_medial_mm(marks)) & (height > marks.inferior_high_mm))
    return named


def _isthmus_medial_mm(view: VertebraView, marks: SideMarks) -> npt.NDArray[np.float64]:
    """(n,) array: |x| of the line from the pedicle's inner wall to the inferior process's inner border."""
    top = 0.8 * view.half_width_mm()
    length = max(marks.pedicle_low_mm - marks.inferior_high_mm, 1.0)
    drop = np.clip((marks.pedicle_low_mm - view.s_mm) / length, 0.0, 1.0)
    return np.asarray(top + drop * (marks.inferior_medial_mm - top))


def _transverse_medial_mm(marks: SideMarks) -> float:
    """|x| beyond which the arch is transverse process: outside both the pedicle and the superior process."""
    return max(marks.pedicle_lateral_mm + 1.0, marks.superior_lateral_mm)
