"""What the usual plan's resection takes and gains on a narrow phantom, by the names under which papers report it.

Published (abstracts, read; part borders of the papers were not seen): endoscopic over-the-top decompressions of 21
levels took 15.5 % (11.2-19.8) of the near lamina, 8.8 % (5.7-11.8) of the far one, 5.3 % (4.2-6.4) and 4.3 % (2.2-6.4)
of the facets (PMID 31042651, 2019); facet volume kept 70 and 87 % by a standard, 88 and 91 % by a medialised approach
(Papavero 2021); area of the sac gained 66.0 +- 41.5 mm2 by one side, 71.9 +- 37.1 by both (Hermansen 2020).
"""

from __future__ import annotations

import numpy as np

from canalwise.estimator.approach.approach import other_side
from canalwise.estimator.level.level_bone import LevelBone
from canalwise.estimator.level.prepared_level import PreparedLevel, prepared_level
from canalwise.estimator.outcome.decompressed import DecompressedLevel
from canalwise.phantoms.cases.stenotic import stenotic_spec
from canalwise.phantoms.imaging.grids import natural_grid
from canalwise.phantoms.imaging.render import rendered_labels
from canalwise.recon.anatomy import Anatomy
from canalwise.recon.case.motion_segments import levels_of
from canalwise.recon.labels import SIDES, Part, Side, bone_mask, label_of, sided

PUBLISHED = {
    "near lamina taken, %": "15.5 (11.2-19.8)",
    "far lamina taken, %": "8.8 (5.7-11.8)",
    "near lamina and half of the base, %": "15.5, were the base halved",
    "far lamina and half of the base, %": "8.8, were the base halved",
    "near facet taken, %": "5.3 (4.2-6.4)",
    "far facet taken, %": "4.3 (2.2-6.4)",
    "near facet volume kept, %": "70 +- 4, medialised 88 +- 6",
    "far facet volume kept, %": "87 +- 6, medialised 91 +- 6",
    "free canal gained, mean, mm2": "66.0 +- 41.5 (sac)",
    "room of the sac gained at the disc, mm2": "66.0 +- 41.5 (sac)",
    "sac before at the disc, mm2": "52.0 +- 21.2, 80.0 +- 35.4",
    "freed, %": "",
    "freed on the far side, %": "",
    "bone, mm3": "none found",
    "spinous base taken, %": "none found",
    "spinous base, least bridge, mm": "none found",
    "spinous process pressed on, mm3": "",
}


def prepared_case(seed: int, spacing_mm: float) -> PreparedLevel:
    """A narrow level with its own labels."""
    spec, level = stenotic_spec(seed)
    grid = natural_grid(spec, spacing_mm, (level,))
    labels = rendered_labels(spec, grid)
    bone = bone_mask(labels).astype(np.float32)
    return prepared_level(Anatomy(grid, labels, bone, levels_of(labels, bone, grid), {"sac": "given"}), level)


def numbers(found: DecompressedLevel) -> dict[str, float]:
    """One resection's numbers, by the names of PUBLISHED."""
    near = found.resection.approach.side
    far, areas, at = other_side(near), found.freed.areas, found.freed.at_disc
    share = {side: lost_frac(found, side) for side in SIDES}
    return {
        "near lamina taken, %": 100 * share[near][0],
        "far lamina taken, %": 100 * share[far][0],
        "near lamina and half of the base, %": 100 * halved_frac(found, near),
        "far lamina and half of the base, %": 100 * halved_frac(found, far),
        "near facet taken, %": 100 * share[near][1],
        "far facet taken, %": 100 * share[far][1],
        "near facet volume kept, %": 100 * (1 - share[near][1]),
        "far facet volume kept, %": 100 * (1 - share[far][1]),
        "free canal gained, mean, mm2": float((areas.after_mm2 - areas.before_mm2).mean()),
        "room of the sac gained at the disc, mm2": float(areas.sac_after_mm2[at] - areas.sac_before_mm2[at]),
        "sac before at the disc, mm2": float(areas.sac_before_mm2[at]),
        "freed, %": 100 * found.freed.share,
        "freed on the far side, %": 100 * found.freed.by_side[far],
        "bone, mm3": found.cost.total_mm3,
        "spinous base taken, %": 100 * found.cost.share_of_structure["spinous base"],
        "spinous base, least bridge, mm": found.cost.base.bridge_mm,
        "spinous process pressed on, mm3": found.cost.contact_mm3,
    }


def lost_frac(found: DecompressedLevel, side: Side) -> tuple[float, float]:
    """Shares of both laminae, and of both processes of the joint, that go on one side."""
    level, level_bone = found.resection.at.level, found.resection.at.level_bone
    both = (level.upper, level.lower)
    lamina = [label_of(v, sided("lamina", side)) for v in both]
    facet = [label_of(level.upper, sided("inferior_articular", side)),
             label_of(level.lower, sided("superior_articular", side))]  # fmt: skip
    taken = found.resection.removal.by_label_mm3
    return _share(level_bone, taken, lamina), _share(level_bone, taken, facet)


def halved_frac(found: DecompressedLevel, side: Side) -> float:
    """Share that goes of one side's laminae and of what lies on that side of both spinous bases.

    The papers do not show whether they counted the midline to the laminae.
    """
    level, removal = found.resection.at.level, found.resection.removal
    level_bone, grid = removal.level_bone, removal.level_bone.grid
    vertebrae = (level.upper, level.lower)
    lamina = [label_of(v, sided("lamina", side)) for v in vertebrae]
    base = [label_of(v, Part.SPINOUS_BASE) for v in vertebrae]
    index = np.argwhere(np.isin(level_bone.labels, lamina + base) & (level_bone.bone_mm3 > 0))
    left = level.frame.to_level_mm(grid.world_mm(index))[:, 0] >= 0
    here = tuple(index.T)
    mine = np.isin(level_bone.labels[here], lamina) | (left == (side == "left"))
    bone = level_bone.bone_mm3[here][mine].astype(float)
    return float(bone @ removal.taken_frac[here][mine] / bone.sum()) if len(bone) else float("nan")


def _share(level_bone: LevelBone, taken: dict[int, float], labels: list[int]) -> float:
    whole = sum(level_bone.whole_by_label_mm3.get(label, 0.0) for label in labels)
    return sum(taken.get(label, 0.0) for label in labels) / whole if whole else float("nan")
