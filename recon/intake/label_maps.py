"""Label maps made elsewhere, brought onto our numbers and the scan's grid."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cc3d
import numpy as np
import numpy.typing as npt

from canalwise.recon.errors import BadLabels, WrongUse
from canalwise.recon.grid import Grid
from canalwise.recon.intake.label_names import VoxelMeaning, read_label_names
from canalwise.recon.intake.label_sources import LabelSource, label_source
from canalwise.recon.labels import Labels, Part, Tissue, vertebra_name

CLASH_FRAC = 0.005
"""Two maps may contradict each other on at most this share of the bone they name; beyond it one of them is wrong."""

PRECEDENCE = (Tissue.OUTSIDE, Tissue.SOFT, Tissue.CANAL, Tissue.FLAVUM, Tissue.SAC, Tissue.ROOT, Tissue.CALCIFIED)
"""Where maps overlap, the later of these is kept: a sac drawn inside a canal is sac."""

Bytes = npt.NDArray[np.uint8]


@dataclass(frozen=True, eq=False)
class GivenLabels:
    """Labels made elsewhere, in our numbers.

    Parameters
    ----------
    labels : (nx, ny, nz) uint16 array, values of `recon.labels`; bone of unknown part is UNDIVIDED
    named : which of 'vertebrae', 'parts', 'discs', 'canal', 'sac', 'flavum', 'calcified', 'root', 'soft' were given
    warnings : sentences for people
    """

    labels: Labels
    named: frozenset[str]
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class _CombinedMaps:
    """Merged labels of several maps, voxel by voxel; `rank` is the place in PRECEDENCE."""

    vertebra: Bytes
    part: Bytes
    rank: Bytes
    ignored: npt.NDArray[np.bool_]


def read_given_labels(paths: Sequence[str | Path], names: str | Path | None, grid: Grid) -> GivenLabels:
    """The labels in one or more maps on the scan's own grid.

    Parameters
    ----------
    paths : label maps (NIfTI, NRRD, MetaImage), DICOM segmentations or structure sets, closed surfaces (STL, PLY, OBJ)
    names : the TOML file of `recon.intake.label_names`; None when one map carries our own numbers, or the files name
        what they hold in our names: segments, regions, a surface by its file's name ('L3.stl')
    grid : of the scan, after intake

    Raises
    ------
    BadLabels : another grid, values without a name, broken whole numbers, maps that contradict
        each other, or vertebrae or sides in the wrong order
    """
    return _read(paths, names, grid)[0]


def read_labels_alone(paths: Sequence[str | Path], names: str | Path | None) -> tuple[GivenLabels, Grid]:
    """The labels of one or more maps, and the grid they share; for cases without a scan.

    >>> import tempfile
    >>> from canalwise.recon.intake.nifti_writer import write_nifti
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder, "labels.nii.gz")
    ...     write_nifti(path, np.full((2, 2, 2), 2206, np.uint16), Grid((2, 2, 2), np.eye(4)))
    ...     given, grid = read_labels_alone([path], None)
    >>> sorted(given.named), grid.shape
    (['parts', 'vertebrae'], (2, 2, 2))
    """
    return _read(paths, names, None)


def _read(paths: Sequence[str | Path], names: str | Path | None, grid: Grid | None) -> tuple[GivenLabels, Grid]:
    whose = "the scan's grid" if grid else "the grid of the first map"
    said: list[_CombinedMaps] = []
    warnings: list[str] = []
    tables = _tables(len(paths), names)
    for number, path in enumerate(paths, start=1):
        source = label_source(Path(path), grid)
        grid = grid or source.grid
        if not source.grid.same_as(grid):
            raise BadLabels(
                f"label map {number}",
                f"must lie on {whose}, {_grid_text(grid)}",
                got=_grid_text(source.grid),
                do="Resample it, nearest neighbour, onto that grid and export again.",
            )
        table = _own_table(source, len(paths)) if tables is None else tables[number - 1]
        for values in source.layers:
            _check_all_named(values, table, number)
            said.append(_said(values, table))
        warnings += source.warnings
    assert grid is not None  # _tables refuses an empty list of paths
    given = _combined(said, grid)
    return replace(given, warnings=(*given.warnings, *warnings)), grid


def _own_table(source: LabelSource, count: int) -> Mapping[int, VoxelMeaning]:
    """What a file's values mean where no file of names was given."""
    if source.names is None and count > 1:
        raise WrongUse(
            "'paths'", "must name one map when no names are given, or files that name what they hold", got=count
        )
    return source.meanings()


