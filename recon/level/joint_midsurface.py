"""The smooth sheet midway through a facet joint, in the level frame."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from canalwise.recon.grid import Float

FIT_ROUNDS = 6
"""Reweighting rounds of the robust fit; points kept no longer change after about five."""

TUKEY, LEAST_SPREAD_MM = 4.685, 0.3
"""Robust standard deviations past which a point has no say (Tukey's biweight at 95 % efficiency), and their floor."""

BEND_PRIOR = 1e-3
"""Weight of 'flat' against the points, per mm^4: settles the bend where few points do."""


@dataclass(frozen=True, eq=False)
class JointMidsurface:
    """A quadric sheet: height over the plane of two axes, along the third.

    Parameters
    ----------
    centre_mm : (3,) array
    axes : (3, 3) array, rows: along the joint in the axial plane, up the joint, across it from upper to lower vertebra
    coefficients : (6,) array of 1, u, v, u^2, u v, v^2
    """

    centre_mm: Float
    axes: Float
    coefficients: Float

    def flat_mm(self, points_mm: Float) -> Float:
        """(3, N) array: u, v and height over the plane of (N, 3) points.

        >>> sheet = JointMidsurface(np.zeros(3), np.eye(3), np.zeros(6))
        >>> sheet.flat_mm(np.array([[1.0, 2.0, 3.0]])).ravel().tolist()
        [1.0, 2.0, 3.0]
        """
        found: Float = self.axes @ (points_mm - self.centre_mm).T
        return found

    def height_mm(self, points_mm: Float) -> Float:
        """(N,) array: how far points lie past the sheet, along its third axis.

        >>> tilted = JointMidsurface(np.zeros(3), np.eye(3), np.array([0.5, 1.0, 0, 0, 0, 0]))
        >>> tilted.height_mm(np.array([[1.0, 0.0, 4.0]])).tolist()
        [2.5]
        """
        u, v, height = self.flat_mm(points_mm)
        return np.asarray(height - _terms(u, v) @ self.coefficients)

    def at(self, points_mm: Float) -> Float:
        """(N, 3) unit normals of the sheet, straight across from the upper vertebra to the lower.

        >>> JointMidsurface(np.zeros(3), np.eye(3), np.zeros(6)).at(np.array([[1.0, 2.0, 3.0]])).tolist()
        [[0.0, 0.0, 1.0]]
        """
        u, v, _ = self.flat_mm(points_mm)
        return self.over(u, v)[1]

    def over(self, u_mm: Float, v_mm: Float) -> tuple[Float, Float, Float]:
        """Points (..., 3), unit normals (..., 3) and area per area of the plane (...,) over (u, v).

        >>> flat = JointMidsurface(np.zeros(3), np.eye(3), np.array([2.0, 1, 0, 0, 0, 0]))
        >>> points, normals, stretch = flat.over(np.array([1.0]), np.array([0.0]))
        >>> points.tolist(), round(float(stretch[0]), 4)
        ([[1.0, 0.0, 3.0]], 1.4142)
        """
        _, along_u, along_v, uu, uv, vv = self.coefficients
        height = _terms(u_mm, v_mm) @ self.coefficients
        points = self.centre_mm + np.stack([u_mm, v_mm, height], axis=-1) @ self.axes
        slopes = np.stack(
            [-(along_u + 2 * uu * u_mm + uv * v_mm), -(along_v + uv * u_mm + 2 * vv * v_mm), np.ones_like(height)],
            axis=-1,
        )
        stretch = np.linalg.norm(slopes, axis=-1)
        return points, (slopes / stretch[..., None]) @ self.axes, np.asarray(stretch)


def _terms(u: Float, v: Float) -> Float:
    return np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=-1)


def plane_axes(points_mm: Float, weights: Float, across: Float) -> Float:
    """(3, 3) axes of a sheet through (N, 3) points: along it, up it (as cranial as can be), and across along `across`.

    >>> flat = np.array([[0.0, 0, 0], [0, 1, 0], [0, 0, 1], [0, 1, 1]])
    >>> plane_axes(flat, np.ones(4), np.array([1.0, 0, 0])).tolist()[2]
    [1.0, 0.0, 0.0]
    """
    centred = points_mm - np.average(points_mm, axis=0, weights=weights)
    normal = np.linalg.eigh((centred * weights[:, None]).T @ centred)[1][:, 0]
    normal = normal * (np.sign(normal @ across) or 1.0)
    up = np.array([0.0, 0.0, 1.0]) - normal[2] * normal
    if np.linalg.norm(up) < 1e-6:  # a sheet that lies flat has no cranial direction
        up = np.array([0.0, 1.0, 0.0]) - normal[1] * normal
    up /= np.linalg.norm(up)
    return np.stack([np.cross(up, normal), up, normal])


def sheet_through(points_mm: Float, weights: Float, across: Float) -> JointMidsurface:
    """The robust least-squares sheet through (N, 3) points.

    Parameters
    ----------
    weights : (N,) array, say of each point
    across : (3,) rough direction from the upper vertebra to the lower
    """
    start = JointMidsurface(
        np.average(points_mm, axis=0, weights=weights), plane_axes(points_mm, weights, across), np.zeros(6)
    )
    return refitted(start, points_mm, weights)


def refitted(sheet: JointMidsurface, points_mm: Float, weights: Float) -> JointMidsurface:
    """The sheet over the same plane, fitted to other points (iteratively reweighted least squares).

    `points_mm` (N, 3), in the frame of the sheet's own points; `weights` (N,).
    """
    u, v, height = sheet.flat_mm(points_mm)
    terms, robust_weights = _terms(u, v), weights.astype(float)
    stiff = np.diag([0.0, 0, 0, 1, 1, 1]) * BEND_PRIOR * float(weights.sum())
    fit = sheet.coefficients
    for _ in range(FIT_ROUNDS):
        weighted = terms * robust_weights[:, None]
        fit = np.linalg.lstsq(weighted.T @ terms + stiff, weighted.T @ height, rcond=None)[0]
        residual = height - terms @ fit
        spread = max(1.4826 * float(np.median(np.abs(residual))), LEAST_SPREAD_MM)
        robust_weights = weights * np.clip(1 - (residual / (TUKEY * spread)) ** 2, 0, None) ** 2
    return replace(sheet, coefficients=fit)
