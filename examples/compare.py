"""Left, right, both sides and a midline laminectomy for the same targets, side by side."""

from __future__ import annotations

from typing import Any

import canalwise as cw
from canalwise.estimator.search.strategies import SearchTask
from canalwise.phantoms.spec import demo_spec
from canalwise.workbench.demonstration import phantom_case

LEVEL = "L3-L4"


def main(anatomy: cw.Anatomy | None = None, budget: int = 20_000) -> dict[str, Any]:
    """Prints one line for each way in, and the conclusion; returns the comparison's JSON data."""
    if anatomy is None:
        scan, labels = phantom_case(demo_spec(), LEVEL)
        anatomy = cw.build(scan, labels=labels)
    found = cw.compare(anatomy, LEVEL, SearchTask(budget=budget, seed=0)).to_json()
    for row in found["rows"]:
        low, high = row["interval95"]
        print(f"{row['name']:22} {row['bone_removed_mm3']:6.0f} mm3 ({low:.0f} to {high:.0f}), ", end="")
        print(f"joints left {row['facet_left_frac']}, right {row['facet_right_frac']}; ", end="")
        print(f"canal {row['canal_area_before_mm2']:.0f} to {row['canal_area_after_mm2']:.0f} mm2")
    print(found["conclusion"])
    return found


if __name__ == "__main__":
    main()
