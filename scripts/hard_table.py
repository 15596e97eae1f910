"""Tables of what `accuracy_hard` measured: by severity, with the worst cases by name."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from typing import Any

import numpy as np
from scipy import stats

Record = dict[str, Any]
WORST = 5

PARTS = (
    "body",
    "pedicle",
    "pars",
    "lamina",
    "spinous_base",
    "spinous_process",
    "superior_articular",
    "inferior_articular",
    "transverse",
)
EFFECTS = (
    "task bone removed %",
    "cone bone removed %",
    "ipsilateral facet area kept",
    "ipsilateral facet width kept",
    "contralateral facet area kept",
    "contralateral facet width kept",
    "reach mm",
    "share of targets reached",
)


def summary(records: Sequence[Record]) -> str:
    """The whole report as text."""
    blocks = [_outcomes(records)]
    for title, group in _groups(records):
        blocks.append(f"\n{title}\n" + _table(group))
    blocks.append("\nworst: " + "; ".join(f"{r['name']} ({badness(r):.2f})" for r in worst(records, WORST)))
    trouble = [r for r in records if r["outcome"] != "built" or "effect_crash" in r or "effect_message" in r]
    blocks += [f"{r['outcome']}: {r['name']}: {_said(r)}" for r in trouble]
    return "\n".join(blocks)


def _said(record: Record) -> str:
    return str(record.get("message") or record.get("effect_message") or record.get("effect_crash"))


def _groups(records: Sequence[Record]) -> Iterable[tuple[str, list[Record]]]:
    for severity in (1, 2, 3):
        group = [r for r in records if r["severity"] == severity]
        if group:
            yield f"severity {severity} ({len(group)} cases)", group
    yield f"all ({len(records)} cases)", list(records)


def _outcomes(records: Sequence[Record]) -> str:
    outcomes, names = Counter(r["outcome"] for r in records), Counter(r["names"] for r in records if "names" in r)
    crashes = sum("effect_crash" in r for r in records)
    return (
        f"{len(records)} cases: "
        + ", ".join(f"{n} {word}" for word, n in sorted(outcomes.items()))
        + "; names "
        + ", ".join(f"{n} {word}" for word, n in sorted(names.items()))
        + (f"; {crashes} crashed after the build" if crashes else "")
    )


def _table(records: Sequence[Record]) -> str:
    head = f"{'quantity':34}{'n':>5}{'median':>9}{'5 %':>9}{'95 %':>9}{'worst':>9}"
    rows = [_row(name, [v for r in records for v in pick(r)], low) for name, pick, low in _quantities()]
    joints = [r["joints"] for r in records if "joints" in r]
    found, missed = (sum(j[key] for j in joints) for key in ("joints_found", "joints_missed"))
    joined = f"joints found {found}, missed {missed}"
    return "\n".join([head, *filter(None, rows), joined, _covered(records), _ranked(records)])


def _ranked(records: Sequence[Record]) -> str:
    """Spearman's correlation of the least level confidence of a case with how bad it came out: -1 would be ideal."""
    pairs = [(min(r["confidence_frac"].values()), badness(r)) for r in records if r.get("confidence_frac")]
    if len(pairs) < 4 or len({sure for sure, _ in pairs}) < 2:
        return "confidence against badness: too few"
    ranked = stats.spearmanr([sure for sure, _ in pairs], [bad for _, bad in pairs]).statistic
    return f"confidence against badness, rank correlation: {ranked:.2f}"


def _covered(records: Sequence[Record]) -> str:
    """Share of 95 % intervals that hold the truth, by number."""
    held: dict[str, list[bool]] = {}
    for record in records:
        for name, each in record.get("covered", {}).items():
            held.setdefault(name, []).extend(each)
    reported = (f"{name} {np.mean(each):.0%} of {len(each)}" for name, each in held.items())
    return "intervals that hold the truth: " + (", ".join(reported) or "none")


Pick = Callable[[Record], list[float]]


def _listed(section: str, key: str) -> Pick:
    """Values under a key of a section of each record."""
    return lambda record: list(record.get(section, {}).get(key, []))


def _percent(section: str, key: str) -> Pick:
    """Shares under a key of a section of each record, in percent."""
    return lambda record: [100 * value for value in record.get(section, {}).get(key, [])]


def _single(section: str, key: str) -> Pick:
    """The one value under a key of a section of each record."""
    return lambda record: [record[section][key]] if key in record.get(section, {}) else []


def _quantities() -> list[tuple[str, Pick, bool]]:
    """Name, the values of a record, and whether less is worse (Dice) or farther from zero is (errors)."""
    found: list[tuple[str, Pick, bool]] = [("vertebra Dice", lambda r: list(r.get("vertebra_dice", {}).values()), True)]
    found += [(f"{part.replace('_', ' ')} Dice", _listed("part_dice", part), True) for part in PARTS]
    found += [(f"{at} %", _percent("areas", at), False) for at in ("canal at disc", "canal at pedicle")]
    found += [(f"joint {name}", _listed("joints", name), False) for name in ("angle_deg", "gap_mm", "area_frac")]
    found += [(name, _single("effect", name), False) for name in EFFECTS]
    found.append(("level confidence", lambda r: list(r.get("confidence_frac", {}).values()), True))
    found.append(("build s", lambda r: [r["build_s"]] if "build_s" in r else [], False))
    return found


def _row(name: str, values: Sequence[float], less_is_worse: bool) -> str:
    if not values:
        return ""
    low, middle, high = np.percentile(values, [5, 50, 95])
    worst_one = min(values) if less_is_worse else max(values, key=abs)
    return f"{name:34}{len(values):5d}{middle:9.3f}{low:9.3f}{high:9.3f}{worst_one:9.3f}"


def badness(record: Record) -> float:
    """How bad a case came out: refused 1, crashed 2, else the least overlap's lack and what the errors cost a plan.

    That is the relative error of the bone removed and the worst error of a joint's surface kept; unknown ones count 1.

    >>> badness({"outcome": "built", "vertebra_dice": {"L3": 0.9}, "effect": {"task bone removed %": 5.0}}).__round__(3)
    0.15
    """
    if record["outcome"] != "built":
        return {"crashed": 2.0, "refused": 1.0}.get(record["outcome"], 0.0)
    lack = 1.0 - min(record["vertebra_dice"].values(), default=0.0)
    effect = record.get("effect", {})
    bone = min(abs(effect.get("task bone removed %", 100.0)) / 100.0, 1.0)
    joints = max((abs(value) for name, value in effect.items() if name.endswith("facet area kept")), default=0.0)
    return float(lack + bone + joints + 0.5 * (record.get("names") in ("wrong", "shifted", "guessed")))


def worst(records: Iterable[Record], count: int) -> list[Record]:
    """The worst built cases first."""
    return sorted((r for r in records if r["outcome"] == "built"), key=badness, reverse=True)[:count]
