"""Signals of a spin echo against the formula by hand, and the order of tissues that every reader of MR knows."""

from __future__ import annotations

import numpy as np
import pytest

from canalwise.phantoms.anatomy.intensities import Material
from canalwise.phantoms.anatomy.spine import spine_of
from canalwise.phantoms.imaging.mr_examination import Coil, MagneticPatient, SliceStack, magnetic_patient, stack_of
from canalwise.phantoms.imaging.mr_signal import (
    T1_WEIGHTED,
    T2_FAT_SUPPRESSED,
    T2_WEIGHTED,
    Relaxation,
    SpinEcho,
    signal_table,
    spin_echo_signal,
)
from canalwise.phantoms.spec import SpineSpec
from canalwise.recon.errors import WrongUse
from canalwise.recon.grid import Grid, isotropic_grid
from canalwise.recon.labels import Tissue

CLOSE = 1e-9
"""Relative: the same formula in other words."""


def test_signal_after_one_time_constant_each():
    # TR = T1 recovers 1 - 1/e of the magnetisation, TE = T2 leaves 1/e of it: 1000 * 0.63212 * 0.36788
    tissue = Relaxation(1.0, 800.0, 40.0, 0.0, "by hand")
    found = spin_echo_signal(tissue, SpinEcho("made up", 800.0, 40.0))
    assert found == pytest.approx(232.5441579, rel=CLOSE)


def test_fat_suppression_takes_fats_share_alone():
    half = Relaxation(1.0, 300.0, 60.0, 0.5, "by hand")
    plain, without = (SpinEcho("x", 3000.0, 60.0, suppressed) for suppressed in (False, True))
    assert spin_echo_signal(half, without) == pytest.approx(spin_echo_signal(half, plain) / 2, rel=CLOSE)


def test_order_of_tissues():
    t2, t1, plain = (signal_table(sequence) for sequence in (T2_WEIGHTED, T1_WEIGHTED, T2_FAT_SUPPRESSED))
    # fluid is the brightest on T2 and among the darkest on T1; fat is bright on both unless suppressed
    assert t2[Material.FLUID] > t2[Material.FAT] > t2[Material.TRABECULAR] > t2[Material.MUSCLE] > t2[Material.LIGAMENT]
    assert t1[Material.FAT] > t1[Material.TRABECULAR] > t1[Material.MUSCLE] > t1[Material.FLUID] > t1[Material.CORTICAL]
    assert plain[Material.FAT] == 0.0
    for dark in (Material.AIR, Material.METAL, Material.GAS):
        assert t2[dark] == t1[dark] == 0.0


def test_noise_of_air_is_rayleighs():
    # magnitude of two normal channels without signal: mean s sqrt(pi / 2) (Rayleigh)
    empty = MagneticPatient(np.zeros((40,) * 3, np.uint16), np.zeros((40,) * 3, np.float32), Grid((40,) * 3, np.eye(4)))
    voxels, grid = stack_of(empty, SliceStack(0, 4.0, 4.0, 1.0), Coil(20.0, None, 1))
    assert grid.shape == (10, 40, 40)
    assert float(voxels.mean()) == pytest.approx(20.0 * np.sqrt(np.pi / 2), rel=0.02)


def test_a_slice_holds_the_mean_over_its_thickness():
    signal = np.zeros((60, 20, 20), np.float32)
    signal[29:31] = 1000.0
    sheet = MagneticPatient(np.zeros(signal.shape, np.uint16), signal, Grid(signal.shape, np.eye(4)))
    sums = []
    for thick in (2.0, 4.0, 6.0):
        voxels, _ = stack_of(sheet, SliceStack(0, thick, 2.0, 1.0), Coil(0.0, None))
        sums.append(float(voxels[:, 10, 10].sum()) * 2.0)
        assert voxels.max() < 1000
    # what is spread over more slices is as much in all: 2 mm of 1000
    assert sums == pytest.approx([2000.0] * 3, rel=0.06)


def test_sac_is_bright_with_rootlets_and_the_same_every_time():
    grid = isotropic_grid((-12, -22, -8), (12, 2, 8), 1.0)
    patient, again = (magnetic_patient(spine_of(SpineSpec()), grid, rootlets_frac=0.3, seed=2) for _ in range(2))
    sac = patient.labels == Tissue.SAC
    assert sac.sum() > 300
    table = signal_table(T2_WEIGHTED)
    assert np.median(patient.signal[sac]) > table[Material.FAT]
    assert (patient.signal[sac] < 1.01 * table[Material.ROOT]).mean() > 0.1
    assert np.array_equal(patient.signal, again.signal)


def test_refuses_what_no_scanner_does():
    with pytest.raises(WrongUse, match="lengths over 0"):
        SliceStack(0, thickness_mm=0.0)
    with pytest.raises(WrongUse, match="density"):
        Relaxation(-1.0, 1.0, 1.0, 0.0, "")
