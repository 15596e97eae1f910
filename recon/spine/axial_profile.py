"""Pedicles and discs as heights along the canal.

Pedicles are the only bone that joins body and arch beside the canal, once per vertebra; between two of them lie
the two end plates of a disc, bright sheets across the bodies.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from canalwise.recon.errors import AnatomyNotFound
from canalwise.recon.grid import Float
from canalwise.recon.labels import Mask
from canalwise.recon.spine.canal_coordinates import SpineField

BIN_MM = 1.0
"""Height of the layers in which profiles are taken."""

PEDICLE_DISTANCE_MM = 22.0
"""Least distance of two pedicles: a low body and a flat disc (common practice, no source)."""

PEDICLE_RISE_FRAC = 0.15
"""Least prominence of a pedicle in the share of bone beside the canal."""

PEDICLE_LEAST_FRAC = 0.35
"""Least share of bone beside the canal at a pedicle's middle."""

PLATE_ABOVE_MM = (3.0, 16.0)
"""The upper end plate lies this far above its pedicle's middle (half a pedicle and a few mm)."""

DISC_HEIGHT_MM = (3.0, 16.0)
"""Distance of two facing end plates: discs are 3.1..11.4 mm in the mean model's data, and the plates hollow."""


USUAL_DISC_MM = 9.0
"""Height of a disc of which one end plate is out of view (common practice, no source)."""


@dataclass(frozen=True, eq=False)
class SpineProfile:
    """Heights along the canal in mm, caudal to cranial.

    Parameters
    ----------
    pedicles_mm : middles of the pedicles in view
    discs_mm : (caudal end plate, cranial end plate) of each disc in view
    end_mm : height of the canal's cranial end
    """

    pedicles_mm: tuple[float, ...]
    discs_mm: tuple[tuple[float, float], ...]
    end_mm: float

    @property
    def count(self) -> int:
        """Vertebrae in view, whole or cut."""
        return len(self.discs_mm) + 1

    def body_span_mm(self, n: int) -> tuple[float, float]:
        """Heights between which the n-th vertebra's body lies, counted from the caudal end."""
        low = self.discs_mm[n - 1][1] if n else -1e3
        high = self.discs_mm[n][0] if n < len(self.discs_mm) else 1e3
        return low, high

    def pedicle_of(self, n: int) -> float | None:
        """Height of the n-th vertebra's pedicle, None when it is not in view.

        The cranial one when there are several: a sacrum is bony beside the canal for long.
        """
        low, high = self.body_span_mm(n)
        return max((p for p in self.pedicles_mm if low - 4.0 < p < high), default=None)


def spine_profile(field: SpineField, value_hu: npt.NDArray[np.generic], wall: Mask) -> SpineProfile:
    """Pedicles and discs along a canal.

    Parameters
    ----------
    field : canal coordinates of a box
    value_hu, wall : (nx, ny, nz) arrays of the same box

    Raises
    ------
    AnatomyNotFound : no pedicle is in view
    """
    pedicles = _pedicles_mm(field, wall)
    plates = _plate_profile(field, value_hu)
    spans = []
    for n, p in enumerate(pedicles):
        roof = pedicles[n + 1] - 6.0 if n + 1 < len(pedicles) else p + 40.0
        spans.append((p + PLATE_ABOVE_MM[0], roof))
    found = [_plate_pair(plates, low, high) for low, high in spans]
    found[-1] = found[-1] or _cut_disc(plates, pedicles[-1] + 5.0, pedicles[-1] + 15.0, upward=True)
    below = _plate_pair(plates, pedicles[0] - 34.0, pedicles[0] - 8.0)
    below = below or _cut_disc(plates, pedicles[0] - 24.0, pedicles[0] - 12.0, upward=False)
    return SpineProfile(tuple(pedicles), tuple(pair for pair in (below, *found) if pair), float(len(plates)) * BIN_MM)


def _layer_means(field: SpineField, where: Mask, value: npt.NDArray[np.generic]) -> Float:
    """Mean of a value at `where`, layer by layer along the canal; nan in layers without any."""
    layer = np.floor(field.along_mm[where] / BIN_MM).astype(int)
    keep = layer >= 0
    top = int(np.ceil(float(field.along_mm.max()) / BIN_MM)) + 1
    count = np.bincount(layer[keep], minlength=top).astype(float)
    total = np.bincount(layer[keep], weights=value[where][keep].astype(float), minlength=top)
    full = count > 0.3 * np.median(count[count > 0])
    return np.where(full, total / np.maximum(count, 1), np.nan)


