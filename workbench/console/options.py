"""Options that several verbs share, and how they become an approach."""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from dataclasses import fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from canalwise.estimator.approach.approach import PHASE_RELATION, Approach, Phase
from canalwise.estimator.approach.error_presets import EXPERIENCES, GUIDANCES, USUAL
from canalwise.estimator.approach.instrument import Channel
from canalwise.estimator.level.target_names import NAMES, named
from canalwise.recon.errors import WrongUse
from canalwise.recon.labels import SIDES

if TYPE_CHECKING:
    from canalwise.estimator.decompression.room import Breadth

CHANNEL_OPTIONS = tuple(field.name for field in fields(Channel))
"""Options named after the fields of `Channel`, with their units."""

FIRST_PHASE, *LATER_PHASES = PHASE_RELATION

TILT_HELP = {
    "medial_tilt_deg": f"tilt of the {FIRST_PHASE} phase in the level's axial plane: 0 = straight ventral, "
    "positive = tip toward the other side",
    "cranial_tilt_deg": f"tilt of the {FIRST_PHASE} phase: positive = tip cranial",
}
"""Field of the first phase -> help of its option; later phases have options of their own."""

PHASE_OPTIONS = {field: (FIRST_PHASE, field) for field in TILT_HELP} | {
    f"{phase.replace(' ', '_')}_{field}": (phase, field) for phase in LATER_PHASES for field in TILT_HELP
}
"""Option -> phase and field that it sets."""

CHANNEL_HELP = {
    "sleeve_diameter_mm": "outer diameter of the sleeve",
    "scope_diameter_mm": "outer diameter of the endoscope",
    "tool_diameter_mm": "diameter of the burr or punch that passes on beyond the sleeve",
    "working_length_mm": "longest reach from the pivot",
    "working_distance_mm": "the scope's tip is held this far short of what the tool touches",
    "lens_angle_deg": "viewing angle of the lens",
}


def add_json(parser: argparse.ArgumentParser) -> None:
    """--json."""
    parser.add_argument(
        "--json", action="store_true", help="print the result as JSON on stdout, and nothing else there"
    )


def add_case(parser: argparse.ArgumentParser) -> None:
    """The case folder."""
    parser.add_argument(
        "case", type=Path, metavar="CASE", help="a case folder made by 'canalwise build' or 'canalwise demo'"
    )


def add_level(parser: argparse.ArgumentParser) -> None:
    """--level."""
    parser.add_argument("--level", required=True, metavar="L3-L4", help="the level, as upper and lower vertebra")


def add_corrections(parser: argparse.ArgumentParser) -> None:
    """--replace, --seed and --keep-file-names."""
    which = parser.add_argument_group(
        "corrections",
        "A structure painted elsewhere takes the place of the one that was found; points steer the search. Both are "
        "recorded in the case, a map by its checksum.",
    )
    which.add_argument(
        "--replace",
        action="append",
        default=[],
        metavar="WHAT=FILE",
        help="structure and its label map (all that is not 0): canal, sac, flavum, L4, 'L4 lamina left', 'L3-L4 disc'",
    )
    which.add_argument(
        "--seed",
        action="append",
        default=[],
        metavar="WHAT=X,Y,Z",
        help="a point, RAS mm, in the canal, in vertebra:L4 or in disc:L4-L5",
    )
    which.add_argument(
        "--keep-file-names", action="store_true", help="record the maps' file names too; they may name the patient"
    )


def add_strict(parser: argparse.ArgumentParser) -> None:
    """--strict."""
    parser.add_argument(
        "--strict", action="store_true", help="end with exit status 4 when a plan is not freed and kept"
    )


def add_approach(parser: argparse.ArgumentParser, task: bool = True) -> None:
    """--plan, or --level and --side with tilts and instrument; --task where it decides anything."""
    which = parser.add_argument_group(
        "the approach",
        "Either a plan file, or a level and a side from which a usual start is "
        "constructed on this anatomy; single values of it can then be changed.",
    )
    which.add_argument("--plan", type=Path, metavar="FILE", help="a plan (TOML) as 'canalwise estimate' writes it")
    which.add_argument("--level", metavar="L3-L4", help="the level, as upper and lower vertebra")
    which.add_argument("--side", choices=SIDES, help="the patient's side of the skin entry")
    for name in PHASE_OPTIONS:
        which.add_argument(option(name), type=float, metavar="DEG", help=_tilt_help(name))
    which.add_argument(
        "--sweep-half-angle-deg", type=float, metavar="DEG", help="half-angle of the cone about each phase's axis"
    )
    which.add_argument("--pivot-distance-mm", type=float, metavar="MM", help="pivot to docking point")
    for name in CHANNEL_OPTIONS:
        unit = "DEG" if name.endswith("_deg") else "MM"
        which.add_argument(option(name), type=float, metavar=unit, help=CHANNEL_HELP.get(name, name.replace("_", " ")))
    words = ", ".join(name.replace(" ", "-") for name in NAMES)
    if task:
        task_help = f"what is to be touched, of {words} (usual: all of it)"
        which.add_argument("--task", metavar="NAME[,NAME...]", help=task_help)


BREADTHS = ("central", "with-recesses", "with-foramen")
"""How much of the canal is to be freed, as options have it."""


def add_breadth(parser: argparse.ArgumentParser) -> None:
    """--breadth."""
    parser.add_argument("--breadth", choices=BREADTHS, default=BREADTHS[1],
                        help="how much of the canal is to be freed [%(default)s]")  # fmt: skip