def _tables(count: int, names: str | Path | None) -> tuple[Mapping[int, VoxelMeaning], ...] | None:
    """One table a map; None where the maps are to speak for themselves."""
    if count == 0:
        raise WrongUse("'paths'", "must name at least one label map")
    if names is None:
        return None
    tables = read_label_names(names)
    if len(tables) != count:
        raise WrongUse("'paths'", f"must name {len(tables)} maps, one per [[file]] table", got=count)
    return tables


def _grid_text(grid: Grid) -> str:
    corner, spacing = (np.round(v, 3).tolist() for v in (grid.affine_ras_mm[:3, 3], grid.spacing_mm))
    axes = np.round(grid.affine_ras_mm[:3, :3] / grid.spacing_mm, 4).tolist()
    return f"{grid.shape} voxels of {spacing} mm, first centre at RAS {corner} mm, axes {axes}"


def _check_all_named(values: Labels, table: Mapping[int, VoxelMeaning], number: int) -> None:
    present, counts = np.unique(values, return_counts=True)
    unknown = {int(v): int(n) for v, n in zip(present, counts, strict=True) if v != 0 and int(v) not in table}
    if unknown:
        raise BadLabels(
            f"label map {number}",
            "must hold only values that have a name",
            got=f"value: voxels {unknown}",
            do="Name them in the label-names file, or name them 'ignore'.",
        )


def _combined(maps: Sequence[_CombinedMaps], grid: Grid) -> GivenLabels:
    said, clashes = maps[0], 0
    for later in maps[1:]:
        said, clash = _merged(said, later)
        clashes += clash
    # Borders drawn by two people differ by a voxel here and there; whole bones do not.
    bone_voxels = int((said.vertebra > 0).sum())
    if clashes > CLASH_FRAC * bone_voxels:
        raise BadLabels(
            "the label maps",
            "must agree on vertebra and part",
            got=f"{clashes} voxels named two ways",
            do="Check that the [[file]] tables stand in the order of the maps.",
        )
    labels, stray = _labels(said, grid)
    check_order(labels, grid)
    check_sides(labels, grid)
    reported = {
        f"{clashes} voxels were named two ways; the later map was followed.": clashes,
        f"{stray} voxels name a part but no vertebra and were left out.": stray,
    }
    return GivenLabels(labels, _named(labels), tuple(sentence for sentence, count in reported.items() if count))


def _said(values: Labels, table: Mapping[int, VoxelMeaning]) -> _CombinedMaps:
    def looked_up(of: Mapping[int, int]) -> Bytes:
        lookup = np.zeros(int(values.max()) + 1, dtype=np.uint8)
        for value, answer in of.items():
            if value < lookup.size:
                lookup[value] = answer
        return lookup[values]

    return _CombinedMaps(
        looked_up({v: m.vertebra for v, m in table.items()}),
        looked_up({v: m.part for v, m in table.items()}),
        looked_up({v: PRECEDENCE.index(m.tissue) for v, m in table.items()}),
        looked_up({v: int(m.ignored) for v, m in table.items()}) > 0,
    )


def _merged(earlier: _CombinedMaps, later: _CombinedMaps) -> tuple[_CombinedMaps, int]:
    clash = np.zeros(earlier.part.shape, dtype=bool)
    for a, b in ((earlier.vertebra, later.vertebra), (earlier.part, later.part)):
        clash |= (a > 0) & (b > 0) & (a != b)
    merged = _CombinedMaps(
        np.where(later.vertebra > 0, later.vertebra, earlier.vertebra),
        np.where(later.part > 0, later.part, earlier.part),
        np.maximum(earlier.rank, later.rank),
        earlier.ignored | later.ignored,
    )
    return merged, int((clash & ~merged.ignored).sum())


