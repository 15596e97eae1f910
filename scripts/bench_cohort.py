"""How well a cohort uses two workers, and what becomes of faults among its cases; on made-up spines.

    python scripts/bench_cohort.py --cases 12                    efficiency: one worker against two
    python scripts/bench_cohort.py --cases 40 --faults 20        faults among good cases: rows counted
    python scripts/bench_cohort.py --cases 4 --tcp               a scheduler of its own, over TCP on loopback

Efficiency is the time of one worker over twice the time of two, both with the start of their processes; the machine's
load stands beside it, for on a shared machine it falls with what others do. Faults are torn files, files that are
none, cases that kill their worker and cases that ask for more memory than there is.
"""

from __future__ import annotations

import argparse
import gzip
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from canalwise.phantoms.cases.stenotic import stenotic_spec
from canalwise.phantoms.imaging.grids import natural_grid
from canalwise.phantoms.imaging.render import render_scan
from canalwise.phantoms.imaging.write import write_scan
from canalwise.workbench.cohort.case_list import CaseLine
from canalwise.workbench.cohort.row_record import CohortOptions
from canalwise.workbench.cohort.steps import STEPS, CaseWork, CohortStep
from canalwise.workbench.cohort.whole_cohort import CohortResult, Workers, cohort

SPACING_MM = 1.4
"""Coarse: a case takes seconds."""

DIFFERENT = 3
"""Phantoms that are rendered; cases share them."""

WORKER_MB = 2500.0

FAULTS = ("torn", "no scan", "kill -9", "memory hog")


def made_up_cases(folder: Path, count: int) -> list[CaseLine]:
    """Cases of a few phantoms' scans and label maps."""
    sources = []
    for seed in range(1, DIFFERENT + 1):
        spec, level = stenotic_spec(seed)
        place = write_scan(render_scan(spec, natural_grid(spec, SPACING_MM, (level,))), folder / f"phantom{seed}")
        sources.append((place, level))
    lines = []
    for n in range(count):
        place, level = sources[n % DIFFERENT]
        scan, labels = place / "ct.nii.gz", (place / "labels.nii.gz",)
        side = "right" if n % 2 else "left"
        lines.append(CaseLine(f"c{n:03d}", scan, labels, level=(level,), side=side, patient=n))
    return lines


def spoilt(lines: Sequence[CaseLine], folder: Path, faults: int) -> list[CaseLine]:
    """The same with every so many a fault, its kind in the case's name."""
    every = max(len(lines) // max(faults, 1), 1)
    out, left = [], faults
    for n, line in enumerate(lines):
        if n % every or not left:
            out.append(line)
            continue
        kind, left = FAULTS[left % len(FAULTS)], left - 1
        scan = line.scan
        if kind in ("torn", "no scan"):
            scan = folder / f"{line.case}.nii.gz"
            whole = line.scan.read_bytes()
            scan.write_bytes(whole[: len(whole) // 2] if kind == "torn" else gzip.compress(b"no scan"))
        out.append(replace(line, case=f"{line.case}-{kind.replace(' ', '_')}", scan=scan))
    return out


def faulty(work: CaseWork) -> None:
    """A step that kills its worker or asks for too much memory where the case's name says so."""
    if work.line.case.endswith("kill_-9"):
        os.kill(os.getpid(), signal.SIGKILL)
    if work.line.case.endswith("memory_hog"):
        np.ones(int(1e12))


def timed(lines: Sequence[CaseLine], out: Path, workers: Workers) -> tuple[float, CohortResult]:
    """Seconds and rows of a cohort."""
    shutil.rmtree(out, ignore_errors=True)
    start = time.perf_counter()
    found = cohort(lines, out, CohortOptions(samples=100), workers, steps=(CohortStep("fault", faulty), *STEPS))
    return time.perf_counter() - start, found


def same_bytes(one: Path, other: Path) -> bool:
    """Do two cohorts' folders hold the same files with the same bytes?"""
    files = [{str(p.relative_to(f)): p.read_bytes() for p in f.rglob("*") if p.is_file()} for f in (one, other)]
    return files[0] == files[1]


def efficiency(lines: Sequence[CaseLine], folder: Path) -> None:
    """One worker against two, and the bytes of two against one after the other."""
    load = []
    took = {}
    for count in (1, 2):
        load.append(os.getloadavg()[0])
        took[count], found = timed(lines, folder / f"on{count}", Workers(count=count, memory_mb=WORKER_MB))
        print(f"{count} workers: {took[count]:.1f} s for {len(lines)} cases, {len(found.failed)} failed")
    load.append(os.getloadavg()[0])
    print(f"efficiency on 2 workers: {took[1] / (2 * took[2]):.3f}")
    print(f"load of the machine before, between, after: {', '.join(f'{one:.1f}' for one in load)}")
    print(f"same bytes: {same_bytes(folder / 'on1', folder / 'on2')}")


def faults(lines: Sequence[CaseLine], folder: Path, count: int) -> None:
    """Good and failed rows beside the faults put in."""
    bad = spoilt(lines, folder, count)
    put_in = Counter(line.case.partition("-")[2] for line in bad if "-" in line.case)
    took, found = timed(bad, folder / "faults", Workers(count=2, memory_mb=WORKER_MB))
    kinds = Counter(one.kind for record in found.failed for one in record.failures)
    wrong = [record.case for record in found.records if ("-" in record.case) != bool(record.failures)]
    print(f"{len(bad)} cases, faults put in: {dict(put_in)}; {took:.1f} s")
    print(f"good rows {len(bad) - len(found.failed)}, failed rows {len(found.failed)}: {dict(kinds)}")
    print(f"rows that are not as put in: {wrong or 'none'}")


def over_tcp(lines: Sequence[CaseLine], folder: Path) -> None:
    """A scheduler and a worker as processes of their own, spoken to by address."""
    port = 38786
    address = f"tcp://127.0.0.1:{port}"
    commands = (
        ["scheduler", "--host", "127.0.0.1", "--port", str(port), "--no-dashboard"],
        ["worker", address, "--nthreads", "1", "--no-dashboard", "--memory-limit", f"{WORKER_MB:.0f}MB"],
    )
    quiet = subprocess.DEVNULL
    started = [subprocess.Popen([sys.executable, "-m", "dask", *one], stdout=quiet, stderr=quiet) for one in commands]
    try:
        took, found = timed(lines, folder / "tcp", Workers(scheduler=address))
    finally:
        for one in reversed(started):
            one.terminate()
            one.wait(30)
    timed(lines, folder / "serial", Workers(serial=True))
    print(f"over {address}: {len(found.records) - len(found.failed)} of {len(lines)} cases good in {took:.1f} s")
    print(f"same bytes as one after the other: {same_bytes(folder / 'tcp', folder / 'serial')}")


def main() -> None:
    """Runs what is requested in a folder that is removed afterwards."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--cases", type=int, default=12)
    parser.add_argument("--faults", type=int, default=0)
    parser.add_argument("--tcp", action="store_true")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        lines = made_up_cases(folder, args.cases)
        if args.faults:
            faults(lines, folder, args.faults)
        elif args.tcp:
            over_tcp(lines, folder)
        else:
            efficiency(lines, folder)


if __name__ == "__main__":
    main()
