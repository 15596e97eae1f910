"""Vertebrae as separate instances from what the network sees (`recon.segmentation.network`).

The kinds tell body from disc and upper from lower process; where along the canal they lie tells which vertebra they
belong to. What is sure is marked, and the rest of the bone is flooded from there without crossing a joint.

Method:

1. The largest piece of canal gives a centreline, and with it coordinates: along, left of, and behind the canal.
2. The section of all pedicle voxels along the canal has one peak a vertebra; peaks nearer than a vertebra are one.
3. Between two peaks lies one disc: the thickest run of layers whose middle is disc. With the peaks these heights make a
   ladder (`recon.spine.axial_profile`); a process that hangs into view without its body adds a rung.
4. Markers. Body between its end plates, pedicles about their peak, superior processes above their own pedicle, inferior
   ones about the pedicle below, laminae and spinous base below their own: only where anatomy is unambiguous. A vertebra
   whose body is seen as sacrum has its roof marked as such too.
5. Watershed from the markers (Vincent and Soille 1991, from memory) over the depth in bone: deep bone is flooded first,
   so that two vertebrae that touch meet at the neck between them. Where superior and inferior process meet, bone counts
   as joint and has no depth, so no flood crosses there early.
6. Sides of parts follow from the canal's left and right.
"""

from __future__ import annotations

from itertools import pairwise

import cc3d
import edt
import numpy as np
import numpy.typing as npt
from scipy import ndimage

from canalwise.recon.canal.tube import canal_along, line_through
from canalwise.recon.canal.wall import Stations
from canalwise.recon.errors import AnatomyNotFound
from canalwise.recon.grid import Float
from canalwise.recon.image.morphology import dilated
from canalwise.recon.labels import Mask, Part, sided
from canalwise.recon.parallel import both
from canalwise.recon.segmentation.instances import NetworkSpine
from canalwise.recon.segmentation.tissue_classes import MIDDLE_PARTS, PART_NAMES, TissueClass, TissueClassMap
from canalwise.recon.spine.arches import pedicle_heights_mm
from canalwise.recon.spine.axial_profile import BIN_MM, PEDICLE_DISTANCE_MM, USUAL_DISC_MM, SpineProfile
from canalwise.recon.spine.bodies import flooded
from canalwise.recon.spine.canal_coordinates import SpineField
from canalwise.recon.spine.spine_field import spine_field

LEAST_CANAL_MM3 = 3000.0
"""A smaller canal is none: about 15 mm of its length (choice)."""

LEAST_SECTION_MM2 = 40.0
"""Smaller sections do not place the canal's line (choice)."""

PEDICLE_LEAST_MM2 = 25.0
"""Least section of both pedicles together across the canal; one lumbar pedicle alone has 60 and more (choice)."""

DISC_LEAST_FRAC = 0.4
"""Share of disc in the middle of the column from which a layer belongs to a disc."""

DISC_LEAST_MM = 2.0
"""Thinner runs of disc are specks."""

CORE_HALF_WIDTH_MM, CORE_BACK_MM = 9.0, (-18.0, -4.0)
"""The middle of every body and disc: half its width, and depths from the posterior wall."""

SUPERIOR_ABOVE_MM, INFERIOR_ABOVE_MM = (2.0, 17.0), (0.0, 15.0)
LAMINA_BELOW_MM, SPINOUS_BELOW_MM = (-4.0, 15.0), (4.0, 15.0)
"""Heights at which processes and laminae are sure: superior processes above their own pedicle, inferior ones about the
pedicle below, laminae and spinous base below their own (a vertebra is 30..40 mm high; choice)."""

LAMINA_DEPTH_MM = 8.0
"""Laminae and spinous base are marked to this depth behind the canal."""

BODY_HALF_MM = 12.0
"""Half the width of what is marked of a body."""

PEDICLE_NEAR_MM = 7.0
PLATE_CLEAR_MM = 3.0
CRUMB_MM3 = 60.0
"""Bone in smaller pieces, apart from any vertebra, is dropped."""

