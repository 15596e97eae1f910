"""Seed points set by a person in a structure: the segmentation must pass through them or name them."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from canalwise.recon.anatomy import Correction
from canalwise.recon.errors import WrongUse
from canalwise.recon.grid import Float, Grid
from canalwise.recon.labels import Mask, level_vertebrae, vertebra_number

KINDS = ("canal", "vertebra:NAME", "disc:LEVEL")
"""What a seed may lie in, as it is written before the '='."""

NEAR_MM = 4.0
"""A seed this near to a structure's nearest voxel still means it: about a click's slip (common practice, no source)."""


@dataclass(frozen=True)
class Seed:
    """One point and what it lies in: 'canal', 'vertebra:L4' or 'disc:L4-L5'; RAS mm.

    >>> Seed("disc:L4-L5", (0.0, 1.0, 2.0)).what
    'disc:L4-L5'
    """

    what: str
    point_ras_mm: tuple[float, float, float]

    def __post_init__(self) -> None:
        kind, _, name = self.what.partition(":")
        if kind == "vertebra":
            vertebra_number(name)
        elif kind == "disc":
            level_vertebrae(name)
        elif self.what != "canal":
            raise WrongUse(
                "--seed",
                f"must name one of {', '.join(KINDS)}",
                got=self.what,
                do="Write for example --seed canal=-3.5,20,41 (RAS mm).",
            )
        if not np.isfinite(self.point_ras_mm).all():
            raise WrongUse("--seed", "must be three finite numbers, RAS mm", got=self.point_ras_mm)


@dataclass(frozen=True)
class Seeds:
    """All seeds of one build."""

    points: tuple[Seed, ...] = field(default_factory=tuple)

    def canal_mm(self) -> Float:
        """(N, 3) array, RAS mm, of the seeds in the canal."""
        return np.array([s.point_ras_mm for s in self.points if s.what == "canal"], dtype=float).reshape(-1, 3)

    def records(self) -> tuple[Correction, ...]:
        """The seeds as they are kept in a case.

        >>> Seeds((Seed("canal", (1.0, 2.0, 3.0)),)).records()[0].kind
        'seed'
        """
        return tuple(Correction("seed", seed.what, point_ras_mm=seed.point_ras_mm) for seed in self.points)

    def check_in(self, grid: Grid) -> None:
        """Raises WrongUse for a seed outside the scan, with the heights the scan spans."""
        corners = grid.world_mm(np.stack(np.meshgrid(*[(0, n - 1) for n in grid.shape], indexing="ij"), axis=-1))
        low, high = corners.reshape(-1, 3).min(axis=0), corners.reshape(-1, 3).max(axis=0)
        for seed in self.points:
            if not grid.contains(seed.point_ras_mm):
                raise WrongUse(
                    f"--seed {seed.what}",
                    f"must lie in the scan, RAS {np.round(low, 1).tolist()} to {np.round(high, 1).tolist()} mm",
                    got=seed.point_ras_mm,
                    do="Give the point in RAS mm: x to the patient's right, y ventral, z cranial.",
                )

    def numbers(self, number: npt.NDArray[np.uint8], disc: npt.NDArray[np.uint8], grid: Grid) -> dict[int, str]:
        """Number of each vertebra pointed at -> its name.

        Parameters
        ----------
        number, disc : (nx, ny, nz) arrays of `recon.segmentation.watershed_instances.VertebraInstances`, on `grid`: the
        vertebra, and
            the vertebra below the disc, at each voxel

        Raises WrongUse when a seed lies in none, or two name one vertebra differently.
        """
        found: dict[int, str] = {}
        for seed in self.points:
            kind, _, name = seed.what.partition(":")
            if kind == "canal":
                continue
            values, name = (disc, level_vertebrae(name)[1]) if kind == "disc" else (number, name)
            n = _value_at(values, grid, seed)
            if found.setdefault(n, name) != name:
                raise WrongUse(
                    f"--seed {seed.what}",
                    f"must agree with the other seeds, which make this {found[n]}",
                    got=seed.point_ras_mm,
                    do="Look the points up again.",
                )
        return found


def check_canal_free(canal_mm: Float, bone: Mask | None, grid: Grid) -> None:
    """Raises WrongUse for a canal seed, (N, 3) RAS mm, that lies in `bone`; None where nothing is known of it."""
    for point in canal_mm:
        index = np.rint(grid.index_of(point)).astype(int)
        inside = bool(((index >= 0) & (index < grid.shape)).all())
        if bone is not None and inside and bone[tuple(index)]:
            raise WrongUse(
                "--seed canal",
                "must lie in the canal, not in bone",
                got=np.round(point, 2).tolist(),
                do="Move it to the middle of the canal; where this is the canal, give it with --replace.",
            )


def _value_at(values: npt.NDArray[np.uint8], grid: Grid, seed: Seed) -> int:
    """The value of the nearest marked voxel within NEAR_MM of a seed."""
    # a click beside a thin structure still means it
    box = grid.box_around(np.array([seed.point_ras_mm]), NEAR_MM)
    marked = np.argwhere(values[box] > 0) + [s.start for s in box]
    off = np.linalg.norm(grid.world_mm(marked) - np.array(seed.point_ras_mm), axis=1)
    if not len(off) or off.min() > NEAR_MM:
        raise WrongUse(
            f"--seed {seed.what}",
            f"must lie in a {seed.what.partition(':')[0]} that was found, within {NEAR_MM:g} mm",
            got=seed.point_ras_mm,
            do="Move it into the middle of the body or disc, or give the structure itself with --replace.",
        )
    return int(values[tuple(marked[int(off.argmin())])])


def seed_of(text: str) -> Seed:
    """The seed written as WHAT=X,Y,Z.

    >>> seed_of("vertebra:L4=1,-20.5,30").point_ras_mm
    (1.0, -20.5, 30.0)
    """
    what, _, where = text.partition("=")
    try:
        x, y, z = (float(part) for part in where.split(","))
    except ValueError:
        raise WrongUse(
            "--seed", "must be written WHAT=X,Y,Z", got=text, do="Write for example --seed canal=-3.5,20,41 (RAS mm)."
        ) from None
    return Seed(what.strip(), (x, y, z))
