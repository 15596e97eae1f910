"""Is a volume fit to plan on? Size, slice thickness, Hounsfield units, metal."""

from __future__ import annotations

import numpy as np

from canalwise.recon.errors import BadFile, BadGeometry, UnusableInput
from canalwise.recon.grid import Float
from canalwise.recon.image.volume import Voxels

THICK_WARN_MM = 1.5
"""Voxel edges longer than this are warned of (docs/accuracy.md#what-is-asked)."""

PIXEL_REFUSE_MM = 3.0
"""Pixels longer than this are refused unless accepted (docs/accuracy.md#what-is-asked)."""

THICK_REFUSE_MM = 5.0
"""Slices may be this far apart along one axis: of an MR 3-5 mm are usual, of a CT over 3 mm nothing but the canal is
read (docs/accuracy.md#what-is-asked; common practice, no source)."""

THICK_TOL_MM = 1e-3
"""Slack of both, for spacings kept as single-precision numbers."""

TINY_VOXELS, TINY_MM = 8, 15.0
"""Fewer voxels or mm than this along an axis cannot hold a facet joint and the canal; common practice, no source."""

SAMPLE_VOXELS = 2_000_000
"""Value checks look at no more than about this many evenly strided voxels."""

NEGATIVE_HU, NEGATIVE_FRAC = -20.0, 5e-4
"""CT of a spine has fat (about -100 HU) or air: at least this share lies below; magnitude MR has none."""

BONE_HU, BONE_FRAC = 200.0, 2e-3
"""Cortical bone lies above; a spine shows at least this share of it."""

BELOW_MAGNITUDE, BELOW_MAGNITUDE_FRAC = -50.0, 0.02
"""A magnitude image holds nothing below zero, an interpolated one little of it: 0.7 % below -20 in a real one. In
Hounsfield units fat and air are 9 % and more (measured on two real CT)."""

BELOW_AIR_HU, BELOW_AIR_FRAC = -1100.0, 0.02
"""Nothing in a body is thinner than air at -1000 HU; more than this share below (one padding value aside) is a rescale
applied twice."""

MOST_LABELS, ALIKE_FRAC = 1000, 0.7
"""A label map has at most this many values, and at least this share of its neighbours agree: 0.85 to 1.0 in six real
label maps along any axis, 0.003 to 0.054 in four real CT and MR (measured)."""

THICKEST_MM = 10.0
"""Voxel edges longer than this are refused whoever accepts them: a whole disc fits between two slices."""

METAL_HU, METAL_MM3 = 3000.0, 50.0
"""Denser than cortical bone; this much of it means an implant (3071 HU is the top of a 12-bit scale)."""


def check_size(shape: tuple[int, ...], spacing_mm: Float) -> None:
    """Refuse a volume too small to show one motion segment; raises BadGeometry.

    >>> check_size((40, 40, 40), np.array([0.5, 0.5, 0.7]))
    """
    extent_mm = np.array(shape) * spacing_mm
    if min(shape) < TINY_VOXELS or extent_mm.min() < TINY_MM:
        size = " x ".join(f"{n} ({mm:.1f} mm)" for n, mm in zip(shape, extent_mm, strict=True))
        raise BadGeometry(
            "the scan",
            f"must measure at least {TINY_VOXELS} voxels and {TINY_MM:g} mm each way",
            got=size,
            do="Give the whole series, not a few slices of it.",
        )