def _labels(said: _CombinedMaps, grid: Grid) -> tuple[Labels, int]:
    vertebra = np.where((said.part == Part.DISC) & (said.vertebra == 0), _vertebra_above(said, grid), said.vertebra)
    part = np.where((said.part == 0) & (vertebra > 0), np.uint8(Part.UNDIVIDED), said.part)
    labels: Labels = np.array(PRECEDENCE, dtype=np.uint16)[said.rank]
    owned = vertebra > 0
    labels[owned] = (100 * vertebra.astype(np.uint16) + part)[owned]
    labels[said.ignored] = Tissue.OUTSIDE
    return labels, int(((said.part > 0) & ~owned & ~said.ignored).sum())


def _vertebra_above(said: _CombinedMaps, grid: Grid) -> Bytes:
    """Per voxel of a disc that names no vertebra: the vertebra whose centre is the next one cranial of that disc."""
    loose = (said.part == Part.DISC) & (said.vertebra == 0)
    answer = np.zeros(loose.shape, dtype=np.uint8)
    bone = np.where(said.part == Part.DISC, 0, said.vertebra)
    heights = sorted((point[2], number) for number, point in _centres_mm(bone, grid).items())
    if not loose.any() or not heights:
        return answer
    # Each disc is one piece; the vertebra above it is the lowest whose centre is higher.
    discs = cc3d.connected_components(loose, connectivity=26)
    for component, centre in _centres_mm(discs, grid).items():
        above = [number for height, number in heights if height > centre[2]]
        answer[discs == component] = above[0] if above else 0
    return answer


def _centres_mm(values: npt.NDArray[Any], grid: Grid) -> dict[int, npt.NDArray[np.float64]]:
    """Value -> (3,) array, RAS mm centre of its voxels; 0 is left out."""
    where = np.nonzero(values)
    numbers, inverse = np.unique(values[where], return_inverse=True)
    counts = np.bincount(inverse, minlength=len(numbers))
    index = np.stack([np.bincount(inverse, weights=axis, minlength=len(numbers)) / counts for axis in where], axis=-1)
    return {int(n): grid.world_mm(centre) for n, centre in zip(numbers, index, strict=True)}


def check_order(labels: Labels, grid: Grid) -> None:
    """Vertebrae must follow each other from cranial to caudal by their numbers; BadLabels tells their heights.

    `labels` (nx, ny, nz) on `grid`.
    """
    bone = np.where((labels >= 100) & (labels % 100 != Part.DISC), labels // 100, 0)
    heights = {n: centre[2] for n, centre in sorted(_centres_mm(bone, grid).items())}
    steps = np.diff(list(heights.values()))
    if (steps >= 0).any():
        found = {vertebra_name(n): round(float(z), 1) for n, z in heights.items()}
        raise BadLabels(
            "the vertebrae",
            "must follow each other from cranial to caudal",
            got=f"name: RAS z mm {found}",
            do="Check the numbers in the label-names file, and that the map is not upside down.",
        )


def check_sides(labels: Labels, grid: Grid) -> None:
    """Left parts must lie left of their right twins; a mirrored map would send the approach to the wrong side.

    `labels` (nx, ny, nz) on `grid`.

    Raises BadLabels where most pairs lie in the opposite order.
    """
    # By majority, for in a rotated scoliosis single pairs may cross.
    centres = _centres_mm(np.where(labels >= 100, labels, 0), grid)
    right_of = {part: Part[part.name.replace("LEFT", "RIGHT")] for part in Part if part.name.endswith("LEFT")}
    pairs = [
        (centre[0], centres[value - value % 100 + right_of[Part(value % 100)]][0])
        for value, centre in centres.items()
        if value % 100 in right_of and value - value % 100 + right_of[Part(value % 100)] in centres
    ]
    wrong = sum(left_x > right_x for left_x, right_x in pairs)
    if 2 * wrong > len(pairs):
        raise BadLabels(
            "the label map",
            "must name left what lies on the patient's left",
            got=f"{wrong} of {len(pairs)} pairs of parts in the opposite order",
            do="Check left and right in the label-names file, and that the map was not mirrored.",
        )


def _named(labels: Labels) -> frozenset[str]:
    values = np.unique(labels)
    parts = values[values >= 100] % 100
    found = {Tissue(int(v)).name.lower() for v in values[values < 100] if v != Tissue.OUTSIDE}
    found |= {"vertebrae"} if (parts != Part.DISC).any() else set()
    found |= {"discs"} if (parts == Part.DISC).any() else set()
    found |= {"parts"} if ((parts != Part.DISC) & (parts != Part.UNDIVIDED)).any() else set()
    return frozenset(found)
