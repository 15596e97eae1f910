"""Writes the rehearsal page's words and colours from those of the commands: its files `*.generated.*`.

The page words its numbers itself, since they change while a control is dragged; its words are those of
`workbench.style.phrases` and `workbench.console.tables`. This script asks their functions, with values that stand out,
and puts the name of each value in its place: so the functions stay the one source, and a sentence that is changed there
is changed here by running this. The file is committed, since a page is built where the workbench's libraries are not
installed; tests/workbench/rehearsal/test_page_words.py fails while it is not current. `--check` only says whether it
is.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping
from pathlib import Path

from canalwise.estimator.approach.approach import Phase
from canalwise.workbench.console.freed_tables import LEAST_SURE, MET, UNLIKELY, UNLIKELY_FRAC, chance_words
from canalwise.workbench.console.tables import (
    LIMIT_COLUMNS,
    chance_line,
    headline_rows,
    reach_line,
    stands,
    task_rows,
)
from canalwise.workbench.style.palette import BONE_SHADES, HUES, KEPT_SHADES, PHASES, STACK, STRUCTURES
from canalwise.workbench.style.phrases import (
    EVIDENCE,
    MINUS,
    UNITS,
    cranial_tilt_words,
    cranial_words,
    interval,
    joined,
    lateral_words,
    limit_words,
    medial_tilt_words,
    number,
    percent,
    with_interval,
)

SOURCES = Path(__file__).resolve().parents[1] / "workbench" / "page" / "src"
TARGET = SOURCES / "model" / "phrases.generated.ts"

HEAD = """// Words that the page shares with the commands, made by scripts/page_phrases.py from
// workbench/style/phrases.py and workbench/console/tables.py, not by hand.
// "{name}" stands for a value, put in by `filled` of phrases.ts.
"""

Phrases = Mapping[str, object]


def phrases_source() -> str:
    """The TypeScript module that holds every phrase."""
    lines = [f"  {name}: {json.dumps(phrase, ensure_ascii=True)}," for name, phrase in phrases().items()]
    return "\n".join([HEAD, "export const PHRASES = {", *lines, "} as const;", ""])


COLOUR_HEAD = "The colours of workbench/style/palette.py, made by scripts/page_phrases.py, not by hand."


def hues_source() -> str:
    """The TypeScript module that holds the table of colours."""
    named = {name: {"meaning": hue.meaning, "paint": hue.paint, "line": hue.line} for name, hue in HUES.items()}
    lists = {
        "HUES": named,
        "PHASES": list(PHASES.values()),
        "STACK_NAMES": list(STACK),
        "STACK_COLOURS": list(STRUCTURES),
        "BONE_SHADES": list(BONE_SHADES),
        "KEPT_SHADES": list(KEPT_SHADES),
    }
    lines = [f"export const {name} = {json.dumps(value)} as const;" for name, value in lists.items()]
    return "\n".join([f"// {COLOUR_HEAD}", "", *lines, ""])


def hues_style() -> str:
    """The style sheet that names the colours: as paint, and as lines on the background of the theme."""
    dark = [f"  --{name}: {hue.paint};\n  --{name}-paint: {hue.paint};" for name, hue in HUES.items()]
    light = [f"  --{name}: {hue.line};" for name, hue in HUES.items()]
    themed = [":root {", *dark, "}", ':root[data-theme="light"] {', *light, "}"]
    return "\n".join([f"/* {COLOUR_HEAD} */", *themed, ""])


def generated() -> dict[Path, str]:
    """File -> what it must hold."""
    return {
        TARGET: phrases_source(),
        SOURCES / "pictures" / "hues.generated.ts": hues_source(),
        SOURCES / "css" / "hues.generated.css": hues_style(),
    }


def phrases() -> Phrases:
    """Name -> text, sentence with named gaps, or table of texts."""
    return {"evidence": EVIDENCE, **_numbers(), **_verdicts(), **_estimate(), **_places()}


def gapped(sentence: str, **values: str) -> str:
    """A sentence with the name of each value in its place; raises ValueError where a value is not there just once.

    >>> gapped("12 mm of the midline", mm="12")
    '{mm} mm of the midline'
    """
    for name, value in values.items():
        if sentence.count(value) != 1:
            raise ValueError(f"'{value}' must stand in '{sentence}' just once")
        sentence = sentence.replace(value, f"{{{name}}}")
    return sentence


def _numbers() -> Phrases:
    between = interval([1.0, 2.0])
    return {
        "minus": MINUS,
        "units": UNITS,
        "notKnown": number(None),
        "percent": gapped(percent(0.5), value="50"),
        "interval": gapped(between, low="1", high="2"),
        "withInterval": gapped(with_interval("@value", [1.0, 2.0]), value="@value", interval=between),
        "none": joined([]),
        "listLast": gapped(joined(["@first", "@last"]), first="@first", last="@last"),
        "listComma": joined(["@a", "@b", "@c"]).removeprefix("@a").partition("@b")[0],
        "leastSure": LEAST_SURE,
        "unlikelyFrac": UNLIKELY_FRAC,
        "unlikely": UNLIKELY,
        "surerThan": gapped(chance_words(1.0), value="99"),
        "lessThan": gapped(chance_words(0.0), value="1"),
        "chanceUnknown": chance_words(None),
    }


def _verdicts() -> Phrases:
    return {
        "limitColumns": LIMIT_COLUMNS,
        "kept": MET[True],
        "breached": MET[False],
        "notMeasured": MET[None],
        "withinError": stands({"met": True, "within_error": True}).removeprefix(MET[True]),
    }


def _estimate() -> Phrases:
    bone = {"bone_removed_mm3": {"total": 1.0}}
    rows = headline_rows({"task": bone, "cone": bone, "facet_preserved": {}})
    (_, out_of_view, _) = task_rows({"task": {"targets": {"@": None}}})[0]
    reported = {"all_limits": 0.11, "all_targets": 0.22, "all": 0.33, "wanted": ["@wanted"], "enough_frac": 0.77}
    (chances,) = chance_line({"chances": reported, "samples": "@samples"})
    gaps = {"limits": "11 %", "targets": "22 %", "both": "33 %", "enough": "77 %"}
    reach = reach_line({"contralateral_reach": {"lateral_mm": 12.5, "limited_by": "@limit"}})
    return {
        "boneRow": rows[0][0],
        "facetSurfaceRow": gapped(rows[1][0], relation="ipsilateral"),
        "facetWidthRow": gapped(rows[2][0], relation="ipsilateral"),
        "outOfView": out_of_view,
        "chances": gapped(chances, samples="@samples", wanted="@wanted", **gaps),
        "reach": gapped(reach, reach="12.5 mm", limited=limit_words("@limit")),
        "reachUnknown": reach_line({"contralateral_reach": None}),
        "limitedBy": gapped(limit_words("@limit"), limit="@limit"),
        "limitedByNothing": limit_words("nothing").replace("nothing", "{limit}"),
    }


def _places() -> Phrases:
    def medial(tilt_deg: float) -> str:
        return medial_tilt_words(Phase("ipsilateral", tilt_deg)).partition(" ")[2]

    def cranial(tilt_deg: float) -> str:
        return cranial_tilt_words(Phase("ipsilateral", 0.0, cranial_tilt_deg=tilt_deg)).partition(" ")[2]

    return {
        "besideMidline": gapped(lateral_words(12.0, "left"), mm="12", side="left"),
        "cranialOf": gapped(cranial_words(12.0, "@landmark"), mm="12", landmark="@landmark"),
        "caudalOf": gapped(cranial_words(-12.0, "@landmark"), mm="12", landmark="@landmark"),
        "straightVentral": medial(0.0),
        "tipLateral": medial(-10.0),
        "tipCranial": cranial(10.0),
        "tipCaudal": cranial(-10.0),
    }


def main() -> int:
    """Writes the file, or with `--check` answers whether it is current."""
    if "--check" not in sys.argv[1:]:
        for target, source in generated().items():
            target.write_text(source, encoding="utf-8")
        return 0
    stale = [
        target.name
        for target, source in generated().items()
        if not target.is_file() or target.read_text(encoding="utf-8") != source
    ]
    if stale:
        print(f"{', '.join(stale)}: not current, run scripts/page_phrases.py", file=sys.stderr)
    return 1 if stale else 0


if __name__ == "__main__":
    raise SystemExit(main())
