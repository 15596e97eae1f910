#!/usr/bin/env python3
"""Do a resection's 95 % intervals hold the truth, and do its chances come true, when it is executed with errors?

    .venv/bin/python scripts/accuracy_resection_intervals.py --records FILE [--first 0] [--cases 60] [--resume] [--mr]
    .venv/bin/python scripts/accuracy_resection_intervals.py --records FILE --report

Each case is a narrow spine (`phantoms.cases.stenotic`), scanned on a turned grid of 0.7 to 1 mm with noise, its labels
given; with --mr it is built from an MR alone, sagittal slices of 3 to 4.5 mm and axial ones of 4 mm put together, with
nothing given but the names. The usual plan is made on what was built, from the left and from the right in turn, and its
resection's intervals and chances are worked out. Then some execution errors are drawn from the same records and it is
carried out with each. The truth of what they did is read from the phantom's labels on a straight grid of 0.5 mm without
noise, with a room needed, frame, joints and weak places of its own: neither voxels nor noise nor the samples are
shared, but the counting of what lines take is the estimator's own, which is held against closed forms elsewhere
(tests/estimator/resection).

Records are appended to FILE as they come, one JSON line a case, so that a bad one costs itself alone; --resume goes on
where FILE ends, --report only reads it. Several processes may share the cases: each is given its own --first, --cases
and FILE; their files put together are one. Printed for each number: the share of cases whose truth lies in the
interval, its mean width, how the truth spreads over all and over the executions of one plan, and, were the plan
executed exactly, the root mean square error beside what borders are taken to do; then a reliability table of the
chances and their Brier scores against that of always stating the mean.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

os.environ.setdefault("OMP_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np

from canalwise.estimator.approach.approach import other_side
from canalwise.estimator.approach.error_presets import EXPERIENCES, GUIDANCES, USUAL
from canalwise.estimator.approach.execution_errors import execution_errors_of
from canalwise.estimator.execution.executed_resection import NORMALS, displacement_of, executed_resection
from canalwise.estimator.execution.resection_intervals import resection_intervals
from canalwise.estimator.execution.resection_numbers import numbers_of
from canalwise.estimator.execution.uncertainty_values import EXECUTION, ExecutionTrial
from canalwise.estimator.level.prepared_level import PreparedLevel, prepared_level
from canalwise.estimator.outcome.cost import cost_of_resection
from canalwise.estimator.outcome.decompressed import decompressed
from canalwise.estimator.outcome.freed import freed_by
from canalwise.estimator.outcome.outcome_values import DecompressionVerdict, FarReach
from canalwise.estimator.outcome.verdict import limit_checks, verdict_of
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.estimator.resection.resection import resection_level_of
from canalwise.estimator.resection.resection_level import Resection
from canalwise.estimator.resection.taken_tissue import taken_along
from canalwise.estimator.resection.tunnels import LineRegion
from canalwise.phantoms.anatomy.spine import spine_of
from canalwise.phantoms.cases.hard_case import names_in_view
from canalwise.phantoms.cases.stenotic import stenotic_spec
from canalwise.phantoms.imaging.grids import GridRequest, natural_grid
from canalwise.phantoms.imaging.mr_examination import Coil, SliceStack, magnetic_patient, stack_of
from canalwise.phantoms.imaging.mr_signal import SpinEcho
from canalwise.phantoms.imaging.render import render_scan, rendered_labels
from canalwise.phantoms.spec import SpineSpec
from canalwise.recon.anatomy import Anatomy
from canalwise.recon.case.anatomy_builder import anatomy_of
from canalwise.recon.case.motion_segments import levels_of
from canalwise.recon.errors import CanalwiseError
from canalwise.recon.examination.stack_fusion import Stack, fused
from canalwise.recon.intake.label_maps import GivenLabels
from canalwise.recon.labels import SIDES, Side, bone_mask
from canalwise.recon.scan import Scan

SEED = 2027
GIVEN = frozenset({"vertebrae", "parts", "canal", "sac", "flavum"})
SPACING_MM, NOISE_HU, TURN_DEG, TRUE_MM = (0.7, 1.0), (10.0, 40.0), 10.0, 0.5
"""Ranges of voxel edge, noise and turns of the scan; the grid on which the truth is read (choices)."""

MR_MM = 0.7
"""Voxels that a patient is painted on for an MR."""

EXECUTIONS_A_PLAN = 6
"""Executions of each plan: they share its borders, so plans count for more than executions."""

COVER_TOL = {"mm": TRUE_MM / 2, "mm3": 0.5, "mm2": 1.0, "frac": 2e-3}
"""Slack of an interval's ends by unit: what the truth's own grid, on which bone is all or nothing, takes off."""

BINS = (0.0, 0.1, 0.3, 0.5, 0.7, 0.9, 1.0)
"""Of the reliability table."""


def seen_level(spec: SpineSpec, level: str, rng: np.random.Generator) -> PreparedLevel:
    """What is built of a case from a noisy, turned scan and its labels."""
    fine, high = rng.uniform(*SPACING_MM, 2)
    x, y, z = rng.uniform(-TURN_DEG, TURN_DEG, 3)
    request = GridRequest((float(fine), float(fine), float(high)), (float(x), float(y), float(z)))
    scan = render_scan(spec, request.grid(spec, level), noise_hu=float(rng.uniform(*NOISE_HU)), seed=SEED)
    anatomy = anatomy_of(Scan(scan.ct_hu, scan.grid, "CT"), given=GivenLabels(scan.labels, GIVEN))
    return prepared_level(anatomy, level)


def mr_level(spec: SpineSpec, level: str, rng: np.random.Generator) -> PreparedLevel:
    """What is built of a case from the MR of its level and one vertebra on either side."""
    names, at = spec.level_names, spec.level_names.index(level)
    grid = natural_grid(spec, MR_MM, names[max(at - 1, 0) : at + 2], half_width_mm=38.0)
    sequence = SpinEcho("T2", float(rng.uniform(2500, 5000)), float(rng.uniform(80, 120)))
    patient = magnetic_patient(spine_of(spec), grid, sequence, seed=int(rng.integers(2**31)))
    thick, pixel = float(rng.uniform(3.0, 4.5)), float(rng.uniform(0.6, 1.0))
    wanted = (SliceStack(0, thick, thick * 1.1, pixel), SliceStack(2, 4.0, 4.0, pixel, float(rng.uniform(-12, 12))))
    coil = Coil(float(rng.uniform(6.0, 25.0)), float(rng.uniform(120.0, 400.0)), int(rng.integers(2**31)))
    taken = [stack_of(patient, one, coil) for one in wanted]
    stacks = [Stack(Scan(voxels, grid, "MR"), f"stack {n}") for n, (voxels, grid) in enumerate(taken)]
    anatomy = anatomy_of(fused(stacks), vertebrae=names_in_view(patient.labels))
    return prepared_level(anatomy, level)


def true_level(spec: SpineSpec, level: str) -> PreparedLevel:
    """The same level as it is."""
    grid = natural_grid(spec, TRUE_MM, (level,))
    labels = rendered_labels(spec, grid)
    bone = bone_mask(labels).astype(np.float32)
    return prepared_level(Anatomy(grid, labels, bone, levels_of(labels, bone, grid), {"sac": "given"}), level)


def truly(prepared: PreparedLevel, executed: Resection) -> Resection:
    """The lines of a resection that was carried out on one anatomy, in another anatomy of the same patient."""
    at, seen = resection_level_of(prepared), executed.at.level.frame
    frame, region = at.level.frame, executed.region
    pivots, tips = (frame.to_level_mm(seen.to_world_mm(each)) for each in (region.pivots_mm, region.tips_mm))
    normal = seen.direction_ras(executed.window.outward)
    offset = executed.window.beside_from_mm + float(normal @ seen.origin_ras_mm)
    window = replace(
        executed.window,
        outward=frame.direction_level(normal),
        beside_from_mm=offset - float(normal @ frame.origin_ras_mm),
    )
    there = LineRegion(frame, window, pivots, tips, region.channel, region.rules)
    takers = at.takes_at(tips, region.channel)
    taken = taken_along(at, there, takers, np.arange(len(tips), dtype=np.int32))
    return replace(executed, at=at, window=window, region=there, taken_frac=taken.taken_frac, removal=taken.removal)


def reach_of(resection: Resection) -> FarReach:
    """How far across tissue is taken, without the reason that ends it."""
    wanted, taken = resection.at.wanted, resection.taken_frac
    far = wanted.on_side(other_side(resection.approach.side)) & (taken > 0)
    edge = wanted.level_bone.grid.voxel_mm3 ** (1 / 3)
    lateral = np.abs(wanted.level_mm[:, 0]) + (taken - 0.5) * edge
    return FarReach(float(lateral[far].max(initial=0.0)), 0.0, "", None)


def record_of(number: int, who: tuple[str, str], from_mr: bool) -> dict[str, Any]:
    """One case: numbers with intervals and truths, chances and what came true, as plain data."""
    start, rng = time.perf_counter(), np.random.default_rng([SEED, number])
    spec, level = stenotic_spec(number)
    out: dict[str, Any] = {"case": number, "level": level, "who": list(who)}
    try:
        seen = mr_level if from_mr else seen_level
        prepared, truth = seen(spec, level, rng), true_level(spec, level)
        plans = [plan_record(prepared, truth, SIDES[number // 2 % 2], who, rng)]
    except (CanalwiseError, ValueError) as why:
        return out | {"refused": str(why)}
    return out | {"plans": plans, "seconds": round(time.perf_counter() - start, 1)}


def plan_record(
    prepared: PreparedLevel, truth: PreparedLevel, side: Side, who: tuple[str, str], rng: np.random.Generator
) -> dict[str, Any]:
    """The usual plan from one side, with what some executions truly make of it."""
    errors, seed = execution_errors_of(*who), int(rng.integers(2**31))
    plan = default_approach(prepared.anatomy, prepared.level.name, side)
    found = decompressed(prepared, plan)
    reported = resection_intervals(found, ExecutionTrial(errors=errors, seed=seed))
    executions = [displacement_of(plan, errors, row) for row in rng.standard_normal((EXECUTIONS_A_PLAN, NORMALS))]
    done = [outcome(truth, truly(truth, executed_resection(found.resection, executed))) for executed in executions]
    exact, _ = outcome(truth, truly(truth, found.resection))
    rows = [
        {"name": name, "value": stated.value, "ends": list(stated.ends), "true": [true[name] for true, _ in done],
         "as_planned": exact[name], "border_sd": stated.without([EXECUTION]).sd}
        for name, stated in reported.intervals.items()
        if name in exact and not np.isnan([stated.value, exact[name]]).any()
    ]  # fmt: skip
    chances, verdicts = reported.chances, [verdict for _, verdict in done]
    came = {
        "freed": [v.freed for v in verdicts],
        "kept": [v.kept for v in verdicts],
        "both": [v.freed and v.kept for v in verdicts],
    }
    stated = {"freed": chances.freed, "kept": chances.kept, "both": chances.both}
    planned = [found.verdict.freed, found.verdict.kept]
    return {"side": side, "numbers": rows, "chances": stated, "came_true": came, "planned": planned}


def outcome(truth: PreparedLevel, done: Resection) -> tuple[dict[str, float], DecompressionVerdict]:
    """What lines truly came to: numbers and verdict."""
    cost, freed = cost_of_resection(truth, done, with_contact=False), freed_by(done)
    verdict = verdict_of(done, freed, limit_checks(done, cost, truth.limits))
    return numbers_of(cost, freed, reach_of(done)), verdict


def kind_of(name: str) -> str:
    """A number's name without its side.

    >>> kind_of("left area_frac")
    'area_frac'
    """
    return name.removeprefix("left ").removeprefix("right ")


def report(records: Sequence[Mapping[str, Any]]) -> str:
    """The tables of some records."""
    plans = [plan for record in records for plan in record.get("plans", ())]
    executions = sum(len(plan["came_true"]["both"]) for plan in plans)
    lines = [f"{len(records)} spines, {len(plans)} plans, {executions} executions of them"]
    lines += [f"  case {r['case']} refused: {r['refused']}" for r in records if "refused" in r]
    return "\n".join([*lines, "", *coverage_lines(plans), "", *chance_lines(plans)])


def coverage_lines(plans: Sequence[Mapping[str, Any]]) -> list[str]:
    """Coverage, width and error of each kind of number."""
    by_kind: dict[str, list[Mapping[str, Any]]] = defaultdict(list)
    for plan in plans:
        for row in plan["numbers"]:
            by_kind[kind_of(row["name"])].append(row)
    heads = ("covered", "width", "below", "above", "planned", "true", "SD true", "SD exec", "error", "border")
    lines = [f"{'number':44}{'n':>5}" + "".join(f"{head:>9}" for head in heads)]
    for kind, rows in by_kind.items():
        low, high = (np.array([row["ends"][n] for row in rows])[:, None] for n in (0, 1))
        value, exact = (np.array([row[key] for row in rows]) for key in ("value", "as_planned"))
        true = np.array([row["true"] for row in rows], dtype=float)
        slack = next((tol for unit, tol in COVER_TOL.items() if kind.endswith(unit)), COVER_TOL["frac"])
        below, above = true < low - slack, true > high + slack
        executed = np.sqrt(np.mean(true.var(axis=1)))
        error = np.sqrt(np.mean((exact - value) ** 2))
        border = np.sqrt(np.mean([row["border_sd"] ** 2 for row in rows]))
        lines.append(
            f"{kind:44}{true.size:5}{100 * (~below & ~above).mean():8.1f}%{np.mean(high - low):9.3g}{below.sum():9}"
            f"{above.sum():9}{value.mean():9.3g}{true.mean():9.3g}{true.std():9.3g}{executed:9.3g}{error:9.3g}{border:9.3g}"
        )
    return lines


def chance_lines(plans: Sequence[Mapping[str, Any]]) -> list[str]:
    """Reliability of the chances: stated against came true, by bins, and Brier scores."""
    lines = []
    for name in ("freed", "kept", "both"):
        known = [plan for plan in plans if plan["chances"][name] is not None]
        if not known:
            continue
        true = np.array([plan["came_true"][name] for plan in known], dtype=float)
        stated = np.repeat([plan["chances"][name] for plan in known], true.shape[1]).astype(float)
        true = true.ravel()
        brier, base = float(np.mean((stated - true) ** 2)), float(np.mean((true.mean() - true) ** 2))
        means = f"stated {stated.mean():.3f} came true {true.mean():.3f}"
        lines.append(f"{name:8}{len(true):4} {means} Brier {brier:.3f} (mean {base:.3f})")
        for low, high in pairwise(BINS):
            mine = (stated >= low) & ((stated < high) | (high == 1.0))
            if mine.any():
                means = f"mean stated {stated[mine].mean():.2f}, came true {true[mine].mean():.2f}"
                lines.append(f"   stated {low:.1f}-{high:.1f}: {mine.sum():3} executions, {means}")
    return lines


def read_records(path: Path) -> dict[int, dict[str, Any]]:
    """The records kept so far, by case; a last line cut short is left out."""
    lines = path.read_text().splitlines() if path.exists() else []
    return {record["case"]: record for record in (json.loads(line) for line in lines if line.endswith("}"))}


def main() -> None:
    """Do what is missing, keep it, print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--records", type=Path, required=True, metavar="FILE", help="kept here, one JSON line a case")
    parser.add_argument("--first", type=int, default=0, help="number of the first spine [%(default)s]")
    parser.add_argument("--cases", type=int, default=60, help="how many spines [%(default)s]")
    parser.add_argument("--mr", action="store_true", help="build from an MR alone")
    parser.add_argument("--resume", action="store_true", help="go on where FILE ends; it is begun anew without")
    parser.add_argument("--report", action="store_true", help="only read FILE")
    parser.add_argument("--guidance", choices=GUIDANCES, default=USUAL[0])
    parser.add_argument("--experience", choices=EXPERIENCES, default=USUAL[1])
    options = parser.parse_args()
    if not (options.resume or options.report):
        options.records.unlink(missing_ok=True)
    have = read_records(options.records)
    numbers = range(options.first, options.first + options.cases)
    for number in () if options.report else (n for n in numbers if n not in have):
        record = record_of(number, (options.guidance, options.experience), options.mr)
        have[number] = record
        with options.records.open("a", buffering=1 << 22) as file:
            file.write(json.dumps(record) + "\n")
        print(f"case {number}: {record.get('seconds', record.get('refused'))}", file=sys.stderr, flush=True)
    print(report([have[n] for n in sorted(have)]))


if __name__ == "__main__":
    main()
