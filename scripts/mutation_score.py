#!/usr/bin/env python3
"""Mutants of the estimator's core, drawn at random, and how many of them the tests of their room notice.

    .venv/bin/python scripts/mutation_score.py --count 300 --share 0/16 --records mutants.jsonl
    .venv/bin/python scripts/mutation_score.py --report mutants.jsonl

Needs the package cosmic-ray, whose operators change the code (`pip install .[mutation]`). Each mutant is written into
the checkout this script lies in and taken back afterwards: run it on a copy. `--share` i/n takes every n-th mutant from
the i-th on, so that n copies share the work. A mutant counts as noticed when a test fails or takes longer than
TIMEOUT_S. Before any of them the tests are asked about the code as it is; where they fail nothing is counted, for then
every mutant would seem to be noticed. Modules with compiled kernels are left out: what other modules compiled would
still hold the kernel before the change.
"""

from __future__ import annotations

import argparse
import collections
import contextlib
import json
import random
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]

ROOMS = {
    "removal": ("removal", "estimate"),
    "decompression": ("resection", "outcome"),
    "outcome": ("outcome", "resection", "execution"),
    "execution": ("execution",),
    "estimate": ("estimate", "../laws/test_first_limit.py", "../laws/test_task.py"),
    "level": ("level", "estimate", "batch", "../laws/test_task.py"),
    "planning": ("planning",),
    ".": ("estimate", "test_interval.py"),
}
"""Rooms of the estimator that are changed, and the tests of the estimator, beside the module's own examples, that are
asked about each; the floor's own values (limits, intervals) are the last."""

WORDS_ONLY = ("_json", "rules", "limits", "_values", "__init__")
"""Ends of modules that hold records, field names and words, of which a mutant says little."""

OPERATORS = (
    "ReplaceBinaryOperator",
    "ReplaceComparisonOperator",
    "ReplaceUnaryOperator",
    "NumberReplacer",
    "ReplaceTrueWithFalse",
    "ReplaceFalseWithTrue",
    "ReplaceAndWithOr",
    "ReplaceOrWithAnd",
    "AddNot",
    "ZeroIterationForLoop",
    "ReplaceBreakWithContinue",
    "ReplaceContinueWithBreak",
)
"""Starts of the names of the operators used: sums, comparisons, signs, constants, conditions, loops."""

PLAIN_FAILURES = (
    "FloorDiv",
    "Mod",
    "Pow",
    "Shift",
    "BitOr",
    "BitAnd",
    "BitXor",
    "Is",
    "IsNot",
    "Invert",
    "UAdd",
    "Not",
)
"""Ends of the names of those left out: most such changes stop at a wrong type, which any test notices."""

TIMEOUT_S = 150.0


def modules() -> Iterator[tuple[Path, tuple[str, ...]]]:
    """(module, names of its tests) of each module that is changed."""
    for room, tests in ROOMS.items():
        for path in sorted((ROOT / "estimator" / room).glob("*.py")):
            if not path.stem.endswith(WORDS_ONLY) and "@njit" not in path.read_text():
                yield path, tests


def all_mutants() -> list[tuple[str, tuple[str, ...], str, int]]:
    """(module, tests, operator, occurrence) of every mutant there could be, annotations left alone."""
    from cosmic_ray import ast
    from cosmic_ray.plugins import get_operator, operator_names

    found = []
    names = [n for n in operator_names() if n.partition("/")[2].startswith(OPERATORS)]
    names = [n for n in names if n.endswith("AddNot") or not n.endswith(PLAIN_FAILURES)]
    names = [n for n in names if "Operator_Bit" not in n]
    for path, tests in modules():
        tree = ast.get_ast(path.read_text())
        for name in names:
            operator = get_operator(name)()
            spots = (spot for node in ast.ast_nodes(tree) for spot in operator.mutation_positions(node))
            found += [(str(path.relative_to(ROOT)), tests, name, n) for n, _ in enumerate(spots)]
    return found


