"""One approach, then the same leaning further across: what each takes, keeps and reaches."""

from __future__ import annotations

from dataclasses import replace

import canalwise as cw
from canalwise.phantoms.spec import demo_spec
from canalwise.workbench.demonstration import phantom_case

LEVEL = "L3-L4"


def main(anatomy: cw.Anatomy | None = None) -> list[cw.Result[cw.Estimate]]:
    """Prints both plans' numbers and returns their estimates."""
    if anatomy is None:
        scan, labels = phantom_case(demo_spec(), LEVEL)
        anatomy = cw.build(scan, labels=labels)
    usual = cw.default_approach(anatomy, LEVEL, "left")
    *first, last = usual.phases
    steeper = replace(usual, phases=(*first, replace(last, medial_tilt_deg=last.medial_tilt_deg + 4.0)))
    found = [cw.estimate(anatomy, plan) for plan in (usual, steeper)]
    for plan, result in zip((usual, steeper), found, strict=True):
        numbers = result.to_json()
        bone, reach = numbers["task"]["bone_removed_mm3"], numbers["contralateral_reach"]
        print(f"{plan.phases[-1].medial_tilt_deg:.0f} deg over the top: {bone['total']:.0f} mm3 must go, ", end="")
        print(f"95 % {bone['interval95']}; {reach['lateral_mm']:.1f} mm across, then stopped by {reach['limited_by']}")
        print("  limits broken:", [v["name"] for v in numbers["verdicts"] if v["met"] is False] or "none")
    return found


if __name__ == "__main__":
    main()