DEEP_MM = 4.0
"""Bone deeper than this floods alike: half the thickness of an arch (choice)."""

HANGING_MM3 = 200.0
"""Least process of a vertebra beyond the last pedicle in view that makes another vertebra of it (choice)."""

SUPERIOR_DISC_MM, INFERIOR_DISC_MM = 18.0, 19.0
"""Middle of the next disc below and above a pedicle where the scan does not show it (common practice, no source)."""

DISC_ROOM_MM, DISC_FAN = 9.0, 0.35
"""How far above and below its heights a disc reaches, and how much further for each mm in front of the canal, where the
column bends: heights are those along the canal (choice)."""

OTHER = 255


def learnt_spine(seen: TissueClassMap) -> NetworkSpine:
    """Separate the vertebrae the network sees; raises AnatomyNotFound without a canal or a pedicle."""
    bone = _spine_bone(seen)
    # a disc closes the canal in front as a body does
    wall = (bone | (seen.kind == TissueClass.DISC)).astype(np.float32)
    tube = canal_along(wall, seen.grid, _line(seen))
    field = spine_field(seen.grid, tube)
    kind, bone = seen.kind[field.box], bone[field.box]
    profile = _profile(field, kind)
    number, disc = both(lambda: _numbers(field, kind, bone, profile), lambda: _discs(field, kind, profile))
    return NetworkSpine(field, profile, tube, number, _parts(field, kind, number), disc)


def _spine_bone(seen: TissueClassMap) -> Mask:
    """(nx, ny, nz) array: the network's bone without crumbs."""
    least = max(round(CRUMB_MM3 / seen.grid.voxel_mm3), 1)
    return np.asarray(cc3d.dust(seen.kind >= TissueClass.BODY, threshold=least, connectivity=26) > 0)


def _line(seen: TissueClassMap) -> Stations:
    """Planes along the middle of the canal's largest piece."""
    canal = cc3d.largest_k(seen.kind == TissueClass.CANAL, k=1, connectivity=6) > 0
    if canal.sum() * seen.grid.voxel_mm3 < LEAST_CANAL_MM3:
        raise AnatomyNotFound("canal", "is not seen by the network", got=f"{canal.sum() * seen.grid.voxel_mm3:.0f} mm3")
    area = canal.sum(axis=(0, 1)) * float(np.prod(seen.grid.spacing_mm[:2]))
    layers = np.flatnonzero(area >= LEAST_SECTION_MM2)
    middles = [[*np.argwhere(canal[:, :, k]).mean(axis=0), k] for k in layers]
    return line_through(seen.grid.world_mm(middles), seen.grid)


def _layers(field: SpineField, where: Mask) -> Float:
    """(n,) array: voxels of a mask in each layer of BIN_MM along the canal."""
    top = int(np.ceil(float(field.along_mm.max()) / BIN_MM)) + 1
    layer = np.floor(field.along_mm[where] / BIN_MM).astype(int)
    return np.bincount(layer[layer >= 0], minlength=top).astype(float)


def _profile(field: SpineField, kind: npt.NDArray[np.uint8]) -> SpineProfile:
    """Heights of the pedicles and discs the network sees."""
    section = _layers(field, kind == TissueClass.PEDICLE) * field.grid.voxel_mm3 / BIN_MM
    # a pedicle cut by the scan's end is a peak too, which wants lower layers on both sides
    smooth = np.concatenate([[0.0], ndimage.gaussian_filter1d(section, 2.0 / BIN_MM, mode="nearest"), [0.0]])
    peaks = separate_peaks(smooth, PEDICLE_LEAST_MM2, round(PEDICLE_DISTANCE_MM / BIN_MM))
    if not len(peaks):
        raise AnatomyNotFound(
            "pedicles",
            "are not in view: nothing bony joins body and arch beside the canal",
            do="Use a scan that shows at least one vertebra's pedicles.",
        )
    pedicles = [(_mass_middle(smooth, int(p)) - 1 + 0.5) * BIN_MM for p in peaks]
    discs = _disc_heights(field, kind, pedicles)
    return SpineProfile(tuple(pedicles), _with_hanging(field, kind, pedicles, discs), float(len(section)) * BIN_MM)


