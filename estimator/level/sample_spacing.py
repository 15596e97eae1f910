"""Sampling of pars and spinous base: spacing, what counts as bone, which ends are left out."""

from __future__ import annotations

BONE_FRAC = 0.5
"""A sample with at least this much bone left is bone."""


SAMPLE_MM = 0.25
"""Spacing of the level-frame samples on which widths are measured."""


PARS_ENDS_FRAC = 0.25
"""This share of the pars' bone at either end is left out: there it only tapers into its neighbours."""