@contextlib.contextmanager
def changed(path: Path, operator: str, occurrence: int) -> Iterator[tuple[str, str]]:
    """The module's text before and after one change, which lies in the checkout meanwhile."""
    from cosmic_ray.mutating import mutate_code
    from cosmic_ray.plugins import get_operator

    before = path.read_text()
    after = mutate_code(before, get_operator(operator)(), occurrence) or before
    path.write_text(after)
    try:
        yield before, after
    finally:
        path.write_text(before)


def is_noticed(module: str, tests: tuple[str, ...]) -> bool:
    """Whether one of the tests, or an example of the module's own, fails."""
    places = [f"canalwise/{module}", *(str(ROOT / "tests" / "estimator" / one) for one in tests)]
    command = [sys.executable, "-m", "pytest", "-x", "-q", "-W", "error", "-n0", "-p", "no:cacheprovider", *places]
    try:
        done = subprocess.run(command, cwd=ROOT, capture_output=True, timeout=TIMEOUT_S, check=False)
    except subprocess.TimeoutExpired:
        return True
    return done.returncode == 1 or done.returncode == 2


def line_changed(before: str, after: str) -> str:
    """'old -> new' of the first line that differs."""
    pairs = zip(before.splitlines(), after.splitlines(), strict=False)
    return next((f"{a.strip()} -> {b.strip()}" for a, b in pairs if a != b), "")


def run(count: int, seed: int, share: tuple[int, int], records: Path, seconds: float, room: str) -> None:
    """Try this share of the mutants drawn, writing a record of each as it comes."""
    sound: dict[tuple[str, ...], bool] = {}
    mutants = [one for one in all_mutants() if one[0].startswith(f"estimator/{room}")]
    drawn = random.Random(seed).sample(mutants, min(count, len(mutants)))
    start = time.monotonic()
    for module, tests, operator, occurrence in drawn[share[0] :: share[1]]:
        if time.monotonic() - start > seconds:
            return
        if tests not in sound:
            sound[tests] = not is_noticed(module, tests)
        if not sound[tests]:
            sys.exit(
                f"The tests {', '.join(tests)} fail, or take too long, on the code as it is: nothing can be counted."
            )
        with changed(ROOT / module, operator, occurrence) as (before, after):
            if after == before:
                continue
            noticed = is_noticed(module, tests)
        line = {"module": module, "operator": operator, "noticed": noticed, "line": line_changed(before, after)}
        with records.open("a") as file:
            file.write(json.dumps(line) + "\n")


def report(records: Path) -> None:
    """Print the share noticed by room, and the lines of the mutants that were not."""
    lines = [json.loads(line) for line in records.read_text().splitlines()]
    rooms = collections.defaultdict(list)
    for line in lines:
        rooms[line["module"].split("/")[1]].append(line["noticed"])
    for room, noticed in sorted(rooms.items()):
        print(f"{room:20} {sum(noticed):4} of {len(noticed):4} noticed")
    print(f"{'all':20} {sum(line['noticed'] for line in lines):4} of {len(lines):4} noticed")
    for line in lines:
        if not line["noticed"]:
            print(f"  {line['module']}: {line['line']}")


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=str(__doc__).splitlines()[0])
    parser.add_argument("--count", type=int, default=300, help="mutants drawn of all there could be")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--share", default="0/1", help="i/n: every n-th of them from the i-th on")
    parser.add_argument("--records", type=Path, default=Path("mutants.jsonl"))
    parser.add_argument("--room", default="", help="only modules whose place in estimator begins so")
    parser.add_argument("--seconds", type=float, default=1e9, help="begin no mutant after that")
    parser.add_argument("--report", type=Path, help="only print what these records say")
    options = parser.parse_args()
    if options.report:
        report(options.report)
    else:
        first, of = (int(part) for part in options.share.split("/"))
        run(options.count, options.seed, (first, of), options.records, options.seconds, options.room)


if __name__ == "__main__":
    main()
