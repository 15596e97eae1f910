"""A plan on disk: one approach as a TOML file a person can read and change.

schema = "canalwise.plan/1"
level = "L3-L4"
side = "left"
docking_point_mm = [8.1, 14.2, -3.0]     # left, dorsal, cranial of the level frame
pivot_distance_mm = 50.0
[channel]
sleeve_diameter_mm = 9.0
...
[[phases]]
name = "ipsilateral"
medial_tilt_deg = 0.0
...
"""

from __future__ import annotations

import tomllib
from dataclasses import asdict
from pathlib import Path
from typing import Any

import cattrs
import tomli_w

from canalwise.estimator.approach.approach import Approach
from canalwise.recon.errors import BadFile

SCHEMA = "canalwise.plan/1"

_CONVERTER = cattrs.Converter(forbid_extra_keys=True)


def plan_text(approach: Approach) -> str:
    """The approach as TOML; `plan_of` reads it back to an equal value."""
    return tomli_w.dumps({"schema": SCHEMA} | _listed(asdict(approach)))


def plan_of(text: str) -> Approach:
    """The approach a TOML text describes.

    Raises
    ------
    BadFile : not TOML, another schema, an unknown or missing key, a value of the wrong kind
    WrongUse : a value that cannot mean anything
    """
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise BadFile("plan", "must be a TOML file", got=str(error)) from error
    if data.pop("schema", None) != SCHEMA:
        raise BadFile("plan", f"must say schema = {SCHEMA!r}", do="Start from a plan that this version wrote.")
    try:
        return _CONVERTER.structure(data, Approach)
    except cattrs.BaseValidationError as error:
        faults = "; ".join(cattrs.transform_error(error))
        raise BadFile("plan", "must hold the keys of an approach", got=faults) from error


def read_plan(path: Path) -> Approach:
    """The approach in a plan file; raises as `plan_of`, and BadFile when there is none."""
    if not path.is_file():
        raise BadFile("plan", "must be an existing file", got=path.name)
    return plan_of(path.read_text(encoding="utf-8"))


def _listed(value: Any) -> Any:
    """Tuples to lists, which TOML knows."""
    if isinstance(value, dict):
        return {k: _listed(v) for k, v in value.items()}
    return [_listed(v) for v in value] if isinstance(value, tuple | list) else value
