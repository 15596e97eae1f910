"""Is what the network sees a lumbar spine that lies as the header says? Checked for an MR, whose values do not show it.

A network names something in any picture: a knee, a head, a spine turned over. What it names must hang together as a
spine does: bodies in front of the canal and arches behind it, discs between, over a vertebra's height at least.
"""

from __future__ import annotations

import cc3d
import numpy as np

from canalwise.recon.errors import AnatomyNotFound
from canalwise.recon.grid import Float
from canalwise.recon.labels import Mask, Part
from canalwise.recon.segmentation.instances import NetworkSpine
from canalwise.recon.segmentation.tissue_classes import TissueClass, TissueClassMap

LEAST_CANAL_MM = 30.0
"""A canal shorter than a vertebra and its disc is none to plan on (choice)."""

LEAST_SACRUM_MM3 = 4000.0
"""Less may be anything (choice; three made-up sacra had 70000 in view, turned upside down 2000 to 13000)."""

LEAST_BODY_MM3, LEAST_DISC_MM3, LEAST_ARCH_MM3 = 8000.0, 500.0, 800.0
"""Two thirds of one body, a slice of a disc, a part of one arch (choice; whole ones have 30000, 8000, 10000)."""

FRONT_MM, BEHIND_MM = 5.0, 3.0
"""The middle of the bodies lies at least this far in front of the canal's, that of the arches this far behind it."""

DO = "Give a T2 MR of the lumbar spine whose header tells its orientation rightly, or label maps with --labels."

WHOLE_MM = 3.0
"""A body that keeps this far from both ends of what is seen is whole."""

ARCH = (TissueClass.LAMINA, TissueClass.SPINOUS, TissueClass.INFERIOR)


def check_spine_seen(seen: TissueClassMap) -> None:
    """Raises AnatomyNotFound, with what is missing, where the kinds do not make a lumbar spine."""
    canal = np.asarray(cc3d.largest_k(seen.kind == TissueClass.CANAL, k=1, connectivity=6) > 0)
    height_mm = float(canal.any(axis=(0, 1)).sum() * seen.grid.spacing_mm[2])
    if height_mm < LEAST_CANAL_MM:
        raise AnatomyNotFound(
            "the MR",
            f"must show at least {LEAST_CANAL_MM:g} mm of a lumbar spine's canal",
            got=f"{height_mm:.0f} mm",
            do=DO,
        )
    for name, kinds, least_mm3 in (
        ("vertebral body", (TissueClass.BODY,), LEAST_BODY_MM3),
        ("disc", (TissueClass.DISC,), LEAST_DISC_MM3),
        ("arch", ARCH, LEAST_ARCH_MM3),
    ):
        there_mm3 = float(np.isin(seen.kind, kinds).sum() * seen.grid.voxel_mm3)
        if there_mm3 < least_mm3:
            raise AnatomyNotFound(
                "the MR",
                f"must show a lumbar spine: at least {least_mm3 / 1000:g} ml of {name}",
                got=f"{there_mm3 / 1000:.1f} ml",
                do=DO,
            )
    front_mm = float(np.median(_ventral_mm(seen, canal, (TissueClass.BODY,))))
    behind_mm = -float(np.median(_ventral_mm(seen, canal, ARCH)))
    if front_mm < FRONT_MM or behind_mm < BEHIND_MM:
        raise AnatomyNotFound(
            "the MR",
            "must show vertebral bodies in front of the canal and arches behind it",
            got=f"bodies {front_mm:.0f} mm in front, arches {behind_mm:.0f} mm behind",
            do=DO,
        )


def _ventral_mm(seen: TissueClassMap, canal: Mask, kinds: tuple[TissueClass, ...]) -> Float:
    """(N,) array: how far ventral of the canal's middle, in its own layer, each voxel of some kinds lies."""
    layers = np.flatnonzero(canal.any(axis=(0, 1)))
    middle = np.array([seen.grid.world_mm([*np.argwhere(canal[:, :, k]).mean(axis=0), k])[1] for k in layers])
    index = np.argwhere(np.isin(seen.kind, kinds))
    return np.asarray(seen.grid.world_mm(index)[:, 1] - np.interp(index[:, 2], layers, middle))


def check_head_up(spine: NetworkSpine, seen: TissueClassMap) -> None:
    """Raises AnatomyNotFound where the spine is upside down: by its sacrum, or by its pedicles where none is in view.

    A sacrum lies 80 mm below the bodies' middle, as the network sees a made-up spine, and 50 mm above it in the same
    turned upside down. Pedicles of whole vertebrae lie 2 to 4 mm above their bodies' middle on a real MR and a made-up
    one, turned upside down 0.3 to 2 mm below; but where vertebrae have slipped or are short they may lie 2 mm below in
    an upright one, so the sacrum speaks first.
    """
    sacrum_mm = _sacrum_above_mm(seen)
    if sacrum_mm is not None:
        if sacrum_mm > 0:
            raise AnatomyNotFound(
                "the MR",
                "must show the sacrum below the vertebral bodies",
                got=f"{sacrum_mm:.0f} mm above their middle",
                do=f"It seems to be upside down. {DO}",
            )
        return
    field = spine.field
    above_mm: list[float] = []
    end_mm = float(field.along_mm.max())
    for n in range(1, spine.profile.count + 1):
        own = spine.number == n
        body = field.along_mm[own & (spine.part == Part.BODY)]
        pedicles = field.along_mm[own & np.isin(spine.part, (Part.PEDICLE_LEFT, Part.PEDICLE_RIGHT))]
        if len(body) and len(pedicles) and body.min() > WHOLE_MM and body.max() < end_mm - WHOLE_MM:
            above_mm.append(float(pedicles.mean() - body.mean()))
    if above_mm and np.median(above_mm) < 0:
        raise AnatomyNotFound(
            "the MR",
            "must show pedicles on the upper halves of their bodies",
            got=f"{-float(np.median(above_mm)):.1f} mm below their middle",
            do=f"It seems to be upside down. {DO}",
        )


def _sacrum_above_mm(seen: TissueClassMap) -> float | None:
    """How far above the bodies' middle that of the sacrum lies; None where too little of it is in view."""
    sacrum = seen.kind == TissueClass.SACRUM
    if sacrum.sum() * seen.grid.voxel_mm3 < LEAST_SACRUM_MM3:
        return None
    middles = [float(np.argwhere(each)[:, 2].mean()) for each in (sacrum, seen.kind == TissueClass.BODY)]
    return (middles[0] - middles[1]) * float(seen.grid.spacing_mm[2])
