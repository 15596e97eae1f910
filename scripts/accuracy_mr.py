#!/usr/bin/env python3
"""Measure what a build makes of made-up MR examinations whose truth is known.

    .venv/bin/python scripts/accuracy_mr.py --count 20 [--first 0] [--axial] [--keep FOLDER]

Each examination is a spine drawn at random (`phantoms.cases`), painted by the signals of spin echoes, and taken as a
sagittal stack of slices 3 to 4.5 mm thick with pixels of 0.6 to 1 mm, noise and a coil's fall-off; with --axial also
as an axial stack, and both put together. Its shapes are of the family that the network learnt from, its contrasts are
not, so the real scans of `scripts/accuracy_network.py` weigh more.
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from canalwise.phantoms.anatomy.spine import spine_of
from canalwise.phantoms.cases.random_spec import varied_spec
from canalwise.phantoms.cases.stenotic import stenotic_spec
from canalwise.phantoms.imaging.grids import natural_grid
from canalwise.phantoms.imaging.mr_examination import Coil, MagneticPatient, SliceStack, magnetic_patient, stack_of
from canalwise.phantoms.imaging.mr_signal import SpinEcho
from canalwise.recon.anatomy import Anatomy, Level
from canalwise.recon.case.anatomy_builder import anatomy_of
from canalwise.recon.errors import CanalwiseError
from canalwise.recon.grid import Grid
from canalwise.recon.image.morphology import nearest_on
from canalwise.recon.intake.examination import Stack, fused
from canalwise.recon.intake.working_volume import working_volume
from canalwise.recon.labels import VERTEBRAE, Labels, Mask, Part, Tissue, canal_mask, vertebrae_in
from canalwise.recon.level.resampled_level import disc_mask, local_view
from canalwise.recon.level.sac_sections import narrowest_mm2
from canalwise.recon.scan import Scan

FINE_MM, HALF_WIDTH_MM = 0.8, 38.0
"""Voxels that patients are painted on, and half the width of what is painted: a sagittal stack of 76 mm."""

SAID = ("body", "arch", "disc", "canal", "sac", "ligament")


@dataclass(frozen=True, eq=False)
class Examination:
    """A made-up patient and the stacks taken."""

    patient: MagneticPatient
    stacks: tuple[Stack, ...]


def examination(seed: int, axial: bool, keep: Path | None) -> Examination:
    """The examination of a seed; the same seed gives the same one."""
    rng = np.random.default_rng([seed, 7])
    spec = stenotic_spec(seed)[0] if seed % 2 else varied_spec(np.random.default_rng(seed))
    sequence = SpinEcho("T2", float(rng.uniform(2500, 5000)), float(rng.uniform(80, 120)), bool(rng.random() < 0.1))
    thick, pixel = float(rng.uniform(3.0, 4.5)), float(rng.uniform(0.6, 1.0))
    coil = Coil(float(rng.uniform(6.0, 25.0)), float(rng.uniform(120.0, 400.0)), seed)
    file = None if keep is None else keep / f"patient{seed}.npz"
    if file is not None and file.exists():
        data = np.load(file)
        shape = data["labels"].shape
        patient = MagneticPatient(data["labels"], data["signal"].astype(np.float32), Grid(shape, data["affine"]))
    else:
        grid = natural_grid(spec, FINE_MM, None, half_width_mm=HALF_WIDTH_MM)
        roots = float(rng.uniform(0.1, 0.5))
        patient = magnetic_patient(spine_of(spec), grid, sequence, rootlets_frac=roots, seed=seed)
        if file is not None:
            np.savez_compressed(
                file, labels=patient.labels, signal=patient.signal.astype(np.float16), affine=grid.affine_ras_mm
            )
    wanted = [SliceStack(0, thick, thick * 1.1, pixel)]
    if axial:
        wanted.append(SliceStack(2, 4.0, 4.0, pixel, turn_deg=float(rng.uniform(-12, 12))))
    stacks = []
    for stack in wanted:
        voxels, grid = stack_of(patient, stack, coil)
        stacks.append(Stack(Scan(voxels, grid, "MR"), "sagittal" if stack.across == 0 else "axial"))
    return Examination(patient, tuple(stacks))


def dice(found: Mask, truth: Mask) -> float:
    """Twice what both share over what both hold."""
    return 2.0 * float((found & truth).sum()) / max(float(found.sum() + truth.sum()), 1.0)


def masks(labels: Labels) -> dict[str, Mask]:
    """What is compared, by name."""
    part, bone = labels % 100, (labels >= 100) & (labels % 100 != Part.DISC)
    return {
        "body": bone & (part == Part.BODY),
        "arch": bone & (part != Part.BODY),
        "disc": disc_mask(labels),
        "canal": canal_mask(labels),
        "sac": labels == Tissue.SAC,
        "ligament": labels == Tissue.FLAVUM,
    }


def overlap(anatomy: Anatomy, patient: MagneticPatient) -> dict[str, float]:
    """Dice of each structure, on the patient's voxels, over the height of the vertebrae named."""
    found = nearest_on(patient.grid, anatomy.labels, anatomy.grid)
    layers = np.flatnonzero((found >= 100).any(axis=(0, 1)))
    span = slice(int(layers[0]), int(layers[-1]) + 1)
    truth = masks(patient.labels[:, :, span])
    return {name: dice(mask, truth[name]) for name, mask in masks(found[:, :, span]).items()}


