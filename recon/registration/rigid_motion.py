"""A rigid motion between two scans' worlds: a turn and a shift."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from canalwise.recon.errors import BadGeometry
from canalwise.recon.grid import Float

RIGID_TOL = 1e-6
"""Largest deviation of a motion's turn from an orthonormal right-handed matrix."""


@dataclass(frozen=True, eq=False)
class RigidMotion:
    """Where a place of the fixed scan lies in the moving one.

    Parameters
    ----------
    matrix_ras_mm : (4, 4) array, RAS mm of the fixed scan -> RAS mm of the moving scan

    Raises
    ------
    BadGeometry : not a turn and a shift

    >>> shift = RigidMotion.of(np.eye(3), [1.0, 2.0, 3.0])
    >>> shift.inverse().moved_mm([1.0, 2.0, 3.0]).tolist()
    [0.0, 0.0, 0.0]
    """

    matrix_ras_mm: Float

    def __post_init__(self) -> None:
        matrix = np.array(self.matrix_ras_mm, dtype=float)
        turn = matrix[:3, :3] if matrix.shape == (4, 4) else np.zeros((3, 3))
        right_angled = np.allclose(turn @ turn.T, np.eye(3), atol=RIGID_TOL) and np.linalg.det(turn) > 0
        if not right_angled or not np.isfinite(matrix).all() or not np.allclose(matrix[3], (0, 0, 0, 1)):
            raise BadGeometry("'matrix_ras_mm'", "must be a turn and a shift", got=matrix.tolist())
        matrix.setflags(write=False)
        object.__setattr__(self, "matrix_ras_mm", matrix)

    @classmethod
    def of(cls, turn: npt.ArrayLike, shift_mm: npt.ArrayLike) -> RigidMotion:
        """The motion x -> turn @ x + shift.

        >>> RigidMotion.of(np.eye(3), [1.0, 2.0, 3.0]).moved_mm([[0.0, 0.0, 0.0]]).tolist()
        [[1.0, 2.0, 3.0]]
        """
        matrix = np.eye(4)
        matrix[:3, :3], matrix[:3, 3] = turn, shift_mm
        return cls(matrix)

    @classmethod
    def about(cls, centre_mm: npt.ArrayLike, turn: npt.ArrayLike, shift_mm: npt.ArrayLike) -> RigidMotion:
        """The motion that turns about a place of the fixed scan and then shifts.

        >>> half_turn = RigidMotion.about([1.0, 0.0, 0.0], np.diag([-1.0, -1.0, 1.0]), [0.0, 0.0, 0.0])
        >>> half_turn.moved_mm([[3.0, 0.0, 5.0]]).tolist()
        [[-1.0, 0.0, 5.0]]
        """
        centre, turned = np.asarray(centre_mm, dtype=float), np.asarray(turn, dtype=float)
        return cls.of(turned, centre - turned @ centre + np.asarray(shift_mm, dtype=float))

    @property
    def turn(self) -> Float:
        """(3, 3) array."""
        return self.matrix_ras_mm[:3, :3]

    @property
    def shift_mm(self) -> Float:
        """(3,) array: where the fixed world's origin goes.

        >>> RigidMotion.of(np.eye(3), [1.0, 2.0, 3.0]).shift_mm.tolist()
        [1.0, 2.0, 3.0]
        """
        return self.matrix_ras_mm[:3, 3]

    def moved_mm(self, points_mm: npt.ArrayLike) -> Float:
        """(..., 3) array of moving RAS mm of (..., 3) fixed points."""
        return np.asarray(points_mm, dtype=float) @ self.turn.T + self.shift_mm

    def inverse(self) -> RigidMotion:
        """From the moving scan to the fixed one.

        >>> motion = RigidMotion.of(np.eye(3), [1.0, 2.0, 3.0])
        >>> motion.inverse().shift_mm.tolist()
        [-1.0, -2.0, -3.0]
        """
        return RigidMotion.of(self.turn.T, -self.turn.T @ self.shift_mm)

    def then(self, other: RigidMotion) -> RigidMotion:
        """This motion, and after it another.

        >>> one = RigidMotion.of(np.eye(3), [1.0, 0.0, 0.0])
        >>> one.then(one).shift_mm.tolist()
        [2.0, 0.0, 0.0]
        """
        return RigidMotion(other.matrix_ras_mm @ self.matrix_ras_mm)

    def turn_deg(self) -> float:
        """Angle of the turn about its own axis.

        >>> RigidMotion.of(np.diag([1.0, -1.0, -1.0]), np.zeros(3)).turn_deg()
        180.0
        """
        return float(np.degrees(np.arccos(np.clip((np.trace(self.turn) - 1) / 2, -1, 1))))

    def apart_mm(self, other: RigidMotion, points_mm: Float) -> Float:
        """(N,) array: how far apart two motions lay each of (N, 3) fixed points."""
        return np.asarray(np.linalg.norm(self.moved_mm(points_mm) - other.moved_mm(points_mm), axis=-1))