def breadth_of(args: argparse.Namespace) -> Breadth:
    """The breadth of the options.

    >>> breadth_of(argparse.Namespace(breadth="with-recesses"))
    'with recesses'
    """
    from canalwise.estimator.search.search_task import check_breadth

    return check_breadth(args.breadth.replace("-", " "))


def add_trial(parser: argparse.ArgumentParser) -> None:
    """--samples, --seed, --no-intervals, and who executes it."""
    which = parser.add_argument_group(
        "intervals and chances",
        "Borders and execution are varied at random; the same samples and seed give the same numbers.",
    )
    which.add_argument("--samples", type=int, default=1000, metavar="N", help="how many samples [%(default)s]")
    which.add_argument("--seed", type=int, default=0, metavar="N", help="where the samples start from [%(default)s]")
    which.add_argument("--no-intervals", action="store_true", help="leave intervals and chances out: faster")
    usual_guidance, usual_experience = USUAL
    which.add_argument(
        "--guidance",
        choices=GUIDANCES,
        default=usual_guidance,
        help="how the path to the bone is found; with fluoroscopy the docking is felt on bone [%(default)s]",
    )
    which.add_argument(
        "--experience", choices=EXPERIENCES, default=usual_experience, help="who carries it out [%(default)s]"
    )


def _tilt_help(name: str) -> str:
    """Help of an option that tilts a phase."""
    phase, field = PHASE_OPTIONS[name]
    return TILT_HELP[field] if phase == FIRST_PHASE else f"the same for the {phase.replace(' ', '-')} phase"


def option(name: str) -> str:
    """The option of a field.

    >>> option("medial_tilt_deg")
    '--medial-tilt-deg'
    """
    return "--" + name.replace("_", "-")


def task_of(args: argparse.Namespace) -> tuple[str, ...]:
    """The sets of targets that are to be touched; all of them where none is named.

    >>> task_of(argparse.Namespace(task="roof,contralateral-recess"))
    ('contralateral recess', 'roof')
    """
    return NAMES if args.task is None else named(args.task)


def channel_of(args: argparse.Namespace) -> Channel:
    """The instrument of the options, defaults for the rest."""
    changes = {name: getattr(args, name) for name in CHANNEL_OPTIONS}
    return Channel(**{name: value for name, value in changes.items() if value is not None})


def single_values(args: argparse.Namespace) -> dict[str, float]:
    """The options given that change one value of an approach; an option that is left out changes nothing."""
    names = (*PHASE_OPTIONS, "sweep_half_angle_deg", "pivot_distance_mm", *CHANNEL_OPTIONS)
    return {name: getattr(args, name) for name in names if getattr(args, name) is not None}


def changed(approach: Approach, changes: Mapping[str, float]) -> Approach:
    """The approach with the single values of the options.

    >>> phases = (Phase("ipsilateral", 0.0), Phase("over the top", 18.0))
    >>> start = Approach("L3-L4", "left", (8.0, 12.0, 0.0), 50.0, phases)
    >>> [phase.medial_tilt_deg for phase in changed(start, {"over_the_top_medial_tilt_deg": 21.0}).phases]
    [0.0, 21.0]
    """
    phases = tuple(replace(phase, **_phase_values(phase, changes)) for phase in approach.phases)
    pivot_mm = changes.get("pivot_distance_mm", approach.pivot_distance_mm)
    channel = replace(approach.channel, **{name: changes[name] for name in CHANNEL_OPTIONS if name in changes})
    return replace(approach, phases=phases, pivot_distance_mm=pivot_mm, channel=channel)


def _phase_values(phase: Phase, changes: Mapping[str, float]) -> dict[str, Any]:
    values = {
        field: changes[name]
        for name, (which, field) in PHASE_OPTIONS.items()
        if which == phase.name and name in changes
    }
    if "sweep_half_angle_deg" in changes:
        values["sweep_half_angle_deg"] = changes["sweep_half_angle_deg"]
    return values


def checked_choice(args: argparse.Namespace) -> None:
    """Refuses a call that names neither a plan nor a level and a side, or both.

    >>> nothing = dict.fromkeys((*PHASE_OPTIONS, "sweep_half_angle_deg", "pivot_distance_mm", *CHANNEL_OPTIONS))
    >>> checked_choice(argparse.Namespace(plan=None, level="L3-L4", side="left", **nothing))
    """
    # a plan with other values on top of it would be an approach that no file keeps
    if args.plan and (args.level or args.side or single_values(args)):
        raise WrongUse("--plan", "must be given alone", do="Change the values in the plan file, or leave --plan out.")
    if not args.plan and not (args.level and args.side):
        raise WrongUse(
            "the approach",
            "must be given",
            do="Give --level and --side, such as --level L3-L4 --side left, or --plan FILE.",
        )


def add_label_maps(parser: argparse.ArgumentParser, what: str, of: str = "") -> None:
    """--labels and --label-names, or with `of` "mr-" those of an MR beside the scan."""
    parser.add_argument(f"--{of}labels", type=Path, action="extend", nargs="+", default=[], metavar="FILE", help=what)
    parser.add_argument(
        f"--{of}label-names", type=Path, metavar="TOML", help="file that maps their values to our names"
    )


def add_reading(parser: argparse.ArgumentParser) -> None:
    """--series, --accept-thick and --accept-tilt: how a scan is read."""
    parser.add_argument("--series", type=int, metavar="N", help="which of several series in the folder")
    parser.add_argument("--accept-thick", action="store_true", help="read slices over 5 mm apart all the same")
    parser.add_argument(
        "--accept-tilt", action="store_true", help="resample a leaning stack (gantry tilt) to right angles"
    )
