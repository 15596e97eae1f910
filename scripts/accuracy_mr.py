#!/usr/bin/env python3
"""Measure what a build makes of made-up MR examinations whose truth is known.

    .venv/bin/python scripts/accuracy_mr.py --records FILE [--count 20] [--first 0] [--sagittal-only] [--keep FOLDER]
    .venv/bin/python scripts/accuracy_mr.py --records FILE --report

Each examination is a spine drawn at random (`phantoms.cases`), painted by the signals of spin echoes, and taken as a
sagittal stack of slices 3 to 4.5 mm thick with pixels of 0.6 to 1 mm and an axial one of 4 mm that leans, with noise
and a coil's fall-off, both put together; with --sagittal-only the first alone. Its shapes are of the family that the
network learnt from, its contrasts are not, so the real scans of `scripts/accuracy_network.py` weigh more. Records are
appended to FILE as they come, one JSON line each; examinations it holds are not taken again, --report only reads it.

Printed: Dice of each structure; how often names with a probability of 0.95 or more were right; for the narrowest area
of the sac and the thickness of the ligament of each level, relative errors against the same measurement of the truth;
how often the area's severity band is that of the truth, or next to it; by how much
whole borders of arches and canal lie outside the true ones, beside the deviation that the build states.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

os.environ.setdefault("OMP_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from canalwise.phantoms.anatomy.spine import spine_of
from canalwise.phantoms.cases.random_spec import varied_spec
from canalwise.phantoms.cases.stenotic import stenotic_spec
from canalwise.phantoms.imaging.grids import natural_grid
from canalwise.phantoms.imaging.mr_examination import Coil, MagneticPatient, SliceStack, magnetic_patient, stack_of
from canalwise.phantoms.imaging.mr_signal import SpinEcho
from canalwise.recon.anatomy import Anatomy, Level, Source
from canalwise.recon.case.anatomy_builder import anatomy_of
from canalwise.recon.case.motion_segments import level_of
from canalwise.recon.errors import CanalwiseError
from canalwise.recon.examination.stack_fusion import Stack, fused
from canalwise.recon.examination.working_volume import working_volume
from canalwise.recon.grid import Grid, box_of
from canalwise.recon.image.morphology import nearest_on
from canalwise.recon.labels import SACRUM, VERTEBRAE, Labels, Mask, Part, Tissue, bone_mask, canal_mask, vertebrae_in
from canalwise.recon.level.resampled_level import disc_mask
from canalwise.recon.measurement.confidence import CANAL_HALF_MM
from canalwise.recon.measurement.kinds import NARROWEST_SAC, SCALES
from canalwise.recon.scan import Scan

FINE_MM, HALF_WIDTH_MM = 0.8, 38.0
"""Voxels that patients are painted on, and half the width of what is painted: a sagittal stack of 76 mm."""

SETTLED_SHARE = 0.6
"""Of the patients: their rootlets lie on the back of the sac, up to a fifth to three fifths of its depth (choice)."""

Record = dict[str, Any]

NO_ARCH = (Part.BODY, Part.DISC)
"""What of a vertebra's number is no arch."""

SACRAL_ROOF = tuple(part for part in Part if part.name.startswith(("LAMINA", "SPINOUS_BASE", "SUPERIOR")))
"""What an operation at L5-S1 meets of the sacrum's arch; where its alae begin is a convention."""

QUANTITIES = (
    NARROWEST_SAC,
    "dural sac area",
    "canal area",
    "ligamentum flavum thickness",
    "slip",
    "window area",
)
"""Measured on the truth as well."""

