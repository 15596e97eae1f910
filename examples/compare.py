"""Left, right, both sides and a midline laminectomy for the same room needed, side by side."""

from __future__ import annotations

from typing import Any

import canalwise as cw
from canalwise.estimator.search.search_task import SearchTask
from canalwise.phantoms.spec import demo_spec
from canalwise.workbench.demonstration import phantom_case

LEVEL = "L3-L4"


def main(anatomy: cw.Anatomy | None = None, budget: int = 1_200) -> dict[str, Any]:
    """Prints one line for each access, and the conclusion; returns the comparison's JSON data."""
    if anatomy is None:
        scan, labels = phantom_case(demo_spec(), LEVEL)
        anatomy = cw.build(scan, labels=labels)
    found = cw.compare(anatomy, LEVEL, SearchTask(budget=budget, seed=0)).to_json()
    for row in found["rows"]:
        # nothing simulates how a midline access is executed
        ends = row["interval95"] and " ({:.0f} to {:.0f})".format(*row["interval95"])
        print(f"{row['name']:22} {row['verdict']['sentence']}")
        print(f"  {row['bone_removed_mm3']:6.0f} mm3{ends or ''}, ", end="")
        print(f"joints left {row['facet_left_frac']}, right {row['facet_right_frac']}; ", end="")
        area = row["freed"]["least_area_mm2"]
        print(f"least free canal {area['before']:.0f} to {area['after']:.0f} of {area['needed']:.0f} mm2")
    print(found["conclusion"])
    return found


if __name__ == "__main__":
    main()
