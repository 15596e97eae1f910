"""Every number the resection rests on that is a choice or a publication: value, unit, source, class of evidence.

They are `estimator.limits.Limit` records, so that people see them beside the limits of a plan. Prices say what a
cubic millimetre of bone is worth against one of lamina: they decide between paths to the same tissue, no number that
is shown is multiplied by them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType

import numpy as np

from canalwise.estimator.limits import Limit
from canalwise.recon.errors import WrongUse
from canalwise.recon.grid import Float
from canalwise.recon.labels import Part

TRADE = "trade range 3-5 mm of punches, from memory: its middle"
WINDOW = "skin and fascia make a mobile window; common practice, no source"
WORTH = "stability rests on joint and pars, so they are dearer than lamina; the factor is a choice, no source"

DEFAULTS: Mapping[str, Limit] = MappingProxyType(
    {
        "bite_mm": Limit(4.0, "mm", TRADE, "MEM"),
        "tool_beyond_scope_mm": Limit(20.0, "mm", "trade range 15-25 mm, from memory: its middle", "MEM"),
        "contact_mm": Limit(
            1.0, "mm", "scope and sleeve may press on bone by this; common practice, no source", "PRACTICE"
        ),
        "window_lateral_mm": Limit(8.0, "mm", WINDOW, "PRACTICE"),
        "window_along_mm": Limit(15.0, "mm", WINDOW, "PRACTICE"),
        "least_medial_tilt_deg": Limit(-10.0, "deg", WINDOW, "PRACTICE"),
        "greatest_medial_tilt_deg": Limit(35.0, "deg", "20-40 deg from the sagittal plane, from memory", "MEM"),
        "greatest_cranial_tilt_deg": Limit(25.0, "deg", WINDOW, "PRACTICE"),
        "corridor_radius_mm": Limit(
            3.35,
            "mm",
            "half of the mean depth of a lateral recess, 6.7 mm, range 4-14 (300 CT, Orthopedics 2013;36:e229)",
            "READ",
        ),
        "foramen_beyond_wall_mm": Limit(
            4.0,
            "mm",
            "entrance zone, dura to pedicle (Lee 1988, from memory); the "
            "foramen's border lies 5-6 mm lateral of mid-facet (Britspine 2010)",
            "MEM",
        ),
        "sac_area_mm2": Limit(151.67, "mm2", "controls at L4-L5, 151.67 +- 53.59 (PMC5728944)", "READ"),
        "price_facet": Limit(2.0, "of lamina", WORTH, "PRACTICE"),
        "price_pars": Limit(4.0, "of lamina", WORTH, "PRACTICE"),
        "price_spinous_process": Limit(
            4.0,
            "of lamina",
            "the process is never a path: passed beside, not through; the factor is a choice, no source",
            "PRACTICE",
        ),
        "bone_per_tissue": Limit(
            20.0,
            "mm3 of lamina for a mm3",
            "tissue that costs more bone is left; a choice, no source (scripts/stability_resection.py)",
            "PRACTICE",
        ),
        "gap_of_tool": Limit(
            1.0,
            "tool diameters",
            "a burr takes what stands between two of its passages and is narrower than itself; common practice, no "
            "source",
            "PRACTICE",
        ),
        "freed_enough_frac": Limit(
            0.90, "fraction", "share of the decompression set, each side; choice, no source", "PRACTICE"
        ),
    }
)

FACET_PARTS = (
    Part.SUPERIOR_ARTICULAR_LEFT,
    Part.SUPERIOR_ARTICULAR_RIGHT,
    Part.INFERIOR_ARTICULAR_LEFT,
    Part.INFERIOR_ARTICULAR_RIGHT,
)
PARS_PARTS = (Part.PARS_LEFT, Part.PARS_RIGHT)


@dataclass(frozen=True)
class ResectionRules:
    """The records in force.

    >>> ResectionRules().value("bite_mm")
    4.0
    >>> ResectionRules().changed(bite_mm=3.0).records["bite_mm"].source
    'set by the user'
    """

    records: Mapping[str, Limit] = field(default_factory=lambda: DEFAULTS)

    def __post_init__(self) -> None:
        if unknown := set(self.records) ^ set(DEFAULTS):
            raise WrongUse("resection rules", f"must hold exactly {', '.join(DEFAULTS)}", got=sorted(unknown))

    def value(self, name: str) -> float:
        """A record's value in its own unit.

        >>> ResectionRules().changed(bite_mm=3.0).value("bite_mm")
        3.0
        """
        return self.records[name].value

    def changed(self, **values: float) -> ResectionRules:
        """Other values for named records; their source then reads 'set by the user'.

        >>> rules = ResectionRules().changed(bite_mm=3.0)
        >>> rules.value("bite_mm"), rules.records["bite_mm"].source
        (3.0, 'set by the user')
        """
        if unknown := set(values) - set(self.records):
            raise WrongUse("resection rules", f"must be among {', '.join(self.records)}", got=sorted(unknown))
        new = {
            name: replace(self.records[name], value=value, source="set by the user", evidence="PRACTICE")
            for name, value in values.items()
        }
        return ResectionRules(dict(self.records) | new)

    def price_of(self, part: int) -> float:
        """What a cubic millimetre of a part is worth against one of lamina.

        >>> ResectionRules().price_of(Part.PARS_LEFT), ResectionRules().price_of(Part.LAMINA_LEFT)
        (4.0, 1.0)
        """
        if part in FACET_PARTS:
            return self.value("price_facet")
        if part in PARS_PARTS:
            return self.value("price_pars")
        return self.value("price_spinous_process") if part == Part.SPINOUS_PROCESS else 1.0

    def prices(self) -> Float:
        """(100,) array: the price of every part.

        >>> prices = ResectionRules().prices()
        >>> prices.shape, float(prices[Part.PARS_LEFT])
        ((100,), 4.0)
        """
        return np.array([self.price_of(part) for part in range(100)])
