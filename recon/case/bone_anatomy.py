"""The bones of a scan, before ligament, sac and levels."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from canalwise.recon.anatomy import Correction, Naming, Source
from canalwise.recon.labels import Labels, Tissue, bone_mask, canal_mask
from canalwise.recon.registration.carried_tissue import CarriedTissue

FOUND_IN_MR: Source = "measured (MR)"
GIVEN_ON_MR: Source = "given (MR)"

Pair = tuple[str, str]


@dataclass(frozen=True, eq=False)
class MrTissue:
    """Tissue of an MR on a CT's voxels, and whether its outlines were given or found."""

    carried: CarriedTissue
    source: Source


@dataclass(frozen=True, eq=False)
class BoneAnatomy:
    """Bones of a scan, before ligament, sac and levels.

    Parameters
    ----------
    labels : (nx, ny, nz) uint16 array, parts and canal named
    occupancy : (nx, ny, nz) float32 array, bone share
    sources : 'vertebrae', 'parts', 'canal', 'levels' and, where given, 'sac' and 'flavum'
    naming : what the vertebrae's names rest on
    corrections : what a person changed, in order
    mr : what an MR beside the CT shows of the canal, on this grid
    """

    labels: Labels
    occupancy: npt.NDArray[np.float32]
    sources: dict[str, Source]
    warnings: tuple[str, ...] = ()
    naming: Naming | None = None
    corrections: tuple[Correction, ...] = ()
    mr: MrTissue | None = None


def with_mr_tissue(labels: Labels, mr: MrTissue) -> Labels:
    """(same shape) labels whose canal holds what the MR shows, where it was carried; calcification stays."""
    carried = (mr.carried.canal > 0) & canal_mask(labels) & (labels != Tissue.CALCIFIED) & ~bone_mask(labels)
    return np.where(carried, mr.carried.canal, labels).astype(np.uint16)


def mr_sources(mr: MrTissue) -> dict[str, Source]:
    """Where sac and ligament of the carried levels come from; a ligament that the MR does not show stays modelled."""
    found: dict[str, Source] = {}
    for name, tissue in (("sac", Tissue.SAC), ("flavum", Tissue.FLAVUM)):
        if (mr.carried.canal == tissue).any():
            found[name] = mr.source
    return found


def mr_warnings(mr: MrTissue | None, levels: Collection[Pair]) -> tuple[str, ...]:
    """Warnings about an MR beside the CT: residuals, levels it does not serve, and who drew its outlines."""
    if mr is None:
        return ()
    residuals = [
        f"{name} {found.residual_mm:.2f} mm" for name, found in mr.carried.registrations.items() if not found.problem
    ]
    said = [f"MR registered to the CT, residual {', '.join(residuals)}."] if residuals else []
    for pair in levels:
        if pair in mr.carried.refused:
            said.append(
                f"{'-'.join(pair)}: the MR is not used ({mr.carried.refused[pair]}); sac and ligament are modelled "
                "there."
            )
        elif pair not in mr.carried.levels:
            said.append(f"{'-'.join(pair)}: the MR does not show it; sac and ligament are modelled there.")
    if mr.source == FOUND_IN_MR and mr.carried.levels:
        said.append("Sac and ligament were found in the MR by the network: check their outlines against it.")
    return tuple(said)
