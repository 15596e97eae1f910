"""Every default threshold the estimator applies: a value, its unit, its source and its `EvidenceClass`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType

from canalwise.recon.errors import WrongUse
from canalwise.recon.evidence import EvidenceClass


@dataclass(frozen=True)
class Limit:
    """One threshold with where it comes from."""

    value: float
    unit: str
    source: str
    evidence: EvidenceClass


HALF_OF_FACET = "half of the joint should stay (J Bone Joint Surg Br 94-B Supp X, Britspine 2010; after Abumi 1990)"

DEFAULTS: Mapping[str, Limit] = MappingProxyType(
    {
        "facet_area_kept_frac": Limit(0.50, "fraction", HALF_OF_FACET, "READ"),
        "facet_width_kept_frac": Limit(0.50, "fraction", HALF_OF_FACET, "READ"),
        "pars_residual_mm": Limit(5.0, "mm", "practice values 5-8 mm, no evidence-grade source", "MEM"),
        "spinous_undercut_frac": Limit(0.50, "fraction", "common practice, no source", "PRACTICE"),
        "spinous_bridge_mm": Limit(3.0, "mm", "common practice, no source", "PRACTICE"),
        "sac_retraction_mm": Limit(2.0, "mm", "common practice, no source", "PRACTICE"),
        "sac_clearance_mm": Limit(0.5, "mm", "common practice, no source", "PRACTICE"),
        "lateral_removal_mm": Limit(
            20.0,
            "mm",
            "posterior elements beyond 2 cm of the midline at L3/4: consider stabilisation (Britspine 2010)",
            "READ",
        ),
    }
)


@dataclass(frozen=True)
class Limits:
    """The thresholds in force.

    >>> Limits().value("facet_area_kept_frac")
    0.5
    >>> Limits().changed(pars_residual_mm=6.0).value("pars_residual_mm")
    6.0
    """

    records: Mapping[str, Limit] = field(default_factory=lambda: DEFAULTS)

    def __post_init__(self) -> None:
        if unknown := set(self.records) ^ set(DEFAULTS):
            raise WrongUse("limits", f"must hold exactly {', '.join(DEFAULTS)}", got=sorted(unknown))

    def value(self, name: str) -> float:
        """The threshold's value in its own unit.

        >>> Limits().value("facet_area_kept_frac")
        0.5
        """
        return self.records[name].value

    def changed(self, **values: float) -> Limits:
        """Other values for named thresholds; their source then reads 'set by the user'.

        >>> stricter = Limits().changed(facet_area_kept_frac=0.6)
        >>> stricter.value("facet_area_kept_frac"), stricter.records["facet_area_kept_frac"].source
        (0.6, 'set by the user')
        """
        if unknown := set(values) - set(self.records):
            raise WrongUse("limits", f"must be among {', '.join(self.records)}", got=sorted(unknown))
        changed = {
            n: replace(self.records[n], value=v, source="set by the user", evidence="PRACTICE")
            for n, v in values.items()
        }
        return Limits(dict(self.records) | changed)
