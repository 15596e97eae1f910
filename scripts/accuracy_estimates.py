"""How close an estimate comes to the truth of phantoms: removed volume, facets, reach, areas.

Each case of `phantoms.cases.suite` is rendered to a CT with noise and blur, its labels are given, the default approach
is estimated, and the same geometry is evaluated by the phantom's own functions. Prints a line per
case and then the median and worst error of each quantity beside its target.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import defaultdict
from concurrent.futures import ProcessPoolExecutor

import numpy as np

from canalwise.phantoms.cases.suite import SuiteCase, phantom_suite
from canalwise.workbench.validation.estimate_errors import TARGETS, errors_of


def _timed(case: SuiteCase) -> tuple[SuiteCase, dict[str, list[float]], float]:
    start = time.perf_counter()
    return case, errors_of(case), time.perf_counter() - start


def _line(case: SuiteCase, errors: dict[str, list[float]], seconds: float) -> str:
    worst = (f"{name} {max(values, key=abs):+.3f}" for name, values in errors.items() if values)
    return f"{case.name} [{seconds:.0f} s]: " + ", ".join(worst)


def main() -> None:
    """Run the cases and print both tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--only", default="", help="cases whose name holds this text")
    parser.add_argument("--jobs", type=int, default=2, help="processes at once (about 1.5 GB each)")
    options = parser.parse_args()
    cases = [case for case in phantom_suite() if options.only in case.name]
    gathered: dict[str, list[float]] = defaultdict(list)
    with ProcessPoolExecutor(options.jobs) as pool:
        for case, errors, seconds in pool.map(_timed, cases):
            print(_line(case, errors, seconds), file=sys.stderr, flush=True)
            for name, values in errors.items():
                gathered[name] += values
    print(f"{len(cases)} phantoms")
    print(f"{'quantity':24}{'median':>9}{'worst':>9}{'target':>9}")
    for name, values in gathered.items():
        size = np.abs(values)
        print(f"{name:24}{np.median(size):9.3f}{size.max():9.3f}{TARGETS[name]:9.2f}")


if __name__ == "__main__":
    main()
