"""The plan that frees enough for the least bone within all limits, and the one likeliest as executed."""

from __future__ import annotations

from typing import Any

import canalwise as cw
from canalwise.estimator.search.search_task import SearchTask
from canalwise.phantoms.spec import demo_spec
from canalwise.workbench.demonstration import phantom_case

LEVEL = "L3-L4"


def main(anatomy: cw.Anatomy | None = None, budget: int = 800) -> dict[str, Any]:
    """Prints both plans and returns the search's JSON data."""
    if anatomy is None:
        scan, labels = phantom_case(demo_spec(), LEVEL)
        anatomy = cw.build(scan, labels=labels)
    # How much is to be freed: the sac's section with recesses. SearchTask(breadth="central") asks for less.
    found = cw.search(anatomy, LEVEL, SearchTask(budget=budget, seed=0)).to_json()
    for name in ("best", "robust"):
        pick = found[name]
        entry, chance = pick["skin_entry"], pick["as_executed"]["both"]
        print(f"{name}: {pick['verdict']['sentence']}")
        print(f"  from the {pick['approach']['side']}, entry {entry['lateral_mm']:.0f} mm lateral, ", end="")
        print(f"{pick['bone_mm3']['total']:.0f} mm3 must go, {chance:.0%} as executed")
        print("  joints kept:", pick["facet_area_frac"], "limits broken:", pick["limits_broken"] or "none")
    print(found["reason"])
    return found


if __name__ == "__main__":
    main()
