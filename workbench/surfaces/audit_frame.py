"""The maps of a kept audit, from which the page draws a level before and after."""

from __future__ import annotations

import numpy as np

from canalwise.recon.case.folder import Case
from canalwise.recon.errors import BadFile
from canalwise.recon.grid import Float
from canalwise.recon.image.volume import BUDGET_MB, Voxels
from canalwise.recon.intake.nifti_reader import stored_voxels
from canalwise.workbench.images.audit_maps import AFTER, PLANNED, TAKEN, audit_name, map_path
from canalwise.workbench.style.palette import OUTSIDE_HU
from canalwise.workbench.surfaces.binary_frames import frame_bytes, index_of_level

SCHEMA = "canalwise.audit-maps/1"


def has_maps(case: Case, level: str) -> bool:
    """Were maps kept with the audit of a level? Audits of older versions kept a picture alone."""
    return all(map_path(case.folder, audit_name(level), what).is_file() for what in (AFTER, TAKEN))


def audit_frame(case: Case, level_name: str) -> bytes:
    """The scan after and the bone taken and planned, each with where it lies; raises BadFile where none is kept."""
    level = case.anatomy.level(level_name)
    if not has_maps(case, level.name):
        raise BadFile(f"the audit of {level.name}", "must have its maps", do="Audit again with --save.")
    volumes, arrays = {}, {}
    for what in (AFTER, TAKEN, PLANNED):
        path = map_path(case.folder, audit_name(level.name), what)
        if path.is_file():
            voxels, grid = stored_voxels(path, BUDGET_MB)
            volumes[what] = {"shape": list(grid.shape), "index_of_level": index_of_level(grid, level.frame)}
            arrays[what] = voxels.astype(np.int16 if what == AFTER else np.uint8, copy=False).ravel(order="F")
            if what == TAKEN:
                middle_mm = level.frame.to_level_mm(grid.world_mm(_middle(voxels)))
    header = {
        "schema": SCHEMA, "level": level.name, "outside": OUTSIDE_HU, "volumes": volumes,
        "middle_mm": [float(mm) for mm in middle_mm],
    }  # fmt: skip
    return frame_bytes(header, arrays)


def _middle(taken: Voxels) -> Float:
    """(3,) index of the middle of what was taken; of the whole map where nothing was.

    >>> _middle(np.array([[[0, 1], [0, 3]]])).tolist()
    [0.0, 0.75, 1.0]
    """
    if not taken.any():
        return np.array(taken.shape) / 2
    places = np.argwhere(taken)
    return np.asarray(np.average(places, axis=0, weights=taken[taken > 0]))
