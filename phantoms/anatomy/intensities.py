"""Intensity of each tissue in CT and in a T2-weighted MR image.

CT numbers are typical values at 120 kV, common practice without a source, but for
trabecular bone, which the spec sets (docs/published-values.md#ct-values). MR intensities are
arbitrary units in T2-like order: fluid, fat, disc, marrow, muscle, ligament and cortex.
"""

from __future__ import annotations

from enum import IntEnum

import numpy as np
import numpy.typing as npt

from canalwise.phantoms.spec import SpineSpec
from canalwise.recon.grid import Float


class Material(IntEnum):
    """Tissues that differ in an image."""

    AIR = 0
    SKIN = 1
    FAT = 2
    MUSCLE = 3
    FLUID = 4
    LIGAMENT = 5
    CALCIFIED = 6
    ROOT = 7
    DISC = 8
    CARTILAGE = 9
    TRABECULAR = 10
    CORTICAL = 11
    METAL = 12
    SCLEROTIC = 13
    VESSEL = 14
    GAS = 15
    CONTRAST = 16
    TABLE_SHELL = 17
    TABLE_CORE = 18


TITANIUM_HU = 8000.0
"""A screw's CT number, of which twelve bits hold 3071: it stays bright under its own dark streaks (from memory)."""

SOFT_HU = {
    Material.AIR: -1000.0,
    Material.SKIN: 30.0,
    Material.FAT: -95.0,
    Material.MUSCLE: 55.0,
    Material.FLUID: 18.0,
    Material.LIGAMENT: 75.0,
    Material.CALCIFIED: 520.0,
    Material.ROOT: 40.0,
    Material.DISC: 85.0,
    Material.CARTILAGE: 70.0,
    Material.METAL: TITANIUM_HU,
    Material.SCLEROTIC: 850.0,
    Material.GAS: -900.0,
    Material.CONTRAST: 320.0,
    Material.TABLE_SHELL: 120.0,
    Material.TABLE_CORE: -820.0,
}
MR_UNITS = {
    Material.AIR: 0.0,
    Material.SKIN: 300.0,
    Material.FAT: 620.0,
    Material.MUSCLE: 160.0,
    Material.FLUID: 900.0,
    Material.LIGAMENT: 70.0,
    Material.CALCIFIED: 20.0,
    Material.ROOT: 330.0,
    Material.DISC: 260.0,
    Material.CARTILAGE: 350.0,
    Material.TRABECULAR: 380.0,
    Material.CORTICAL: 25.0,
    Material.METAL: 0.0,
    Material.SCLEROTIC: 30.0,
    Material.VESSEL: 20.0,
    Material.GAS: 0.0,
    Material.CONTRAST: 500.0,
    Material.TABLE_SHELL: 0.0,
    Material.TABLE_CORE: 0.0,
}


def ct_table_hu(spec: SpineSpec) -> Float:
    """(materials,) array of CT numbers, indexed by `Material`.

    >>> ct_table_hu(SpineSpec())[Material.TRABECULAR]
    np.float64(150.0)
    """
    vessel = SOFT_HU[Material.MUSCLE] if spec.bystanders.vessel_hu is None else spec.bystanders.vessel_hu
    own = {Material.TRABECULAR: spec.trabecular_hu, Material.CORTICAL: spec.cortical_hu, Material.VESSEL: vessel}
    return np.array([(SOFT_HU | own)[m] for m in Material])


def mr_table() -> Float:
    """(materials,) array of MR intensities, indexed by `Material`.

    >>> len(mr_table()) == len(Material)
    True
    """
    return np.array([MR_UNITS[m] for m in Material])


def share_of(material: Material) -> Float:
    """(materials,) array: one for that material, else zero; the mean over a voxel is the material's share of it.

    >>> int(share_of(Material.METAL).argmax()) == Material.METAL
    True
    """
    return np.array([float(m == material) for m in Material])


Materials = npt.NDArray[np.uint8]