def thickness_warnings(spacing_mm: Float, *, accept_thick: bool) -> tuple[str, ...]:
    """Warnings about coarse voxels; raises BadGeometry over THICK_REFUSE_MM along one axis unless accepted.

    Parameters
    ----------
    spacing_mm : (3,) array, edges of a voxel
    accept_thick : did a person accept coarser voxels?

    >>> thickness_warnings(np.array([0.4, 0.4, 1.0]), accept_thick=False)
    ()
    """
    _, middle, widest = sorted(float(mm) for mm in spacing_mm)
    most_mm, pixel_mm = (THICKEST_MM,) * 2 if accept_thick else (THICK_REFUSE_MM, PIXEL_REFUSE_MM)
    if widest > most_mm + THICK_TOL_MM or middle > pixel_mm + THICK_TOL_MM:
        raise BadGeometry(
            "the slices",
            f"must be at most {most_mm:g} mm apart, their pixels {pixel_mm:g} mm, to plan on",
            got=f"{widest:.2f} mm, pixels of {middle:.2f} mm",
            do=f"Reconstruct at 1 mm or less{'' if accept_thick else ', or accept thick slices'}.",
        )
    if widest <= THICK_WARN_MM + THICK_TOL_MM:
        return ()
    return (f"Voxels are {widest:.2f} mm long on an axis; over {THICK_WARN_MM:g} mm thin laminae and facet gaps fade.",)


def mr_thickness_warnings(spacing_mm: Float, *, accept_thick: bool) -> tuple[str, ...]:
    """Warnings about an MR's slices; raises BadGeometry over THICK_REFUSE_MM along one axis unless accepted.

    The other two axes are held to what a CT's are.

    Parameters
    ----------
    spacing_mm : (3,) array, edges of a voxel
    accept_thick : did a person accept thicker slices?

    >>> mr_thickness_warnings(np.array([4.0, 0.6, 0.6]), accept_thick=False)
    ('Slices are 4.00 mm apart: what is thinner across them, such as laminae and facet gaps, is not resolved.',)
    """
    short, middle, longest = sorted(float(mm) for mm in spacing_mm)
    most_mm, pixel_mm = (THICKEST_MM,) * 2 if accept_thick else (THICK_REFUSE_MM, PIXEL_REFUSE_MM)
    if longest > most_mm + THICK_TOL_MM or middle > pixel_mm + THICK_TOL_MM:
        raise BadGeometry(
            "the slices of an MR",
            f"must be at most {most_mm:g} mm apart, their pixels {pixel_mm:g} mm, to plan on",
            got=f"{longest:.2f} mm, pixels of {short:.2f} x {middle:.2f} mm",
            do="Give another series of the examination.",
        )
    if longest <= THICK_WARN_MM + THICK_TOL_MM:
        return ()
    return (
        f"Slices are {longest:.2f} mm apart: what is thinner across them, such as laminae and facet gaps, "
        "is not resolved.",
    )