SAID = ("body", "arch", "sacral roof", "disc", "canal", "sac", "ligament")


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
        lying = np.random.default_rng([seed, 8])
        settled = float(lying.uniform(0.2, 0.6)) if lying.random() < SETTLED_SHARE else 0.0
        patient = magnetic_patient(
            spine_of(spec), grid, sequence, rootlets_frac=roots, settled_depth_frac=settled, seed=seed
        )
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
    sacral = labels // 100 == VERTEBRAE[SACRUM]
    return {
        "body": bone & (part == Part.BODY),
        "arch": bone & (part != Part.BODY) & ~sacral,
        "sacral roof": sacral & np.isin(part, SACRAL_ROOF),
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


def level_rows(anatomy: Anatomy, patient: MagneticPatient) -> list[Record]:
    """Of each level built: what was measured, and the same measured of the truth in the same frame."""
    bone = bone_mask(patient.labels).astype(np.float32)
    given: Mapping[str, Source] = dict.fromkeys(("canal", "sac", "flavum"), "given")
    rows = []
    for level in anatomy.levels:
        truth = level_of(patient.labels, bone, patient.grid, (level.upper, level.lower), level.frame, given)
        found, true = (_measured(each) for each in (level, truth))
        both = {key: [found[key], true[key]] for key in found if key in true}
        rows.append({"level": level.name, "measured": both})
    return rows


def border_rows(anatomy: Anatomy, patient: MagneticPatient) -> list[tuple[str, float, float]]:
    """(kind, mm by which a border lies outside the true one as a whole, its deviation as the build states it).

    Of each vertebra's arch and of the canal at each level, on the patient's voxels: the difference of both volumes over
    the surface of the true one.
    """
    found, grid = nearest_on(patient.grid, anatomy.labels, anatomy.grid), patient.grid
    rows = []
    for level in anatomy.levels:
        if level.confidence is None:
            continue
        sd = {each.name: each.border_sd_mm for each in level.confidence.structures}
        number = VERTEBRAE[level.upper]
        arches = [(labels // 100 == number) & ~np.isin(labels % 100, NO_ARCH) for labels in (found, patient.labels)]
        of_arch = [mm for name, mm in sd.items() if name.startswith(f"{level.upper} ")]
        either = canal_mask(patient.labels) | canal_mask(found)
        z = level.frame.to_level_mm(grid.world_mm(np.argwhere(either)))[:, 2]
        near = np.zeros(grid.shape, dtype=bool)
        near[either] = np.abs(z) <= CANAL_HALF_MM
        canals = [canal_mask(labels) & near for labels in (found, patient.labels)]
        rows.append(("arch", _outside_mm(arches[0], arches[1], grid), float(np.mean(of_arch))))
        rows.append(("canal", _outside_mm(canals[0], canals[1], grid), sd["canal"]))
    return rows


def _outside_mm(found: Mask, truth: Mask, grid: Grid) -> float:
    box = box_of(found | truth, 2)
    if box is None or not truth.any():
        return float("nan")
    surface = np.linalg.norm(np.gradient(truth[box].astype(np.float32), *grid.spacing_mm), axis=0).sum()
    return float((int(found.sum()) - int(truth.sum())) / surface)


def _measured(level: Level) -> dict[str, float]:
    """Structure and quantity -> value, of what this script looks at."""
    return {f"{m.structure}: {m.name}, {m.unit}": m.value for m in level.measurements if m.name in QUANTITIES}


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


def record_of(seed: int, axial: bool, keep: Path | None) -> Record:
    """All that is found of one examination, or why it was refused."""
    made = examination(seed, axial, keep)
    out: Record = {"case": seed, "axial": axial, "slices_mm": float(max(made.stacks[0].scan.grid.spacing_mm))}
    start = time.process_time()
    try:
        scan = fused(made.stacks) if axial else working_volume(made.stacks[0].scan)
        anatomy = anatomy_of(scan)
    except CanalwiseError as why:
        return out | {"names": "refused", "refused": f"{type(why).__name__}: {why}"}
    return out | {
        "cpu_s": round(time.process_time() - start, 1),
        "dice": overlap(anatomy, made.patient),
        "names": names_said(anatomy, made.patient),
        "sure": None if anatomy.naming is None else [anatomy.naming.value_frac, anatomy.naming.because],
        "levels": level_rows(anatomy, made.patient),
        "borders": border_rows(anatomy, made.patient),
    }


def summary(values: npt.ArrayLike) -> str:
    """Median with the fifth and 95th percentile.

    >>> summary([1.0, 1.0])
    '1.000 (1.000 to 1.000)'
    """
    low, middle, high = np.percentile(np.asarray(values, dtype=float), (5, 50, 95))
    return f"{middle:.3f} ({low:.3f} to {high:.3f})"


def report(records: Sequence[Record]) -> str:
    """The tables of some records."""
    names = [record["names"] for record in records]
    lines = [f"{len(names)} examinations: " + ", ".join(f"{n} {names.count(n)}" for n in sorted(set(names)))]
    lines += [f"  {r['case']} refused: {r['refused'][:200]}" for r in records if "refused" in r]
    good = [record for record in records if "dice" in record]
    lines += [f"Dice of {name}: {summary([each['dice'][name] for each in good])}" for name in SAID if good]
    pairs: dict[str, list[tuple[float, float]]] = {}
    for record in good:
        for level in record["levels"]:
            for key, pair in level["measured"].items():
                pairs.setdefault(kind_of(key), []).append(tuple(pair))
    for key, values in sorted(pairs.items()):
        found, true = np.array(values).T
        if true.min() <= 0:
            lines.append(f"{key}: {len(true)}, difference {summary(found - true)}")
            continue
        off = found / true - 1.0
        absolute, high = np.percentile(np.abs(off), (50, 95))
        lines.append(
            f"{key}: {len(off)}, mean {found.mean():.3g} (true {true.mean():.3g}), error {summary(off)}, "
            f"absolute: median {100 * absolute:.1f} %, 95th percentile {100 * high:.1f} %"
        )
        if NARROWEST_SAC in key:
            lines += _grade_lines(found, true)
    return "\n".join([*lines, *_border_lines(good)])


def _border_lines(records: Sequence[Record]) -> list[str]:
    """By kind: offsets of whole borders, the deviation stated, and how many offsets lie within 1.96 of it."""
    rows = [row for record in records for row in record.get("borders", ()) if np.isfinite(row[1])]
    lines = []
    for kind in sorted({row[0] for row in rows}):
        off, sd = np.array([row[1:] for row in rows if row[0] == kind]).T
        lines.append(
            f"border of {kind}: {len(off)}, outside by {summary(off)} mm, rms {np.sqrt(np.mean(off**2)):.2f} "
            f"mm, stated {sd.mean():.2f} mm, within 1.96 of it {100 * np.mean(np.abs(off) <= 1.96 * sd):.0f} %"
        )
    return lines


def kind_of(key: str) -> str:
    """A number's name without its side or vertebrae.

    >>> kind_of("left lateral recess: height, mm"), kind_of("L3 on L4: slip, mm")
    ('lateral recess: height, mm', 'slip, mm')
    """
    structure, quantity = key.removeprefix("left ").removeprefix("right ").split(": ")
    if " on " in structure:
        return quantity
    return f"{structure.partition(' of ')[0]}{' of vertebra' if ' of ' in structure else ''}: {quantity}"


def _grade_lines(found: npt.NDArray[np.float64], true: npt.NDArray[np.float64]) -> list[str]:
    """How often the band of severity is the truth's, or next to it."""
    limits = sorted(limit.value for limit in SCALES[NARROWEST_SAC].thresholds)
    apart = np.abs(np.digitize(found, limits) - np.digitize(true, limits))
    return [
        f"  band of severity: exact {100 * np.mean(apart == 0):.0f} %, within one {100 * np.mean(apart <= 1):.1f} %"
    ]


def read_records(path: Path) -> dict[int, Record]:
    """The records kept so far, by case; a last line cut short is left out."""
    lines = path.read_text().splitlines() if path.exists() else []
    return {record["case"]: record for record in (json.loads(line) for line in lines if line.endswith("}"))}


def main() -> None:
    """Do what is missing, keep it, print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--records", type=Path, required=True, metavar="FILE", help="kept here, one JSON line a case")
    parser.add_argument("--count", type=int, default=20)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--every", type=int, default=1, help="takes each N-th seed only, so that many can share")
    parser.add_argument("--sagittal-only", action="store_true", help="no axial stack")
    parser.add_argument("--keep", type=Path, help="folder to keep painted patients in")
    parser.add_argument("--report", action="store_true", help="only read FILE")
    options = parser.parse_args()
    if options.keep:
        options.keep.mkdir(parents=True, exist_ok=True)
    have = read_records(options.records)
    wanted = range(options.first, options.first + options.count * options.every, options.every)
    for seed in () if options.report else (n for n in wanted if n not in have):
        have[seed] = record_of(seed, not options.sagittal_only, options.keep)
        with options.records.open("a") as file:
            file.write(json.dumps(have[seed]) + "\n")
    print(report([have[n] for n in sorted(have)]))


if __name__ == "__main__":
    main()
