"""canalwise chart: what another tilt, skin entry or instrument would cost, keep and reach."""

from __future__ import annotations

import argparse
from pathlib import Path

from canalwise.workbench.console.options import add_approach, add_case, add_json
from canalwise.workbench.console.output import CommandOutput
from canalwise.workbench.console.verb import Verb

ALL = "all"

ABOUT = """\
Ask "what if" about one plan, and draw the answers:

  angle       the entry tilted about its docking point, from -10 to 35 degrees: what is freed near
              and far, bone removed by structure, what stays of both joints, pars and spinous base,
              and how far across is reached. Shaded: the tilts at which at least 90 % of what
              presses is freed on each side with every limit kept.
  entry       for each place on the skin, mm lateral of the midline and mm cranial of the
              upper lamina's edge: the least bone that frees enough within the limits; and where
              that is not possible, why.
  instrument  the same against sleeve and tool diameter: from which one it no longer frees enough.

The plan is the one kept in the case for that level and side, or the usual start, or --plan.

examples:
  canalwise chart case --level L3-L4 --side left
  canalwise chart case --level L3-L4 --side left --kind angle --out charts
  canalwise chart case --plan case/plans/steeper.toml --kind entry --json

writes LEVEL-SIDE-KIND.png, .svg and .json in the folder results of the case unless --out says
otherwise; --json prints the same JSON, in which "nan" stands for what is not in view. Some seconds
for an angle chart, up to half a minute for all.
"""

SCHEMA = "canalwise.charts/1"


def options(parser: argparse.ArgumentParser) -> None:
    """CASE, the approach, the kind of chart and where the files go."""
    add_case(parser)
    add_approach(parser)
    parser.add_argument(
        "--kind", choices=("angle", "entry", "instrument", ALL), default=ALL, help="which chart (usual: all)"
    )
    parser.add_argument("--out", type=Path, metavar="FOLDER", help="where the files go (usual: results in the case)")
    add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Reads a case, works the charts out and writes them."""
    from canalwise.estimator.charts.all_charts import KINDS, charts_of
    from canalwise.estimator.level.prepared_level import prepared_level
    from canalwise.recon.case.folder import changing, read_case
    from canalwise.recon.disclaimer import CAUTION
    from canalwise.workbench.charts.chart_files import write_chart
    from canalwise.workbench.console.plan_store import kept_approach, noted_anatomy, of_anatomy, plan_name

    voice = CommandOutput(args.json)
    case = read_case(args.case)
    kept = kept_approach(case, args)
    plan, anatomy = kept.approach, noted_anatomy(case, kept)
    kinds = KINDS if args.kind == ALL else (args.kind,)
    out = args.out or case.folder / "results"
    with voice.busy("charting") as progress:
        progress("preparing the level")
        prepared = prepared_level(anatomy, plan.level)
        charts = charts_of(prepared, plan, kinds, say=progress)
        names = {kind: f"{plan_name(plan.level, plan.side)}-{kind}" for kind in charts}
        with changing(case):
            out.mkdir(parents=True, exist_ok=True)
            beside = of_anatomy(case, {})
            documents = {kind: write_chart(out, names[kind], chart, beside) for kind, chart in charts.items()}
    lines = [line for kind, chart in charts.items() for line in (str(chart), f"Wrote {names[kind]}.png, .svg, .json.")]
    warnings = [*case.notes, *anatomy.warnings, *prepared.level.warnings]
    voice.result({"schema": SCHEMA, "charts": documents, "warnings": warnings, "caution": CAUTION}, [*lines, CAUTION])
    voice.warn(warnings)
    return 0


VERB = Verb("chart", "what another tilt, skin entry or instrument would cost", ABOUT, options, run)
