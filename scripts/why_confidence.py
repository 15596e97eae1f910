"""Confidence against actual error on phantoms: why a level below CHECK_BELOW is marked, why borders are so sure.

Each scan of a phantom is read twice: its labels given, and from the CT alone with only the vertebrae's names given.
Prints a line per reading: confidence and its least reason, how far the borders of laminae and articular processes lie
from the true ones (mean, mm), by how much the arch's border is off as a whole (mm) and the standard deviation stated.
Then: how the marked and the unmarked readings fare, and the share of offsets within 1.96 standard deviations.

With --records (lines of `confidence_records.py`) it prints instead how good the probabilities of
`canalwise.recon.questions` are, question by question: ten bins of reliability and the rank correlation with the true
error. --fit fits them anew, and says how good models are on spines they did not see.

    python scripts/why_confidence.py --records FILE [--fit]
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import edt
import numpy as np
from confidence_fit import LIMITS, fitted, held_out, samples, tell

from canalwise.phantoms.cases.suite import stenosis
from canalwise.phantoms.imaging.grids import GridRequest
from canalwise.phantoms.imaging.render import render_scan
from canalwise.phantoms.imaging.scanner import PhantomScan
from canalwise.phantoms.spec import LevelKnobs, SpineSpec
from canalwise.recon.anatomy import Anatomy, Confidence
from canalwise.recon.case.anatomy_builder import anatomy_of
from canalwise.recon.errors import CanalwiseError
from canalwise.recon.grid import Float, Grid
from canalwise.recon.intake.label_maps import GivenLabels
from canalwise.recon.labels import Mask, Part, bone_mask, vertebra_number
from canalwise.recon.measurement.confidence import CHECK_BELOW, confidence_of, structures_of
from canalwise.recon.questions import MODELS, OF_A_PLAN
from canalwise.recon.scan import Scan

GIVEN = frozenset({"vertebrae", "parts", "canal", "sac", "flavum"})
LEVEL, NAMES = "L3-L4", ("L3", "L4")

WRONG_MM = 1.0
"""Mean border distance of laminae and processes from which a reading is called wrong: a quarter of a facet's bite."""


@dataclass(frozen=True)
class Reading:
    """One phantom scan: what is asked of the phantom, of its grid and of the scanner."""

    name: str
    knobs: LevelKnobs
    spacing_mm: tuple[float, float, float] = (1.0, 1.0, 1.0)
    noise_hu: float = 20.0
    blur_mm: float = 0.7
    trabecular_hu: float = 110.0


MODERATE = stenosis(1.0, 0.8)
READINGS = (
    Reading("clean", LevelKnobs(), noise_hu=5.0),
    Reading("usual", MODERATE),
    Reading("fine", MODERATE, spacing_mm=(0.6, 0.6, 0.6)),
    Reading("0.5 x 0.5 x 1 mm", MODERATE, spacing_mm=(0.5, 0.5, 1.0)),
    Reading("noisy", MODERATE, noise_hu=60.0),
    Reading("very noisy", MODERATE, noise_hu=120.0),
    Reading("blurred", MODERATE, blur_mm=1.6),
    Reading("blurred and noisy", MODERATE, blur_mm=1.6, noise_hu=60.0),
    Reading("2 mm slices", MODERATE, spacing_mm=(0.7, 0.7, 2.0)),
    Reading("3 mm slices", MODERATE, spacing_mm=(0.6, 0.6, 3.0)),
    Reading("1.5 mm voxels", MODERATE, spacing_mm=(1.5, 1.5, 1.5)),
    Reading("narrow joints", replace(MODERATE, gap_mm=0.7)),
    Reading("severe", stenosis(1.4, 1.4)),
    Reading("one-sided", stenosis(0.3, 1.4)),
    Reading("old bone", MODERATE, trabecular_hu=70.0, noise_hu=30.0),
)


@dataclass(frozen=True)
class Outcome:
    """Confidence of a reading and its actual errors, mm; `offsets_sd` pairs each vertebra's offset and stated SD."""

    confidence: Confidence
    distance_mm: float
    offsets_sd: tuple[tuple[float, float], ...]


def readings(reading: Reading) -> Iterator[tuple[str, PhantomScan, Anatomy | CanalwiseError]]:
    """(how, phantom scan, anatomy or why there is none) with labels given and from the CT alone."""
    spec = SpineSpec(levels={LEVEL: reading.knobs}, trabecular_hu=reading.trabecular_hu)
    phantom = render_scan(
        spec,
        GridRequest(reading.spacing_mm).grid(spec, LEVEL),
        noise_hu=reading.noise_hu,
        point_spread_fwhm_mm=reading.blur_mm,
    )
    scan = Scan(phantom.ct_hu, phantom.grid, "CT")
    yield "given", phantom, anatomy_of(scan, given=GivenLabels(phantom.labels, GIVEN))
    try:
        yield "CT alone", phantom, anatomy_of(scan, vertebrae=NAMES)
    except CanalwiseError as why:
        yield "CT alone", phantom, why


def outcome_of(phantom: PhantomScan, anatomy: Anatomy) -> Outcome:
    """How sure a reading is and how far off."""
    level, scan = anatomy.level(LEVEL), Scan(phantom.ct_hu, phantom.grid, "CT").on(anatomy.grid)
    sure = confidence_of(scan, anatomy.labels, level, anatomy.sources, anatomy.naming)
    truth = Scan(phantom.labels.astype(np.int16), phantom.grid, "CT").on(anatomy.grid).voxels.astype(np.uint16)
    distances = [
        _distance_mm(np.isin(anatomy.labels, values), np.isin(truth, values), anatomy.grid)
        for name, values in structures_of(level).items()
        if "lamina" in name or "articular" in name
    ]
    offsets = []
    for vertebra in NAMES:
        sd = float(np.mean([s.border_sd_mm for s in sure.structures if s.name.startswith(vertebra)]))
        offsets.append((_offset_mm(anatomy, truth, vertebra), sd))
    return Outcome(sure, float(np.mean(distances)), tuple(offsets))