def separate_peaks(profile: Float, least: float, apart: int) -> list[int]:
    """Indices, rising, of the peaks of a profile (n,) that are `least` high, of nearer ones than `apart` the highest.

    A peak is a value with lower ones on both sides; of a level top it is the middle. Of peaks of one height the later
    one stays.

    >>> separate_peaks(np.array([0.0, 2.0, 2.0, 2.0, 0.0, 3.0, 1.0, 1.5, 0.0, 4.0, 0.0]), 1.8, 3)
    [2, 5, 9]
    """
    # the runs of equal values, and those of them that fall off to both sides
    starts = np.flatnonzero(np.diff(profile, prepend=np.nan))
    ends = np.append(starts[1:], len(profile)) - 1
    rising = np.diff(profile[starts]) > 0
    tops = np.flatnonzero(rising[:-1] & ~rising[1:]) + 1
    peaks = (starts[tops] + ends[tops]) // 2
    kept: list[int] = []
    for peak in peaks[np.argsort(profile[peaks], kind="stable")[::-1]].tolist():
        if profile[peak] >= least and all(abs(peak - other) >= apart for other in kept):
            kept.append(peak)
    return sorted(kept)


def _with_hanging(
    field: SpineField, kind: npt.NDArray[np.uint8], pedicles: list[float], discs: tuple[tuple[float, float], ...]
) -> tuple[tuple[float, float], ...]:
    """The discs, and one more at either end where a process of a vertebra hangs into view whose body does not."""
    middles = [(low + high) / 2 for low, high in discs]
    half = USUAL_DISC_MM / 2
    first, last = pedicles[0] - SUPERIOR_DISC_MM, pedicles[-1] + INFERIOR_DISC_MM
    below = _within(field.along_mm - pedicles[0], (-32.0, -SUPERIOR_DISC_MM)) & (kind == TissueClass.SUPERIOR)
    above = _within(field.along_mm - pedicles[-1], INFERIOR_ABOVE_MM) & (kind == TissueClass.INFERIOR)
    if not any(m < pedicles[0] for m in middles) and below.sum() * field.grid.voxel_mm3 >= HANGING_MM3:
        discs = ((first - half, first + half), *discs)
    if not any(m > pedicles[-1] for m in middles) and above.sum() * field.grid.voxel_mm3 >= HANGING_MM3:
        discs = (*discs, (last - half, last + half))
    return discs


def _mass_middle(profile: Float, peak: int) -> float:
    """Centre of mass of what stands above half a peak within 8 mm of it."""
    low, high = max(peak - 8, 0), min(peak + 9, len(profile))
    above = np.maximum(profile[low:high] - profile[peak] / 2, 0.0)
    return float((np.arange(low, high) * above).sum() / above.sum())


def _disc_heights(
    field: SpineField, kind: npt.NDArray[np.uint8], pedicles: list[float]
) -> tuple[tuple[float, float], ...]:
    """(caudal, cranial) end plate of the one disc between, below and above the pedicles in view."""
    low, high = CORE_BACK_MM
    core = (np.abs(field.left_mm) <= CORE_HALF_WIDTH_MM) & (field.back_mm >= low) & (field.back_mm <= high)
    bony = _layers(field, core & ((kind == TissueClass.BODY) | (kind == TissueClass.SACRUM)))
    share = _layers(field, core & (kind == TissueClass.DISC)) / np.maximum(_layers(field, core), 1.0)
    discs: list[tuple[float, float]] = []
    edges = [-np.inf, *pedicles, np.inf]
    for n, (a, b) in enumerate(pairwise(edges)):
        found = _disc_between(share, bony, a, b)
        if found is None and 0 < n < len(edges) - 2:
            # two pedicles have a disc between them, whether the network sees it or not
            middle = 0.5 * (a + b) + 2.0
            found = (middle - USUAL_DISC_MM / 2, middle + USUAL_DISC_MM / 2)
        if found is not None:
            discs.append(found)
    return tuple(discs)


