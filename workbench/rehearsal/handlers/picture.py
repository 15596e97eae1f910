"""A picture of the plan on the bone, made here for browsers that cannot draw solids themselves."""

from __future__ import annotations

import base64
import io
from dataclasses import dataclass, replace
from typing import Literal

from PIL import Image

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.estimate.estimate import Estimate
from canalwise.workbench.images.planned_case import PlannedRemoval
from canalwise.workbench.images.solids import Picture, cells_of, dorsal_oblique, picture_of
from canalwise.workbench.rehearsal.session.request import Json, RequestJob, RequestKind
from canalwise.workbench.rehearsal.session.session import Session

CELL_MM, PIXEL_MM = 0.9, 0.25
"""Coarser than the report's, to be there within a second or two."""

View = Literal["planned", "afterwards"]


@dataclass(frozen=True)
class PictureRequest:
    """A plan, what it is to touch, and which of its two pictures."""

    plan: Approach
    task: tuple[str, ...]
    view: View


def answer(session: Session, message: PictureRequest, job: RequestJob) -> Json:
    """The picture as the address of a PNG that needs no other file."""
    del job
    return {"png": png_address(picture(session.exact(message.plan, message.task), message.view))}


def picture(estimate: Estimate, view: View) -> Picture:
    """(rows, columns, 3) picture from dorsal and from the side of the approach: the bone that goes, or what stays."""
    level, found = estimate.level, estimate.task.removal
    taken = PlannedRemoval(found.level_bone.grid, estimate.cone.removal.taken_frac, found.taken_frac)
    cells = cells_of(estimate.anatomy, level, taken, CELL_MM)
    camera = replace(dorsal_oblique(estimate.approach.side), pixel_mm=PIXEL_MM)
    if view == "planned":
        return picture_of(cells.before(), camera, level.frame, estimate.phases)
    return picture_of(cells.after(), camera, level.frame)


def png_address(pixels: Picture) -> str:
    """A picture as a data URL; the same picture gives the same text.

    >>> import numpy as np
    >>> png_address(np.zeros((1, 1, 3), np.uint8))[:22]
    'data:image/png;base64,'
    """
    file = io.BytesIO()
    Image.fromarray(pixels).save(file, "png")
    return f"data:image/png;base64,{base64.b64encode(file.getvalue()).decode()}"


ASKS = {"picture": RequestKind(PictureRequest, answer, newest_only=True, long=True)}
