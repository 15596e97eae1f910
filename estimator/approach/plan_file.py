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

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import tomli_w

from canalwise.estimator.approach.approach import Approach
from canalwise.recon.errors import BadFile
from canalwise.recon.serialization import from_data, without_schema
from canalwise.recon.text_files import read_text, toml_data

SCHEMA = "canalwise.plan/1"

WHO = "the plan"

ANATOMY_KEY = "anatomy_sha256"
"""The key under which a plan carries the checksum of the anatomy that it was made on."""

BESIDE = ("caution", ANATOMY_KEY)
"""What a result's JSON holds beside the result itself."""


@dataclass(frozen=True)
class KeptPlan:
    """An approach as a file keeps it.

    Parameters
    ----------
    anatomy_sha256 : of the anatomy it was made on, as `recon.case.folder` tells it; empty where the file does not say
    """

    approach: Approach
    anatomy_sha256: str = ""


def plan_text(approach: Approach, anatomy_sha256: str = "") -> str:
    """The approach as TOML, with the checksum of its anatomy where there is one; `plan_of` reads it back."""
    made_on = {ANATOMY_KEY: anatomy_sha256} if anatomy_sha256 else {}
    return tomli_w.dumps({"schema": SCHEMA} | made_on | _listed(asdict(approach)))


def plan_of(text: str) -> Approach:
    """The approach a TOML text describes; raises BadFile as `kept_plan_of`.

    >>> from canalwise.estimator.approach.approach import Phase
    >>> plan = Approach("L3-L4", "left", (8.0, 12.0, 0.0), 50.0, (Phase("ipsilateral", 5.0),))
    >>> plan_of(plan_text(plan)) == plan
    True
    """
    return kept_plan_of(text).approach


def kept_plan_of(text: str) -> KeptPlan:
    """The plan a TOML text describes.

    Raises
    ------
    BadFile : not TOML, another schema, an unknown or missing key, a value of the wrong kind or beyond its bounds
    """
    data = without_schema(SCHEMA, toml_data(text, WHO), who=WHO)
    made_on = data.pop(ANATOMY_KEY, "")
    if not isinstance(made_on, str):
        raise BadFile(WHO, f"must hold text under {ANATOMY_KEY}", got=type(made_on).__name__, do="Leave that line out.")
    return KeptPlan(from_data(Approach, data, who=WHO), made_on)


def read_plan(path: Path) -> Approach:
    """The approach in a plan file; raises BadFile as `read_kept_plan`."""
    return read_kept_plan(path).approach


def read_kept_plan(path: Path) -> KeptPlan:
    """The plan in a file; raises as `kept_plan_of`, and BadFile when there is none or it is not text in UTF-8."""
    if not path.is_file():
        raise BadFile(WHO, "must be an existing file", got=path.name)
    return kept_plan_of(read_text(path, WHO))


def _listed(value: Any) -> Any:
    """Tuples to lists, which TOML knows."""
    if isinstance(value, dict):
        return {k: _listed(v) for k, v in value.items()}
    return [_listed(v) for v in value] if isinstance(value, tuple | list) else value