def sac_error_frac(anatomy: Anatomy, level: Level, patient: MagneticPatient) -> tuple[float, float] | None:
    """(relative error, true area) of the sac's narrowest area, both read in the level's frame."""
    pair = (level.upper, level.lower)
    areas = []
    for labels, grid in ((anatomy.labels, anatomy.grid), (patient.labels, patient.grid)):
        view = local_view(labels, np.zeros(labels.shape, np.float32), grid, level.frame, pair)
        areas.append(narrowest_mm2(view, -14.0, 14.0))
    return None if areas[0] is None or not areas[1] else (areas[0] / areas[1] - 1.0, areas[1])


def names_said(anatomy: Anatomy, patient: MagneticPatient) -> str:
    """'right', 'asked' where names are not confirmed, or 'WRONG'."""
    naming = anatomy.naming
    if naming is None or not naming.confirmed:
        return "asked"
    found = nearest_on(patient.grid, anatomy.labels, anatomy.grid)
    for name in vertebrae_in(anatomy.labels):
        number = VERTEBRAE[name]
        own = (found // 100 == number) & (found % 100 == Part.BODY)
        true = patient.labels[own] // 100
        if own.any() and np.bincount(true).argmax() != number:
            return "WRONG"
    return "right"


def one(seed: int, axial: bool, keep: Path | None) -> tuple[dict[str, float], list[tuple[float, float]], str, float]:
    """(Dice, sac errors, names, CPU seconds) of one examination; raises what a build raises."""
    made = examination(seed, axial, keep)
    start = time.process_time()
    scan = fused(made.stacks) if axial else working_volume(made.stacks[0].scan)
    anatomy = anatomy_of(scan)
    seconds = time.process_time() - start
    errors = [sac_error_frac(anatomy, level, made.patient) for level in anatomy.levels]
    return overlap(anatomy, made.patient), [e for e in errors if e], names_said(anatomy, made.patient), seconds


def summary(values: npt.ArrayLike) -> str:
    """Median with the fifth and 95th percentile."""
    low, middle, high = np.percentile(np.asarray(values, dtype=float), (5, 50, 95))
    return f"{middle:.3f} ({low:.3f} to {high:.3f})"


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=str(__doc__).splitlines()[0])
    parser.add_argument("--count", type=int, default=20)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--axial", action="store_true", help="an axial stack too, and both put together")
    parser.add_argument("--keep", type=Path, help="folder to keep painted patients in")
    options = parser.parse_args()
    if options.keep:
        options.keep.mkdir(parents=True, exist_ok=True)
    found: list[dict[str, float]] = []
    errors: list[tuple[float, float]] = []
    names: list[str] = []
    for seed in range(options.first, options.first + options.count):
        try:
            overlaps, areas, said, seconds = one(seed, options.axial, options.keep)
        except CanalwiseError as why:
            print(f"{seed}: REFUSED {type(why).__name__}: {str(why)[:160]}", flush=True)
            names.append("refused")
            continue
        found.append(overlaps)
        errors += areas
        names.append(said)
        listed = "  ".join(f"{name} {value:.3f}" for name, value in overlaps.items())
        told = " ".join(f"{true:.0f}{100 * error:+.0f}%" for error, true in areas)
        print(f"{seed}: {listed}  names {said}  sac {told}  {seconds:.0f} CPU s", flush=True)
    print(f"\n{len(names)} examinations: " + ", ".join(f"{n} {names.count(n)}" for n in sorted(set(names))))
    for name in SAID if found else ():
        print(f"Dice of {name}: {summary([each[name] for each in found])}")
    if errors:
        off = np.array([error for error, _ in errors])
        print(f"sac, narrowest area, {len(off)} levels: error {summary(off)}, absolute {summary(np.abs(off))}")


if __name__ == "__main__":
    main()