def _disc_between(share: Float, bony: Float, low_mm: float, high_mm: float) -> tuple[float, float] | None:
    """The thickest run of disc layers between two heights, with bone beyond it; None where there is none."""
    heights = (np.arange(len(share)) + 0.5) * BIN_MM
    runs = cc3d.connected_components(
        ((share >= DISC_LEAST_FRAC) & (heights > low_mm) & (heights < high_mm)).astype(np.uint8)[:, None, None]
    )[:, 0, 0]
    best: tuple[float, float] | None = None
    for n in range(1, int(runs.max()) + 1):
        at = np.flatnonzero(runs == n)
        thick = len(at) * BIN_MM
        if thick >= DISC_LEAST_MM and (best is None or thick > best[1] - best[0]):
            best = (at[0] * BIN_MM, (at[-1] + 1) * BIN_MM)
    if best is None or not (bony[: int(best[0] / BIN_MM)].any() or bony[int(best[1] / BIN_MM) :].any()):
        return None
    return best


def _numbers(
    field: SpineField, kind: npt.NDArray[np.uint8], bone: Mask, profile: SpineProfile
) -> npt.NDArray[np.uint8]:
    """(nx, ny, nz) array: number of the vertebra of every bone voxel, from the caudal end."""
    markers = np.zeros(kind.shape, dtype=np.uint8)
    pedicles = pedicle_heights_mm(profile)
    reach = _layer_reach_mm(field)
    for n, pedicle in enumerate(pedicles, start=1):
        low, high = profile.body_span_mm(n - 1)
        below = pedicles[n - 2] if n > 1 else None
        layers = _layers_between(reach, _marked_span_mm((low, high), pedicle, below))
        _mark(markers[:, :, layers], n, field, kind, layers, (low, high), pedicle, below)
    # what is not bone floods itself, so that no vertebra's flood leaks through it into another
    markers[~bone] = OTHER
    # at many scans' voxel size the two processes touch: the voxels where they meet belong to neither
    joint = dilated(kind == TissueClass.SUPERIOR) & dilated(kind == TissueClass.INFERIOR)
    # The deep bone is flooded first, so that two vertebrae that touch meet at the neck between them.
    depth_mm = edt.edt(np.asfortranarray(bone & ~joint), anisotropy=tuple(field.grid.spacing_mm))
    found = flooded(np.ascontiguousarray(-np.minimum(depth_mm, DEEP_MM)), markers)
    return np.where(bone & (found != OTHER), found, 0).astype(np.uint8)


def _layer_reach_mm(field: SpineField) -> Float:
    """(2, nz) array: least and greatest height along the canal in each layer."""
    return np.stack([field.along_mm.min(axis=(0, 1)), field.along_mm.max(axis=(0, 1))]).astype(float)


def _marked_span_mm(body_mm: tuple[float, float], pedicle_mm: float, below_mm: float | None) -> tuple[float, float]:
    """Heights between which all that `_mark` looks at lies."""
    lows = [body_mm[0], pedicle_mm - max(LAMINA_BELOW_MM[1], SPINOUS_BELOW_MM[1], PEDICLE_NEAR_MM)]
    highs = [body_mm[1], pedicle_mm + max(SUPERIOR_ABOVE_MM[1], PEDICLE_NEAR_MM)]
    if below_mm is not None:
        lows.append(below_mm + INFERIOR_ABOVE_MM[0])
        highs.append(below_mm + INFERIOR_ABOVE_MM[1])
    return min(lows), max(highs)


def _layers_between(reach_mm: Float, span_mm: tuple[float, float]) -> slice:
    """The layers that hold any height of a span; empty where none does."""
    index = np.flatnonzero((reach_mm[1] >= span_mm[0]) & (reach_mm[0] <= span_mm[1]))
    return slice(int(index[0]), int(index[-1]) + 1) if len(index) else slice(0, 0)