def check_magnitude(voxels: Voxels) -> None:
    """Refuse a CT offered as an MR; raises UnusableInput.

    Parameters
    ----------
    voxels : (...) array, in the scan's own unit

    >>> check_magnitude(np.array([0, 3, 250, 900]))
    """
    sample = voxels.ravel()[:: max(1, voxels.size // SAMPLE_VOXELS)]
    below = float((sample < BELOW_MAGNITUDE).mean())
    if below > BELOW_MAGNITUDE_FRAC:
        raise UnusableInput(
            "the scan",
            "must hold magnitudes, none of them negative, to be MR",
            got=f"{below:.0%} of its voxels below {BELOW_MAGNITUDE:g}, smallest value {sample.min()}",
            do="These look like a CT's Hounsfield units, or a phase image. Build a CT without --modality MR.",
        )


def check_finite(voxels: Voxels) -> None:
    """Refuse not-a-number or infinite voxels; raises UnusableInput with their count.

    >>> check_finite(np.zeros((2, 2, 2), np.float32))
    """
    if voxels.dtype.kind == "f" and not np.isfinite(voxels).all():
        raise UnusableInput(
            "the scan",
            "must have finite voxels only",
            got=f"{int((~np.isfinite(voxels)).sum())} not-a-number or infinite",
            do="Export it again, or fill the missing voxels with air.",
        )


def check_not_empty(voxels: Voxels) -> None:
    """Refuse a volume with one value everywhere; raises BadFile.

    >>> check_not_empty(np.arange(8).reshape(2, 2, 2))
    """
    if voxels.min() == voxels.max():
        raise BadFile("the scan", "must show something", got=f"{voxels.flat[0]} in every voxel")


def check_not_label_map(voxels: Voxels) -> None:
    """Refuse a label map offered as the scan; raises UnusableInput.

    Its values are few whole numbers from 0 on, and beside almost every voxel that is not 0 lies another of the same
    value; noise keeps neighbours in an image apart.

    >>> check_not_label_map(np.random.default_rng(0).normal(100, 15, (20, 20, 20)).astype(np.int16))
    """
    # Every so many planes, each whole: neighbours must stay neighbours.
    planes = voxels[:: max(1, voxels.size // SAMPLE_VOXELS)]
    if planes.min() < 0 or (planes.dtype.kind == "f" and (np.rint(planes) != planes).any()):
        return
    ahead, behind = planes[..., 1:], planes[..., :-1]
    inside = (ahead != 0) & (behind != 0)
    pairs = int(inside.sum())
    values = np.unique(planes)
    if pairs and len(values) <= MOST_LABELS and float((ahead == behind)[inside].mean()) >= ALIKE_FRAC:
        raise UnusableInput(
            "the scan",
            "must be an image",
            got=f"a label map of {len(values)} values",
            do="Give the CT or MR here, and the label map with --labels.",
        )


def check_hounsfield(voxels: Voxels) -> None:
    """Refuse values that cannot be Hounsfield units of a spine, whoever says they are; raises UnusableInput.

    Parameters
    ----------
    voxels : (...) array, said to be HU

    >>> check_hounsfield(np.array([-1000, -90, 40, 50, 700]))
    """
    # Evenly strided, so the answer does not depend on where the bone lies, nor on chance.
    sample = voxels.ravel()[:: max(1, voxels.size // SAMPLE_VOXELS)]
    _check_not_rescaled_twice(sample)
    if float((sample < NEGATIVE_HU).mean()) < NEGATIVE_FRAC:
        raise UnusableInput(
            "the scan",
            f"must show fat or air below {NEGATIVE_HU:g} HU to be CT",
            got=f"smallest value {sample.min()}, median {float(np.median(sample)):g}",
            do="These look like MR, or CT whose rescale was lost. Build an MR with --modality MR.",
        )
    bone = float((sample > BONE_HU).mean())
    if bone < BONE_FRAC:
        raise UnusableInput(
            "the scan",
            f"must show bone: {BONE_FRAC:.1%} of its voxels over {BONE_HU:g} HU",
            got=f"{bone:.2%}, largest value {sample.max()}",
            do="This is no CT of a spine in Hounsfield units. Build an MR with --modality MR.",
        )


def _check_not_rescaled_twice(sample: Voxels) -> None:
    # A padding value outside the reconstruction circle is one constant, the least of all.
    below = sample[(sample < BELOW_AIR_HU) & (sample > sample.min())]
    share = below.size / sample.size
    if share > BELOW_AIR_FRAC:
        raise UnusableInput(
            "the scan",
            f"must not be thinner than air ({BELOW_AIR_HU:g} HU)",
            got=f"{share:.0%} of its voxels",
            do="The rescale to HU was applied twice; export the original again.",
        )


def metal_warnings(voxels: Voxels, voxel_mm3: float) -> tuple[str, ...]:
    """A warning when implants blind the scan around them.

    >>> metal_warnings(np.full((4, 4, 4), 3071), 1.0)[0]
    'About 64 mm3 reach 3000 HU or more: metal. Bone near it cannot be trusted.'
    """
    if voxels.max() < METAL_HU:
        return ()
    metal_mm3 = float((voxels >= METAL_HU).sum()) * voxel_mm3
    if metal_mm3 < METAL_MM3:
        return ()
    return (f"About {metal_mm3:.0f} mm3 reach {METAL_HU:g} HU or more: metal. Bone near it cannot be trusted.",)
