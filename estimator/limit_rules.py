"""The table of what is held against a limit: by exact estimates, batch, search, charts and probabilities alike."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from canalwise.recon.errors import WrongUse
from canalwise.recon.grid import Float
from canalwise.recon.labels import Mask

RELATIONS = ("ipsilateral", "contralateral")


@dataclass(frozen=True)
class LimitRule:
    """One quantity and the limit it must keep.

    Parameters
    ----------
    name : in words; of a quantity of both sides a check carries its relation to the approach before it
    quantity : its name among an estimate's numbers, where the patient's side stands before it
    direction : the limit is the least or the greatest allowed
    limit : key of `estimator.limits.DEFAULTS`
    both_sides : is it measured on each side?
    """

    name: str
    quantity: str
    direction: Literal["at least", "at most"]
    limit: str
    both_sides: bool

    @property
    def checks(self) -> tuple[str, ...]:
        """Names of the checks it makes, the approach's own side first."""
        return tuple(f"{relation} {self.name}" for relation in RELATIONS) if self.both_sides else (self.name,)

    def margin_frac(self, value: Float, limit: float) -> Float:
        """(A,) array: by which share of the limit (A,) values keep it; negative where broken.

        >>> rule_of("spinous base undercut").margin_frac(np.array([0.25, 0.75]), 0.5).tolist()
        [0.5, -0.5]
        """
        above = np.asarray((value - limit) / max(abs(limit), 1e-9))
        return above if self.direction == "at least" else -above

    def kept(self, value: Float | float, limit: float) -> Mask:
        """(...) array: do the values keep the limit? A value on the limit does; one that is not a number does not."""
        return np.asarray(value >= limit if self.direction == "at least" else value <= limit)

    def worse(self, *values: float) -> float:
        """The value nearest to breaking the limit, or furthest beyond it; NaN where one is."""
        return float(np.min(values) if self.direction == "at least" else np.max(values))


FACET_AREA = LimitRule("facet area kept", "area_frac", "at least", "facet_area_kept_frac", both_sides=True)
FACET_WIDTH = LimitRule("facet width kept", "width_frac", "at least", "facet_width_kept_frac", both_sides=True)
PARS = LimitRule("pars width remaining", "pars_mm", "at least", "pars_residual_mm", both_sides=True)
UNDERCUT = LimitRule("spinous base undercut", "undercut_frac", "at most", "spinous_undercut_frac", both_sides=False)
BRIDGE = LimitRule("spinous base bridge remaining", "bridge_mm", "at least", "spinous_bridge_mm", both_sides=False)
LATERAL = LimitRule(
    "farthest bone taken from the midline",
    "lateral_removal_mm",
    "at most",
    "lateral_removal_mm",
    both_sides=False,
)

OF_BOTH_SIDES = (FACET_AREA, FACET_WIDTH, PARS)
OF_THE_MIDLINE = (UNDERCUT, BRIDGE, LATERAL)

_BY_CHECK = {check: rule for rule in (*OF_BOTH_SIDES, *OF_THE_MIDLINE) for check in rule.checks}


_ACROSS = frozenset(rule.checks[1] for rule in OF_BOTH_SIDES)


def is_across(check: str) -> bool:
    """Is a check of the side across from the approach?

    >>> is_across("contralateral pars width remaining"), is_across("spinous base undercut")
    (True, False)
    """
    return check in _ACROSS


def rule_of(check: str) -> LimitRule:
    """The rule behind a check's name; WrongUse for a name that no rule makes.

    >>> rule_of("contralateral pars width remaining").limit
    'pars_residual_mm'
    """
    if check not in _BY_CHECK:
        raise WrongUse("a limit check", f"must be one of {', '.join(_BY_CHECK)}", got=check)
    return _BY_CHECK[check]