def _mark(
    markers: npt.NDArray[np.uint8],
    n: int,
    field: SpineField,
    kind: npt.NDArray[np.uint8],
    layers: slice,
    body_mm: tuple[float, float],
    pedicle_mm: float,
    below_mm: float | None,
) -> None:
    """Write what is surely of the n-th vertebra into the markers of some layers (in place)."""
    part, along = (slice(None), slice(None), layers), field.along_mm[:, :, layers]
    kind, behind = kind[part], field.behind_mm[part]
    above, roof = along - pedicle_mm, behind < LAMINA_DEPTH_MM
    inside = (along >= body_mm[0] + PLATE_CLEAR_MM) & (along <= body_mm[1] - PLATE_CLEAR_MM)
    inside &= np.abs(field.left_mm[part]) < BODY_HALF_MM
    sacral = (kind == TissueClass.SACRUM) & (field.back_mm[part] < 0) & inside
    bodies = (kind == TissueClass.BODY) & inside
    # only the kind that prevails: in front of a steep sacrum heights along the canal are those of both L5 and S1
    is_sacrum = np.count_nonzero(sacral) > np.count_nonzero(bodies)
    markers[sacral if is_sacrum else bodies] = n
    markers[(kind == TissueClass.PEDICLE) & (np.abs(above) <= PEDICLE_NEAR_MM)] = n
    markers[(kind == TissueClass.SUPERIOR) & _within(above, SUPERIOR_ABOVE_MM)] = n
    markers[(kind == TissueClass.LAMINA) & _within(-above, LAMINA_BELOW_MM) & roof] = n
    markers[(kind == TissueClass.SPINOUS) & _within(-above, SPINOUS_BELOW_MM) & roof] = n
    if is_sacrum:
        # its roof is of one kind with its body, from which an open canal or a thin pedicle may part it
        markers[(kind == TissueClass.SACRUM) & _within(-above, LAMINA_BELOW_MM) & roof & (behind >= 0.0)] = n
    if below_mm is not None:
        markers[(kind == TissueClass.INFERIOR) & _within(along - below_mm, INFERIOR_ABOVE_MM)] = n


def _within(height: npt.NDArray[np.float32], span: tuple[float, float]) -> Mask:
    return np.asarray((height >= span[0]) & (height <= span[1]))


def _parts(field: SpineField, kind: npt.NDArray[np.uint8], number: npt.NDArray[np.uint8]) -> npt.NDArray[np.uint8]:
    """(nx, ny, nz) array of `Part`: the kinds with their sides."""
    part = np.zeros(kind.shape, dtype=np.uint8)
    for one, middle in MIDDLE_PARTS.items():
        part[kind == one] = middle
    for one, name in PART_NAMES.items():
        at = kind == one
        part[at] = np.where(field.left_mm[at] >= 0, sided(name, "left"), sided(name, "right"))
    sacral = kind == TissueClass.SACRUM
    part[sacral] = np.where(field.back_mm[sacral] < 0, Part.BODY, Part.UNDIVIDED)
    return np.where(number > 0, part, 0).astype(np.uint8)


def _discs(field: SpineField, kind: npt.NDArray[np.uint8], profile: SpineProfile) -> npt.NDArray[np.uint8]:
    """(nx, ny, nz) array: n where the disc above the n-th vertebra lies."""
    found = np.zeros(kind.shape, dtype=np.uint8)
    at = np.nonzero(kind == TissueClass.DISC)
    ahead = np.maximum(-field.back_mm[at], 0.0)
    nearest = np.full(len(ahead), np.inf)
    for n, (low, high) in enumerate(profile.discs_mm, start=1):
        away = np.abs(field.along_mm[at] - (low + high) / 2)
        own = (away <= (high - low) / 2 + DISC_ROOM_MM + DISC_FAN * ahead) & (away < nearest)
        found[tuple(index[own] for index in at)] = n
        nearest[own] = away[own]
    return found
