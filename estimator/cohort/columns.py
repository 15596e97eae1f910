"""The columns of a cohort's table: each a name with its unit and the place of its number in a case's JSON documents.

A place is `document.key.key...`, a whole number steps into a list. What a document lacks is None, so that results of
older and newer versions stand in one table. A measurement of a level stands under `measured.NAME of STRUCTURE`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

Kind = Literal["number", "text", "yes or no"]

Value = float | str | bool | None

KINDS: Mapping[Kind, tuple[type, ...]] = {"number": (int, float), "text": (str,), "yes or no": (bool,)}
"""What a value of each kind is in JSON."""


@dataclass(frozen=True)
class TableColumn:
    """One column.

    Parameters
    ----------
    name : with the unit at its end, where there is one
    places : where it stands; the first that holds a value counts
    meaning : in words, for the schema and the page
    kind : what it holds
    interval : places of the (low, high) list of its 95 % interval; columns NAME_low and NAME_high hold them
    """

    name: str
    places: tuple[str, ...]
    meaning: str
    kind: Kind = "number"
    interval: tuple[str, ...] = ()

    @property
    def ends(self) -> tuple[str, ...]:
        """Names of the columns of its interval's ends; none where it has no interval.

        >>> TableColumn("reach_mm", (), "", interval=("interval95",)).ends
        ('reach_mm_low', 'reach_mm_high')
        """
        return (f"{self.name}_low", f"{self.name}_high") if self.interval else ()


_BONE, _FREED = "estimate.resection.bone_removed_mm3", "estimate.freed"


def _kept(relation: str) -> TableColumn:
    where = f"estimate.resection.facet_preserved.{relation}"
    words = f"{relation} facet joint: share of its surface that stays"
    return TableColumn(f"facet_kept_{relation}_frac", (f"{where}.area_frac",), words, interval=(f"{where}.interval95",))


def _freed_on(relation: str, words: str) -> TableColumn:
    ends = (f"{_FREED}.interval95.{relation}",)
    return TableColumn(f"freed_{relation}_frac", (f"{_FREED}.{relation}",), words, interval=ends)


def _area(name: str, when: str, words: str, interval: tuple[str, ...] = ()) -> TableColumn:
    place = f"{_FREED}.least_area_mm2.{when}"
    return TableColumn(
        f"least_area_{name}_mm2", (place,), f"least free canal {words}, over all stations", interval=interval
    )


COLUMNS: tuple[TableColumn, ...] = (
    TableColumn("level_name_probability_frac", ("measured.name_probability",), "probability of the level's name"),
    TableColumn("level_confidence_frac", ("estimate.confidence.value_frac",), "confidence in the level's anatomy"),
    TableColumn("sac_area_before_mm2", ("measured.dural sac area of dural sac",), "dural sac at disc level, before"),
    TableColumn("sac_source", ("estimate.sources.sac",), "where the dural sac comes from", "text"),
    TableColumn("canal_area_before_mm2", ("measured.canal area of canal",), "bony canal at disc level"),
    TableColumn(
        "bone_removed_mm3", (f"{_BONE}.total",), "bone of the planned resection", interval=(f"{_BONE}.interval95",)
    ),
    TableColumn(
        "bone_swept_mm3",
        ("estimate.cone.bone_removed_mm3.total",),
        "all bone that the whole sweep could take",
        interval=("estimate.cone.bone_removed_mm3.interval95",),
    ),
    TableColumn("freed_frac", (f"{_FREED}.share",), "share of the decompression set that is taken",
                interval=(f"{_FREED}.interval95.share",)),
    _freed_on("ipsilateral", "the same on the side of the approach"),
    _freed_on("contralateral", "the same on the other side"),
    _area("before", "before", "before"),
    _area("needed", "needed", "if all of the set were taken"),
    _area("planned", "after", "with the plan", (f"{_FREED}.interval95.least_area_after_mm2",)),
    _kept("ipsilateral"),
    _kept("contralateral"),
    TableColumn("spinous_bridge_remaining_mm", ("estimate.resection.spinous_base.bridge_mm",),
                "least bridge of the spinous base that stays",
                interval=("estimate.resection.spinous_base.bridge_interval95",)),
    TableColumn("contralateral_reach_mm", ("estimate.resection.contralateral_reach.lateral_mm",),
                "farthest place past the midline whose tissue is taken",
                interval=("estimate.resection.contralateral_reach.interval95",)),
    TableColumn("freed", ("estimate.verdict.freed",), "does the plan free enough?", "yes or no"),
    TableColumn("kept", ("estimate.verdict.kept",), "does the plan keep every limit?", "yes or no"),
    TableColumn("chance_freed_frac", ("estimate.chances.freed",), "chance that enough is freed as executed"),
    TableColumn("chance_kept_frac", ("estimate.chances.kept",), "chance that every limit is kept as executed"),
    TableColumn("chance_both_frac", ("estimate.chances.both",), "chance of both"),
    TableColumn("skin_entry_lateral_mm", ("estimate.skin_entry.lateral_mm",), "skin entry from the midline"),
    TableColumn("skin_to_lamina_mm", ("estimate.skin_entry.depth_mm",), "skin to docking depth"),
    TableColumn("achieved_bone_removed_mm3", ("audit.bone_taken_mm3.total",), "bone taken, by the post-op scan",
           interval=("audit.bone_taken_mm3.interval95",)),
    TableColumn("planned_bone_area_mm2", ("audit.areas.least_area_mm2.planned_bone",),
           "least free canal by the planned bone alone, no ligament taken"),
    TableColumn("achieved_bone_area_mm2", ("audit.areas.least_area_mm2.achieved_bone",),
           "the same by the bone that was taken"),
    TableColumn("achieved_facet_kept_ipsilateral_frac", ("audit.facet_preserved.ipsilateral.area_frac",),
           "ipsilateral facet joint, by the post-op scan"),
    TableColumn("achieved_facet_kept_contralateral_frac", ("audit.facet_preserved.contralateral.area_frac",),
           "contralateral facet joint, by the post-op scan"),
    TableColumn("plan_overlap_frac", ("audit.against_plan.overlap_frac",), "bone planned and taken, overlap (Dice)"),
    TableColumn("audit_passed", ("audit.passed",), "does the result meet the criteria of the literature?", "yes or no"),
)  # fmt: skip
"""In the order of the table. A new number of a case is one more line."""

PLANNED_AND_ACHIEVED: Mapping[str, str] = {
    "bone_removed_mm3": "achieved_bone_removed_mm3",
    "planned_bone_area_mm2": "achieved_bone_area_mm2",
    "facet_kept_ipsilateral_frac": "achieved_facet_kept_ipsilateral_frac",
    "facet_kept_contralateral_frac": "achieved_facet_kept_contralateral_frac",
}
"""Planned number -> the same number as the post-op scan shows it."""


def column_of(name: str) -> TableColumn:
    """The column of that name.

    >>> column_of("bone_removed_mm3").ends
    ('bone_removed_mm3_low', 'bone_removed_mm3_high')
    """
    return next(column for column in COLUMNS if column.name == name)


def row_values(documents: Mapping[str, Any], columns: Sequence[TableColumn] = COLUMNS) -> dict[str, Value]:
    """TableColumn -> its value in a case's documents; None where they lack it or hold another kind.

    >>> kept = TableColumn("kept", ("estimate.verdict.kept",), "are the limits kept?", "yes or no")
    >>> bone = TableColumn("bone_mm3", ("estimate.bone.total",), "bone", interval=("estimate.bone.interval95",))
    >>> row_values({"estimate": {"verdict": {"kept": True}, "bone": {"total": 500, "interval95": None}}}, [kept, bone])
    {'kept': True, 'bone_mm3': 500.0, 'bone_mm3_low': None, 'bone_mm3_high': None}
    """
    return dict(_values(documents, columns))


def _values(documents: Mapping[str, Any], columns: Sequence[TableColumn]) -> Iterator[tuple[str, Value]]:
    for column in columns:
        yield column.name, _first(documents, column.places, column.kind)
        for place, name in enumerate(column.ends):
            yield name, _first(documents, tuple(f"{where}.{place}" for where in column.interval), "number")


def _first(documents: Mapping[str, Any], places: Sequence[str], kind: Kind) -> Value:
    found = (_at(documents, place) for place in places)
    right = (value for value in found if isinstance(value, KINDS[kind]))
    # a truth value is a whole number to Python, not to a reader
    value: Any = next((v for v in right if isinstance(v, bool) == (kind == "yes or no")), None)
    return float(value) if kind == "number" and value is not None else value


def _at(value: Any, place: str) -> Any:
    """Value at a place of nested JSON; None where the path to it ends."""
    for key in place.split("."):
        if isinstance(value, Mapping):
            value = value.get(key)
        elif isinstance(value, list) and key.isdecimal() and int(key) < len(value):
            value = value[int(key)]
        else:
            return None
    return value


def measured_values(level: Mapping[str, Any]) -> dict[str, Any]:
    """A level of 'measure' JSON as the document `measured`: its name's probability, and each measurement by name.

    >>> one = {"name": "canal area", "structure": "canal", "value": 180.0}
    >>> measured_values({"name_probability": 0.97, "measurements": [one]})
    {'name_probability': 0.97, 'canal area of canal': 180.0}
    """
    values = {f"{m['name']} of {m['structure']}": m["value"] for m in level.get("measurements", ())}
    return {"name_probability": level.get("name_probability"), **values}