def _distance_mm(found: Mask, true: Mask, grid: Grid) -> float:
    """Mean distance between two masks' borders, both ways; 10 mm where one is empty."""
    if not found.any() or not true.any():
        return 10.0
    fields = [_depth_mm(mask, grid) for mask in (found, true)]
    apart = np.abs(fields[0] - fields[1])
    return float(np.mean([apart[np.abs(field) <= 0.51 * grid.spacing_mm.max()].mean() for field in fields]))


def _depth_mm(mask: Mask, grid: Grid) -> Float:
    """(same shape) signed distance to a mask's border, positive inside."""
    spacing, solid = tuple(grid.spacing_mm), np.asfortranarray(mask)
    half = float(grid.spacing_mm.min()) / 2
    inner, outer = edt.edt(solid, anisotropy=spacing), edt.edt(~solid, anisotropy=spacing)
    return np.asarray(np.where(mask, inner - half, half - outer))


def _offset_mm(anatomy: Anatomy, truth: np.ndarray, vertebra: str) -> float:
    """By how much the border of a vertebra's arch lies outside the true one, as a whole: volume over surface."""
    base = 100 * vertebra_number(vertebra)
    bodies = [base + part for part in (Part.BODY, Part.PEDICLE_LEFT, Part.PEDICLE_RIGHT)]
    near = np.isin(truth // 100, [base // 100]) & ~np.isin(truth, bodies)
    arch = edt.edt(np.asfortranarray(~near), anisotropy=tuple(anatomy.grid.spacing_mm)) <= 2.0
    others = bone_mask(truth) & ~near
    mine = arch & (edt.edt(np.asfortranarray(~others), anisotropy=tuple(anatomy.grid.spacing_mm)) > 2.0)
    surface = np.linalg.norm(np.gradient(near.astype(float), *anatomy.grid.spacing_mm), axis=0)[mine].sum()
    return float((anatomy.occupancy - bone_mask(truth))[mine].sum() / max(surface, 1e-9))


def probabilities(files: list[Path], fit: bool) -> None:
    """Prints how good the probabilities are on records; where asked to, of models fitted on these anew."""
    rows = samples(record for file in files for record in records_in(file))
    if not fit:
        for model in (*MODELS, OF_A_PLAN):
            own = [row for row in rows if row.question == model.question]
            tell(model.question, rows, np.array([model.probability(row.features) for row in own]))
        return
    print("each answer by a model that saw no scan of its spine")
    for question in LIMITS:
        tell(question, rows, held_out(rows, question))
    print("fitted on all")
    for question in LIMITS:
        print(fitted(rows, question))


def records_in(file: Path) -> list[dict[str, Any]]:
    """Records, one a line or as one list."""
    text = file.read_text()
    found: list[dict[str, Any]] = json.loads(text) if text.startswith("[") else list(map(json.loads, text.splitlines()))
    return found


def main() -> None:
    """Read the phantoms and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--only", default="", help="readings whose name holds this text")
    parser.add_argument("--records", type=Path, nargs="+", help="records of answers and their errors")
    parser.add_argument("--fit", action="store_true", help="fit the probabilities anew on the records")
    args = parser.parse_args()
    if args.records:
        probabilities(args.records, args.fit)
        return
    rows: list[tuple[str, Outcome]] = []
    print(f"{'reading':20}{'labels':10}{'sure':>6}{'off mm':>8}{'offset mm':>18}{'sd mm':>7}  least reason")
    for reading in (r for r in READINGS if args.only in r.name):
        for how, phantom, anatomy in readings(reading):
            if isinstance(anatomy, CanalwiseError) or LEVEL not in [level.name for level in anatomy.levels]:
                print(f"{reading.name:20}{how:10}{'refused':>6}", flush=True)
                continue
            found = outcome_of(phantom, anatomy)
            rows.append((how, found))
            print(_line(reading.name, how, found), flush=True)
    for how in ("given", "CT alone"):
        _tell(how, [found for kind, found in rows if kind == how])


def _line(name: str, how: str, found: Outcome) -> str:
    least = min(found.confidence.reasons, key=lambda reason: reason.value_frac)
    offsets = " ".join(f"{offset:+.3f}" for offset, _ in found.offsets_sd)
    return (
        f"{name:20}{how:10}{found.confidence.value_frac:6.2f}{found.distance_mm:8.2f}{offsets:>18}"
        f"{found.offsets_sd[0][1]:7.3f}  {least.about}: {least.because[:70]}"
    )


def _tell(how: str, found: list[Outcome]) -> None:
    """How marked and unmarked readings fare, and how often the border's offset is covered."""
    for marked in (True, False):
        off = [f.distance_mm for f in found if (f.confidence.value_frac < CHECK_BELOW.value) == marked]
        wrong = sum(d > WRONG_MM for d in off)
        print(f"{how}: {len(off)} {'marked' if marked else 'not marked'}, {wrong} of them off by over {WRONG_MM:g} mm")
    pairs = [pair for f in found for pair in f.offsets_sd]
    if pairs:
        covered = np.mean([abs(offset) <= 1.96 * sd for offset, sd in pairs])
        rms = np.sqrt(np.mean([(offset / sd) ** 2 for offset, sd in pairs]))
        print(f"{how}: {100 * covered:.0f} % of {len(pairs)} offsets within 1.96 SD; RMS over SD {rms:.2f}")


if __name__ == "__main__":
    main()
