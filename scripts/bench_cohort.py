"""How well a cohort uses two workers, and what becomes of faults among its cases; on made-up spines.

    python scripts/bench_cohort.py --cases 12                    efficiency: one after the other against two workers
    python scripts/bench_cohort.py --cases 40 --faults 20        faults among good cases: rows counted
    python scripts/bench_cohort.py --cases 4 --tcp               a scheduler of its own, over TCP on loopback
    python scripts/bench_cohort.py --same ONE OTHER ...          do cohorts kept with --out hold the same bytes?

Efficiency is the time of one process without Dask over that of the workers times their number, both with the start of
their processes, workers, scheduler and command on as many processors as there are workers (where the system can pin
them); the machine's load stands beside it, for on a shared machine efficiency falls with what others do. Faults are
torn files, files that are none, cases whose worker is killed whenever it comes to them, and cases that take more and
more memory; beside them every tenth good case loses its worker once and must come out good all the same. A large
cohort is done in parts, each a process: `--serial --first 40 --cases 20 --out FOLDER`, on scans that `--scans FOLDER`
keeps.
"""

from __future__ import annotations

import argparse
import gzip
import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np

from canalwise.phantoms.cases.stenotic import stenotic_spec
from canalwise.phantoms.imaging.grids import natural_grid
from canalwise.phantoms.imaging.render import render_scan
from canalwise.phantoms.imaging.write import write_scan
from canalwise.recon.labels import vertebra_number
from canalwise.workbench.cohort.case_list import CaseLine
from canalwise.workbench.cohort.row_record import CohortOptions
from canalwise.workbench.cohort.steps import STEPS, CaseWork, CohortStep
from canalwise.workbench.cohort.whole_cohort import CohortResult, Workers, cohort
from canalwise.workbench.console.cohort_folder import CASES, ROWS

SPACING_MM = 2.0
"""Coarse, and one level alone in view: a case takes seconds."""

DIFFERENT = 3
"""Phantoms that are rendered; cases share them."""

WORKER_MB = 2500.0

FAULTS = ("torn", "no scan", "kill -9", "memory hog")

ONCE = "lost_once"
"""In the name of a case whose first worker is killed; it is no fault, for its row must be good."""

ONCE_EVERY = 10

PROGRESS_ROWS = 10

HOG_MB = 100
"""What a hog takes at a time, until it is refused."""


