"""The signal of each tissue in a spin-echo MR image, from its proton density and relaxation times.

S = PD (1 - exp(-TR / T1)) exp(-TE / T2): full recovery after each excitation, decay until the echo (Hahn 1950 and every
textbook of MR physics; from memory). Times are those at 3 T.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from canalwise.phantoms.anatomy.intensities import Material
from canalwise.recon.errors import WrongUse
from canalwise.recon.grid import Float

BAZELAIRE = "de Bazelaire et al., Radiology 2004;230:652, 3 T, six volunteers (abstract, READ)"
SECONDARY = "a secondary page's table of common relaxation times (READ, weak)"
MEMORY = "from memory, no source"

UNIT = 1000.0
"""Signal of fully recovered water before it decays."""


@dataclass(frozen=True)
class Relaxation:
    """A tissue's proton density (1 is water) and relaxation times.

    Parameters
    ----------
    density : visible protons; those of solids decay before any echo
    t1_ms, t2_ms : relaxation times
    fat : share of the signal that is fat's, which fat suppression takes away
    source : of the times; densities are from memory
    """

    density: float
    t1_ms: float
    t2_ms: float
    fat: float
    source: str

    def __post_init__(self) -> None:
        if self.density < 0 or min(self.t1_ms, self.t2_ms) <= 0 or not 0 <= self.fat <= 1:
            raise WrongUse("relaxation", "must have density >= 0, times > 0 and a share of fat in [0, 1]", got=self)


_NOTHING = Relaxation(0.0, 1000.0, 1.0, 0.0, "air, metal, gas and the table give no signal")

RELAXATION: Mapping[Material, Relaxation] = MappingProxyType(
    {
        Material.SKIN: Relaxation(0.7, 900.0, 35.0, 0.0, MEMORY),
        Material.FAT: Relaxation(0.9, 382.0, 68.0, 1.0, BAZELAIRE),
        Material.MUSCLE: Relaxation(0.8, 898.0, 29.0, 0.0, BAZELAIRE),
        Material.FLUID: Relaxation(1.0, 4350.0, 2200.0, 0.0, SECONDARY),
        Material.LIGAMENT: Relaxation(0.5, 900.0, 22.0, 0.0, MEMORY),
        Material.CALCIFIED: Relaxation(0.1, 900.0, 10.0, 0.0, MEMORY),
        Material.ROOT: Relaxation(0.75, 950.0, 78.0, 0.0, MEMORY),
        Material.DISC: Relaxation(0.8, 1000.0, 65.0, 0.0, MEMORY),
        Material.CARTILAGE: Relaxation(0.7, 1100.0, 37.0, 0.0, MEMORY),
        Material.TRABECULAR: Relaxation(0.7, 586.0, 49.0, 0.45, BAZELAIRE),
        Material.CORTICAL: Relaxation(0.05, 300.0, 1.0, 0.0, MEMORY),
        Material.SCLEROTIC: Relaxation(0.1, 500.0, 10.0, 0.3, MEMORY),
        # blood that flows through a slice leaves it before its echo
        Material.VESSEL: Relaxation(0.05, 1600.0, 150.0, 0.0, MEMORY),
        Material.CONTRAST: Relaxation(0.9, 1200.0, 200.0, 0.0, MEMORY),
    }
)
"""Of every material that has a signal."""


@dataclass(frozen=True)
class SpinEcho:
    """A spin-echo sequence: repetition and echo time, and whether fat is suppressed.

    >>> T2_WEIGHTED.echo_ms > T1_WEIGHTED.echo_ms
    True
    """

    name: str
    repetition_ms: float
    echo_ms: float
    fat_suppressed: bool = False


T2_WEIGHTED = SpinEcho("T2", 3500.0, 100.0)
T1_WEIGHTED = SpinEcho("T1", 600.0, 12.0)
T2_FAT_SUPPRESSED = SpinEcho("T2 fat-suppressed", 3500.0, 80.0, fat_suppressed=True)
"""Times of common lumbar protocols (common practice, no source)."""


def spin_echo_signal(tissue: Relaxation, sequence: SpinEcho) -> float:
    """The signal of a tissue, UNIT for water that has recovered fully and not decayed.

    >>> water = Relaxation(1.0, 4000.0, 2000.0, 0.0, "an example")
    >>> round(spin_echo_signal(water, SpinEcho("long", 1e9, 0.0)))
    1000
    """
    recovered = 1.0 - np.exp(-sequence.repetition_ms / tissue.t1_ms)
    decayed = np.exp(-sequence.echo_ms / tissue.t2_ms)
    water = 1.0 - tissue.fat * sequence.fat_suppressed
    return float(UNIT * tissue.density * water * recovered * decayed)


def signal_table(sequence: SpinEcho) -> Float:
    """(materials,) array of signals, indexed by `Material`.

    >>> t2 = signal_table(T2_WEIGHTED)
    >>> bool(t2[Material.FLUID] > t2[Material.FAT] > t2[Material.MUSCLE] > t2[Material.CORTICAL])
    True
    """
    return np.array([spin_echo_signal(RELAXATION.get(material, _NOTHING), sequence) for material in Material])
