"""Colours: one thing each, told apart by every reader, seen on their background; the page's copies are the table's."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from canalwise.recon.grid import Float
from canalwise.workbench.style.palette import BONE_SHADES, HUES, KEPT_SHADES, PHASES

DARK, LIGHT = "#14181c", "#ffffff"

LEAST_CONTRAST = 3.0
"""Of lines and symbols against their background (WCAG 2.1, 1.4.11)."""

LEAST_APART, LEAST_APART_TWO_CONES = 25.0, 11.0
"""Least distances in CIELAB (CIE 1976), for all readers and for those without one kind of cone (choice)."""

WHITES = ({"bone", "mark"},)
"""Alike on purpose: marks are white and bone nearly so, told apart by their form."""

TO_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
"""Of linear sRGB (IEC 61966-2-1)."""

NO_MEDIUM_CONES = np.array(
    [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
)
"""Linear sRGB as seen without cones for medium wavelengths (Machado, Oliveira, Fernandes 2009; from memory)."""


def linear(colour: str) -> Float:
    """(3,) array."""
    share = np.array([int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    return np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)


def lab(light: Float) -> Float:
    """CIELAB under D65."""
    xyz = TO_XYZ @ light / np.array([0.9505, 1.0, 1.089])
    f = np.where(xyz > 0.008856, np.cbrt(xyz), 7.787 * xyz + 16 / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def contrast(one: str, other: str) -> float:
    """WCAG's ratio."""
    high, low = sorted((float(TO_XYZ[1] @ linear(colour)) for colour in (one, other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("name", HUES)
def test_a_colour_stands_out_from_its_ground(name):
    hue = HUES[name]
    assert contrast(hue.paint, DARK) >= LEAST_CONTRAST
    assert contrast(hue.line, LIGHT) >= LEAST_CONTRAST


@pytest.mark.parametrize("form", ["paint", "line"])
def test_no_two_meanings_look_alike(form):
    for one, other in combinations(HUES, 2):
        if {one, other} in WHITES:
            continue
        lights = [linear(getattr(HUES[name], form)) for name in (one, other)]
        assert np.linalg.norm(np.subtract(*map(lab, lights))) >= LEAST_APART, (one, other)
        seen = [np.clip(NO_MEDIUM_CONES @ light, 0, 1) for light in lights]
        assert np.linalg.norm(np.subtract(*map(lab, seen))) >= LEAST_APART_TWO_CONES, (one, other)


@pytest.mark.parametrize("shades", [BONE_SHADES, KEPT_SHADES])
def test_scales_darken_step_by_step(shades):
    lightness = [lab(linear(shade))[0] for shade in shades]
    assert (np.diff(lightness) < -5).all()


def test_phases_have_the_colours_of_their_sides():
    assert list(PHASES.values())[:2] == [HUES["near"].paint, HUES["far"].paint]
    assert len(set(PHASES.values())) == len(PHASES)
