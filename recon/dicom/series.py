"""Grouping of slices into volumes: one series UID is not one volume."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from canalwise.recon.dicom.headers import Group, SliceHeader
from canalwise.recon.errors import BadFile, WrongUse

SAME_DIRECTION_TOL = 1e-3
"""Slices whose direction cosines agree within this (0.06 deg) have one orientation."""

SAME_SPACING_TOL_MM = 1e-3
"""Slices whose pixel spacings agree within this have one spacing."""

FEW_SLICES, FEW_FRAC = 4, 0.25
"""A group of fewer slices, or of less than this share of the largest of its series, is a scout."""

PLANES = ("sagittal", "coronal", "axial")
PLANE_COSINE = 0.9
"""A plane within about 25 deg of a patient axis is called by its name."""


def chosen_group(slices: Sequence[SliceHeader], series: int | None) -> tuple[Group, tuple[str, ...]]:
    """The slices of one volume, and warnings about those set aside.

    `series` picks one when there are several; without it they are listed in the refusal.
    The order of the list depends on the images alone, not on file names.

    Raises BadFile (several, none chosen) or WrongUse (no such number).
    """
    volumes, scouts = volume_groups(slices)
    listed = "; ".join(f"{number}: {description(group)}" for number, group in enumerate(volumes))
    if series is not None and not 0 <= series < len(volumes):
        raise WrongUse("'series'", f"must be one of 0 to {len(volumes) - 1} ({listed})", got=series)
    if series is None and len(volumes) > 1:
        check_one_patient(slices)
        raise BadFile(
            "the scan",
            "must be one series",
            got=f"{len(volumes)} of them: {listed}",
            do="Choose one by its number with the series option.",
        )
    chosen = volumes[series or 0]
    aside = sum(len(group) for group in scouts if group is not chosen)
    reported = f"{aside} slices of another orientation, size or kind (a scout) were set aside."
    return chosen, (reported,) if aside else ()


def volume_groups(slices: Sequence[SliceHeader]) -> tuple[list[Group], list[Group]]:
    """(slices that make a volume, the largest first; scouts)."""
    groups = sorted(_groups(slices), key=_order)
    scouts = [group for group in groups if _is_scout(group, groups)]
    # When all are small, all are offered: a refusal for size is clearer than an empty list.
    return [group for group in groups if group not in scouts] or groups, scouts


def check_one_patient(slices: Sequence[SliceHeader]) -> None:
    """Raises BadFile where slices name different patients; who they are is not stated."""
    patients = {header.patient for header in slices if header.patient}
    if len(patients) > 1:
        raise BadFile(
            "the folder",
            "must hold one patient's images",
            got=f"those of {len(patients)} patients",
            do="Give the folder of one patient's examination.",
        )


def description(group: Group) -> str:
    """Modality, count, size, spacing, plane, type and kernel: enough to choose by, and no name."""
    first = group[0]
    rows, columns = first.shape
    normal = np.abs(np.cross(first.row_ras, first.column_ras))
    plane = PLANES[int(normal.argmax())] if normal.max() >= PLANE_COSINE else "oblique"
    kinds = [word.lower() for word in first.kind[2:]] + ([f"kernel {first.kernel}"] if first.kernel else [])
    spacing = " x ".join(f"{mm:.2f}" for mm in first.spacing_mm)
    size = f"{len(group)} {plane} slices of {columns} x {rows}"
    return ", ".join([first.modality, size, f"{spacing} mm", *kinds])


def _groups(slices: Sequence[SliceHeader]) -> list[Group]:
    found: list[list[SliceHeader]] = []
    for header in slices:
        home = next((group for group in found if _alike(group[0], header)), None)
        if home is None:
            found.append([header])
        else:
            home.append(header)
    return [tuple(group) for group in found]


def _alike(a: SliceHeader, b: SliceHeader) -> bool:
    if (a.series, a.shape, a.kind, a.scout, a.modality) != (b.series, b.shape, b.kind, b.scout, b.modality):
        return False
    turned = max(np.abs(a.row_ras - b.row_ras).max(), np.abs(a.column_ras - b.column_ras).max())
    return bool(turned <= SAME_DIRECTION_TOL and np.abs(a.spacing_mm - b.spacing_mm).max() <= SAME_SPACING_TOL_MM)


def _is_scout(group: Group, groups: Sequence[Group]) -> bool:
    largest = max(len(other) for other in groups if other[0].series == group[0].series)
    return group[0].scout or len(group) < FEW_SLICES or len(group) < FEW_FRAC * largest


def _order(group: Group) -> tuple[int, list[float], str]:
    lowest = min(tuple(header.position_ras_mm.tolist()) for header in group)
    return -len(group), list(lowest), group[0].series
