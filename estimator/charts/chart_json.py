"""Charts as JSON data and back: their fields under a schema, with the caution that goes with every number."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, TypeVar

from canalwise.estimator.approach.plan_file import BESIDE
from canalwise.recon.disclaimer import CAUTION
from canalwise.recon.serialization import from_data, to_data, with_schema, without_schema

Kind = TypeVar("Kind")


def chart_as_json(schema: str, chart: Any) -> dict[str, Any]:
    """The fields of a chart, a frozen dataclass, as JSON data; "nan" stands for what is not in view."""
    return with_schema(schema, {**to_data(chart), "caution": CAUTION})


def chart_of_json(kind: type[Kind], schema: str, data: Mapping[str, Any], who: str) -> Kind:
    """The chart that `chart_as_json` wrote; raises BadFile for anything else."""
    known = without_schema(schema, data, who=who)
    return from_data(kind, {k: v for k, v in known.items() if k not in BESIDE}, who=who)