def _pedicles_mm(field: SpineField, wall: Mask) -> list[float]:
    band = (field.back_mm >= 1.0) & (field.back_mm <= 6.0) & (field.beside_mm >= 0.5) & (field.beside_mm <= 7.0)
    share = _filled(_layer_means(field, band, wall))
    smooth = ndimage.gaussian_filter1d(share, 2.0 / BIN_MM, mode="nearest")
    # Zeros beyond both ends let a pedicle that the scan cuts still stand out.
    padded = np.concatenate([[0.0], smooth, [0.0]])
    from scipy import signal  # its loading takes a second, and no CT that the network reads comes here

    peaks, _ = signal.find_peaks(
        padded, distance=PEDICLE_DISTANCE_MM / BIN_MM, prominence=PEDICLE_RISE_FRAC, height=PEDICLE_LEAST_FRAC
    )
    if not len(peaks):
        raise AnatomyNotFound(
            "pedicles",
            "are not in view: nothing bony joins body and arch beside the canal",
            do="Use a scan that shows at least one vertebra's pedicles.",
        )
    return [(_half_height_middle(padded, int(p)) - 1 + 0.5) * BIN_MM for p in peaks]


def _half_height_middle(profile: Float, peak: int) -> float:
    """Middle of the run round a peak that stays above half its height."""
    low = high = peak
    while low > 0 and profile[low - 1] >= profile[peak] / 2:
        low -= 1
    while high < len(profile) - 1 and profile[high + 1] >= profile[peak] / 2:
        high += 1
    # A sacrum's sides stay bony for long: keep near the peak.
    return float(np.clip((low + high) / 2, peak - 5, peak + 5))


def _filled(profile: Float) -> Float:
    """Layers that few voxels' centres fall into, interpolated; zero beyond the view."""
    known = np.flatnonzero(~np.isnan(profile))
    if not len(known):
        return np.zeros_like(profile)
    return np.asarray(np.interp(np.arange(len(profile)), known, profile[known], left=0.0, right=0.0))


def _plate_profile(field: SpineField, value_hu: npt.NDArray[np.generic]) -> Float:
    """Mean value across the dorsal middle of bodies and discs by height, less its slow part: end plates stand out."""
    core = (np.abs(field.left_mm) <= 9.0) & (field.back_mm <= -3.0) & (field.back_mm >= -15.0)
    mean = _layer_means(field, core, value_hu)
    known = np.flatnonzero(~np.isnan(mean))
    whole = np.interp(np.arange(len(mean)), known, mean[known])
    return np.asarray(ndimage.gaussian_filter1d(whole, 0.7) - ndimage.gaussian_filter1d(whole, 12.0), dtype=float)


def _cut_disc(plates: Float, low_mm: float, high_mm: float, *, upward: bool) -> tuple[float, float] | None:
    """A disc of which the scan shows one end plate only, the other taken USUAL_DISC_MM away; None without a sheet.

    It parts the last vertebra from the arch of the next, which hangs into view while its body does not.
    """
    low, high = max(int(np.ceil(low_mm / BIN_MM)), 0), min(int(high_mm / BIN_MM) + 1, len(plates))
    if low >= high:
        return None
    at = low + int(plates[low:high].argmax())
    if plates[at] < 1.5 * float(np.std(plates)):
        return None
    height = (at + 0.5) * BIN_MM
    return (height, height + USUAL_DISC_MM) if upward else (height - USUAL_DISC_MM, height)


def _plate_pair(plates: Float, low_mm: float, high_mm: float) -> tuple[float, float] | None:
    """The two brightest sheets a disc's height apart between two heights; None when they are out of view."""
    low, high = max(int(np.ceil(low_mm / BIN_MM)), 1), min(int(high_mm / BIN_MM), len(plates) - 2)
    best, pair = 0.0, None
    for a in range(low, high):
        for b in range(a + int(DISC_HEIGHT_MM[0]), min(a + int(DISC_HEIGHT_MM[1]), high) + 1):
            between = plates[a + 1 : b].mean()
            score = plates[a] + plates[b] - 2.0 * between - 0.02 * abs(plates[a] - plates[b])
            if score > best:
                best, pair = score, ((a + 0.5) * BIN_MM, (b + 0.5) * BIN_MM)
    return pair if best > 2.0 * float(np.std(plates)) else None