def made_up_scans(folder: Path) -> list[tuple[Path, str]]:
    """(scan's folder, its level) of each phantom, rendered unless they lie there."""
    found = []
    for seed in range(1, DIFFERENT + 1):
        spec, level = stenotic_spec(seed)
        place = folder / f"phantom{seed}"
        if not (place / "labels.nii.gz").is_file():
            scan = render_scan(spec, natural_grid(spec, SPACING_MM, (level,)))
            wanted = [vertebra_number(name) for name in level.split("-")]
            others = (scan.labels >= 100) & ~np.isin(scan.labels // 100, wanted)
            write_scan(replace(scan, labels=np.where(others, 0, scan.labels).astype(scan.labels.dtype)), place)
        found.append((place, level))
    return found


def made_up_cases(folder: Path, count: int) -> list[CaseLine]:
    """Cases of a few phantoms' scans and label maps."""
    sources = made_up_scans(folder)
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
            out.append(replace(line, case=f"{line.case}+{ONCE}") if n % ONCE_EVERY == 1 else line)
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
    """A step that kills its worker or takes more and more memory where the case's name says so."""
    name = work.line.case
    if name.endswith("kill_-9"):
        os.kill(os.getpid(), signal.SIGKILL)
    if name.endswith(ONCE):
        mark = work.folder.parent.parent / f"{name}.lost"
        if not mark.exists():
            mark.touch()
            os.kill(os.getpid(), signal.SIGKILL)
    if name.endswith("memory_hog"):
        taken = []
        while True:
            taken.append(np.ones(HOG_MB * 1_000_000 // 8))


def timed(lines: Sequence[CaseLine], out: Path, workers: Workers) -> tuple[float, CohortResult]:
    """Seconds and rows of a cohort; how far it is, every so many rows, on stderr."""
    shutil.rmtree(out, ignore_errors=True)
    start, done = time.perf_counter(), 0

    def one_more(count: int) -> None:
        nonlocal done
        done += count
        if done % PROGRESS_ROWS == 0:
            print(f"{out.name}: {done} rows in {time.perf_counter() - start:.1f} s", file=sys.stderr, flush=True)

    steps = (CohortStep("fault", faulty), *STEPS)
    found = cohort(lines, out, CohortOptions(samples=0), workers, steps=steps, progress=one_more)
    return time.perf_counter() - start, found


def results_of(out: Path, whole: bool) -> dict[str, bytes]:
    """Path -> bytes of what a cohort left: all of it, or its cases and rows alone."""
    parts = [out] if whole else [out / CASES, out / ROWS]
    return {str(p.relative_to(out)): p.read_bytes() for part in parts for p in part.rglob("*") if p.is_file()}


def same_bytes(one: Path, other: Path) -> bool:
    """Do two cohorts' folders hold the same files with the same bytes?"""
    return results_of(one, True) == results_of(other, True)


def compare(whole: Path, parts: Sequence[Path]) -> None:
    """Prints in how many files of cases that a cohort shares with others' bytes differ."""
    mine = results_of(whole, False)
    theirs = {name: held for part in parts for name, held in results_of(part, False).items()}
    shared = mine.keys() & theirs.keys()
    cases = {Path(name).parts[1] for name in shared if name.startswith(ROWS)}
    unlike = sorted(name for name in shared if mine[name] != theirs[name])
    print(f"{whole.name}: {len(cases)} cases also in {', '.join(part.name for part in parts)}; {len(shared)} files, "
          f"{len(unlike)} differ {unlike[:3] or ''}", flush=True)  # fmt: skip


def pinned(count: int) -> None:
    """This process and those it starts run on so many processors."""
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, sorted(os.sched_getaffinity(0))[:count])


def efficiency(lines: Sequence[CaseLine], folder: Path, count: int) -> None:
    """One case after the other against workers, on as many processors, and the bytes of both."""
    there = os.sched_getaffinity(0) if hasattr(os, "sched_getaffinity") else set()
    load = [os.getloadavg()[0]]
    pinned(1)
    alone, found = timed(lines, folder / "serial", Workers(serial=True))
    said("one after the other", alone, found)
    load.append(os.getloadavg()[0])
    if there:
        os.sched_setaffinity(0, there)
    pinned(count)
    together, found = timed(lines, folder / "workers", Workers(count=count, memory_mb=WORKER_MB))
    said(f"{count} workers", together, found)
    load.append(os.getloadavg()[0])
    print(f"efficiency on {count} workers: {alone / (count * together):.3f}")
    print(f"load of the machine before, between, after: {', '.join(f'{one:.1f}' for one in load)}")
    print(f"same bytes: {same_bytes(folder / 'serial', folder / 'workers')}", flush=True)


def said(how: str, took_s: float, found: CohortResult) -> None:
    """Prints a cohort's time and rows."""
    count = len(found.records)
    print(f"{how}: {took_s:.1f} s for {count} cases, {took_s / max(count, 1):.2f} s a case, "
          f"{len(found.failed)} failed", flush=True)  # fmt: skip


def faults(lines: Sequence[CaseLine], out: Path, put: int, count: int) -> None:
    """Good and failed rows beside the faults put in."""
    out.parent.mkdir(parents=True, exist_ok=True)
    bad = spoilt(lines, out.parent, put)
    put_in = Counter(line.case.partition("-")[2] for line in bad if "-" in line.case)
    once = sum(ONCE in line.case for line in bad)
    took, found = timed(bad, out, Workers(count=count, memory_mb=WORKER_MB))
    said(f"{count} workers", took, found)
    kinds = Counter((record.case.partition("-")[2], one.kind) for record in found.failed for one in record.failures)
    wrong = [record.case for record in found.records if ("-" in record.case) != bool(record.failures)]
    print(f"faults put in: {dict(put_in)}; cases that lose their first worker: {once}")
    print(f"good rows {len(bad) - len(found.failed)}, failed rows {len(found.failed)}: {dict(kinds)}")
    print(f"rows that are not as put in: {wrong or 'none'}", flush=True)


def over_tcp(lines: Sequence[CaseLine], out: Path, count: int) -> None:
    """A scheduler and workers as processes of their own, addressed over TCP."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    address = f"tcp://127.0.0.1:{port}"
    worker = ["worker", address, "--nthreads", "1", "--no-dashboard", "--memory-limit", f"{WORKER_MB:.0f}MB"]
    commands = (["scheduler", "--host", "127.0.0.1", "--port", str(port), "--no-dashboard"], *([worker] * count))
    quiet, root = subprocess.DEVNULL, Path(__file__).resolve().parents[1]
    started = [
        subprocess.Popen([sys.executable, "-m", "dask", *one], stdout=quiet, stderr=quiet, cwd=root) for one in commands
    ]
    try:
        said(f"{count} workers over {address.rpartition(':')[0]}", *timed(lines, out, Workers(scheduler=address)))
    finally:
        for one in reversed(started):
            one.terminate()
            one.wait(30)


def main() -> None:
    """Runs what is requested, in a folder that is removed afterwards unless it is named."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--cases", type=int, default=12)
    parser.add_argument("--first", type=int, default=0, help="leave out so many cases before")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--faults", type=int, default=0)
    parser.add_argument("--serial", action="store_true", help="one after the other, nothing else")
    parser.add_argument("--alone", action="store_true", help="workers of this machine, nothing else")
    parser.add_argument("--tcp", action="store_true")
    parser.add_argument("--scans", type=Path, help="folder of the made-up scans, kept")
    parser.add_argument("--out", type=Path, help="folder of the cohort, kept")
    parser.add_argument("--same", type=Path, nargs="+", help="folders of cohorts: compare the first with the others")
    args = parser.parse_args()
    if args.same:
        compare(args.same[0], args.same[1:])
        return
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        out = args.out or folder / "cohort"
        lines = made_up_cases(args.scans or folder, args.first + args.cases)[args.first :]
        if args.faults:
            faults(lines, out, args.faults, args.workers)
        elif args.tcp:
            over_tcp(lines, out, args.workers)
        elif args.serial:
            said("one after the other", *timed(lines, out, Workers(serial=True)))
        elif args.alone:
            said(f"{args.workers} workers", *timed(lines, out, Workers(count=args.workers, memory_mb=WORKER_MB)))
        else:
            efficiency(lines, folder, args.workers)


if __name__ == "__main__":
    main()
