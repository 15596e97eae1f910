"""The batch's three questions on a graphics card (the extra `gpu`); `batch.cu` holds the formulas.

`outcomes(scene, table, on=Gpu())` asks the card instead of the processor. Sums are of single precision and their order
does not depend on anything but the scene, so the same question gives the same bytes on the same card.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable, Mapping
from functools import cache
from pathlib import Path
from typing import Any
from weakref import WeakKeyDictionary

import numpy as np
import numpy.typing as npt

from canalwise.estimator.geometry.level_arrays import (
    CRANIAL_LOOKS,
    F32,
    F64,
    I8,
    LEAF,
    LOOK_STEP,
    MEDIAL_LOOKS,
    SIGHT_MM,
    LevelArrays,
    SampleRows,
    Spheres,
)
from canalwise.recon.errors import WrongUse

OnCard = Any
"""An array in the card's memory."""

WARPS = 4
"""Approaches, each a warp, that share a block of the card's threads."""

LANES = 32

WAITING_LEAVES = 64
"""Room for leaves that wait to be looked into (`ROOM` in batch.cu)."""

MOST_PHASES = 4
"""A leaf's word has two bits for each phase."""

CHUNK = 1 << 18
"""Approaches sent to the card at a time: their answers fill some 200 MB there."""


def constants() -> dict[str, float]:
    """What batch.cu shares with the processor's loops, by name."""
    from canalwise.estimator.approach.table import PHASE_NUMBERS
    from canalwise.estimator.geometry.batch_loops import LAST, SLACK, TOUCH_TOL_MM
    from canalwise.estimator.geometry.cone_formulas import SMALLEST_STEP_MM
    from canalwise.estimator.level.sample_spacing import SAMPLE_MM

    broken = {"LAST": float(LAST), "SLACK": float(SLACK), "SMALLEST_STEP_MM": float(SMALLEST_STEP_MM)}
    broken |= {"TOUCH_TOL_MM": float(TOUCH_TOL_MM), "LOOK_STEP": float(LOOK_STEP), "SIGHT_MM": float(SIGHT_MM)}
    broken["SAMPLE_MM"] = SAMPLE_MM
    whole: dict[str, float] = {"LEAF": LEAF, "MEDIAL_LOOKS": MEDIAL_LOOKS, "CRANIAL_LOOKS": CRANIAL_LOOKS}
    return broken | whole | {"PHASE_NUMBERS": PHASE_NUMBERS}


class Gpu:
    """Answers with a graphics card (`estimator.batch.outcomes.Device`); raises WrongUse where there is none.

    Parameters
    ----------
    shared : the constants of the processor's loops, where these cannot be imported
    """

    def __init__(self, shared: Mapping[str, float] | None = None) -> None:
        self.cupy = card_library()
        self._shared = dict(shared or constants())
        self._loaded: WeakKeyDictionary[LevelArrays, GpuLevelArrays] = WeakKeyDictionary()

    def loaded(self, scene: LevelArrays) -> GpuLevelArrays:
        """The scene in the card's memory."""
        if scene not in self._loaded:
            self._loaded[scene] = GpuLevelArrays(self.cupy, scene, self._shared)
        return self._loaded[scene]

    def removals(self, scene: LevelArrays, phases: F32, clearance_radii_mm: F32) -> tuple[F64, F64, F64]:
        """(A, B) weight and weight per mm taken of each bucket, (A,) farthest lateral, mm."""
        weight, per_mm, lateral = self._reported(self.loaded(scene).removals, phases, clearance_radii_mm)
        return weight, per_mm, lateral

    def keepings(self, scene: LevelArrays, phases: F32, clearance_radii_mm: F32) -> tuple[F64, F64, F64]:
        """(A, 2, 2) mm2 of joint surface kept, (A, 2) least width of the pars and (A,) thickness of the bridge, mm."""
        kept, pars_mm, bridge_mm = self._reported(self.loaded(scene).keepings, phases, clearance_radii_mm)
        return kept, pars_mm, bridge_mm

    def reaches(self, scene: LevelArrays, phases: F32, clearance_radii_mm: F32, outward_mm: F32) -> tuple[F64, F64]:
        """(A, 2, S) targets touched; (A, 2, 2) farthest at the disc and least clearance beyond the berth, mm."""
        counts, reported = self._reported(self.loaded(scene).reaches, phases, clearance_radii_mm, outward_mm)
        return counts, reported

    def _reported(self, question: Callable[..., tuple[OnCard, ...]], *columns: F32) -> list[F64]:
        """A question's answers to all rows, chunk by chunk."""
        found = []
        for start in range(0, max(len(columns[0]), 1), CHUNK):
            rows = [self.cupy.asarray(c[start : start + CHUNK], dtype=np.float32) for c in columns]
            found.append([self.cupy.asnumpy(answer) for answer in question(*rows)])
        return [np.concatenate(answers).astype(float) for answers in zip(*found, strict=True)]


def card_library() -> Any:
    """The library that speaks to the card."""
    try:
        cupy = importlib.import_module("cupy")
    except ImportError as error:
        do = "Install the extra 'gpu' (pip install 'canalwise[gpu]')."
        raise WrongUse("a graphics card", "needs CuPy, which is not installed", do=do) from error
    try:
        cupy.cuda.runtime.getDevice()
    except cupy.cuda.runtime.CUDARuntimeError as error:
        raise WrongUse("a graphics card", "is not there", got=str(error), do="Leave out `on`.") from error
    return cupy


@cache
def _module(cupy: Any, shared: tuple[tuple[str, float], ...], phases: int) -> Any:
    """batch.cu compiled for so many phases."""
    numbers = {"PHASES": phases, "WARPS": WARPS, "WAITING_LEAVES": WAITING_LEAVES, **dict(shared)}
    defines = [f"-D{n}={v}" if isinstance(v, int) else f"-D{n}={np.float32(v):.9e}f" for n, v in numbers.items()]
    code = Path(__file__).with_name("batch.cu").read_text()
    return cupy.RawModule(code=code, options=("--std=c++17", "--use_fast_math", *defines))


class GpuLevelArrays:
    """A scene in the card's memory; it answers for phases (A, P, 14) and berths (A,) that are there too."""

    def __init__(self, cupy: Any, scene: LevelArrays, shared: Mapping[str, float]) -> None:
        self.cupy, self._shared = cupy, tuple(sorted(shared.items()))
        self.sets, self.buckets = len(scene.sets), len(scene.buckets)
        self._cell = np.float32(scene.cell_mm)
        self._cloud = [*map(cupy.asarray, _cloud(scene))]
        self._groups = len(scene.cloud.bucket)
        self._pairs = [*map(cupy.asarray, _pairs(scene))]
        self._leaves = len(scene.pairs.side)
        self._pars = self._rows(scene.pars, scene.pars.before_run)
        self._base = self._rows(scene.base, scene.base.before_sum)
        self._left_planes = np.int32(scene.pars_planes[0])
        goals, kinds = _goals(scene)
        self._targets = len(kinds)
        self._goals = [cupy.asarray(goals), cupy.asarray(kinds), np.int32(len(kinds)), np.int32(self.sets)]
        for field, turn in ((scene.shade.field, scene.shade.turn), (scene.goals.guard, scene.goals.turn)):
            self._goals += [cupy.asarray(field), *map(np.int32, field.shape), cupy.asarray(turn.ravel())]

    def removals(self, phases: OnCard, clearance_radii_mm: OnCard) -> tuple[OnCard, OnCard, OnCard]:
        """(A, B) weight and weight per mm taken, (A,) farthest lateral, mm."""
        count = len(phases)
        weight, per_mm = (self.cupy.zeros((count, self.buckets), np.float32) for _ in range(2))
        lateral = self.cupy.empty(count, np.float32)
        words = self._groups + WAITING_LEAVES
        scene = [*self._cloud, np.int32(self._groups), np.int32(self.buckets)]
        self._launch(
            "removals", words, phases, [*scene, phases, clearance_radii_mm, self._cell], [weight, per_mm, lateral]
        )
        return weight, per_mm, lateral

    def keepings(self, phases: OnCard, clearance_radii_mm: OnCard) -> tuple[OnCard, OnCard, OnCard]:
        """(A, 2, 2) mm2 of joint surface kept, (A, 2) least width of the pars and (A,) thickness of the bridge, mm."""
        kept, pars_mm, bridge_mm = (self.cupy.empty((len(phases), *more), np.float32) for more in ((2, 2), (2,), ()))
        arguments = [phases, clearance_radii_mm, self._cell]
        self._launch("joints_kept", self._leaves, phases, [*self._pairs, np.int32(self._leaves), *arguments], [kept])
        for name, (rows, scene), planes, out in (
            ("pars_remaining", self._pars, [self._left_planes], pars_mm),
            ("bridge_remaining", self._base, [], bridge_mm),
        ):
            self._launch(name, 2 * rows, phases, [*scene[:-1], *planes, scene[-1], *arguments], [out])
        return kept, pars_mm, bridge_mm

    def reaches(self, phases: OnCard, clearance_radii_mm: OnCard, outward_mm: OnCard) -> tuple[OnCard, OnCard]:
        """(A, 2, S) targets touched; (A, 2, 2) farthest at the disc and least clearance beyond the berth, mm."""
        counts = self.cupy.empty((len(phases), 2, self.sets), np.float32)
        reported = self.cupy.empty((len(phases), 2, 2), np.float32)
        words = self._targets * (phases.shape[1] + 1)
        self._launch(
            "goals_touched", words, phases, [*self._goals, phases, clearance_radii_mm, outward_mm], [counts, reported]
        )
        return counts, reported

    def _launch(self, name: str, words: int, phases: OnCard, arguments: list[Any], answers: list[OnCard]) -> None:
        """Runs a kernel, a warp for each approach with room for so many words."""
        count = len(phases)
        if phases.shape[1] > MOST_PHASES:
            raise WrongUse("a graphics card", f"takes {MOST_PHASES} phases at most", got=phases.shape[1])
        if count == 0:
            return
        kernel = _module(self.cupy, self._shared, phases.shape[1]).get_function(name)
        shared_bytes = 4 * words * WARPS
        if shared_bytes > kernel.max_dynamic_shared_size_bytes:
            kernel.max_dynamic_shared_size_bytes = shared_bytes
        blocks = -(-count // WARPS)
        kernel((blocks,), (WARPS * LANES,), (*arguments, np.int32(count), *answers), shared_mem=shared_bytes)

    def _rows(self, rows: SampleRows, before: F32) -> tuple[int, list[Any]]:
        """Number of rows, first arguments of pars_remaining and bridge_remaining; the last is the number of planes."""
        first = np.flatnonzero(np.diff(rows.plane, prepend=-1))
        starts = np.append(first, len(rows.plane)).astype(np.int32)
        arrays = [_points(rows.xyz, rows.bone), side_by_side(rows.sight), rows.first, *_spheres(rows.sphere), before]
        scene = [*map(self.cupy.asarray, arrays), np.int32(len(rows.plane)), self.cupy.asarray(starts)]
        return len(rows.plane), [*scene, np.int32(len(first))]


def _points(xyz: F32, weight: F32) -> F32:
    """(N, 4) array: a point and a number."""
    return np.ascontiguousarray(np.column_stack([xyz.T, weight]), dtype=np.float32)


def side_by_side(sight: I8) -> I8:
    """(N / LEAF, LOOKS, LEAF) array: tables of LEAF rows side by side, the last filled up with 0.

    >>> side_by_side(np.arange(34, dtype=np.int8).reshape(17, 2)).shape
    (2, 2, 16)
    """
    padded = np.pad(sight, ((0, -len(sight) % LEAF), (0, 0)))
    return np.ascontiguousarray(padded.reshape(-1, LEAF, sight.shape[1]).transpose(0, 2, 1))


def _spheres(spheres: Spheres) -> tuple[F32, F32, I8]:
    return _points(spheres.xyz, spheres.radius), spheres.floor, side_by_side(spheres.sight)


def _sums(*columns: npt.ArrayLike) -> F32:
    """(S, 4) array of the columns, filled up with 0."""
    there = np.column_stack([np.asarray(c, dtype=np.float32) for c in columns])
    return np.ascontiguousarray(np.pad(there, ((0, 0), (0, 4 - there.shape[1]))))


def _cloud(scene: LevelArrays) -> tuple[npt.NDArray[Any], ...]:
    """Arrays of `removals`, in its order."""
    cloud = scene.cloud
    return (
        _points(cloud.xyz, cloud.weight), cloud.slope, side_by_side(cloud.sight),
        *_spheres(cloud.leaf), _sums(cloud.leaf_weight, cloud.leaf_slope, cloud.leaf_lateral),
        *_spheres(cloud.group), _sums(cloud.group_weight, cloud.group_slope, cloud.group_lateral),
        cloud.bucket,
    )  # fmt: skip


def _pairs(scene: LevelArrays) -> tuple[npt.NDArray[Any], ...]:
    """Arrays of `joints_kept`, in its order."""
    pairs = scene.pairs
    faces: list[npt.NDArray[Any]] = []
    for face, weight in ((pairs.inferior, pairs.area), (pairs.superior, pairs.width)):
        faces += [_points(face.xyz, weight), side_by_side(face.sight), *_spheres(face.leaf)]
    return (*faces, _sums(pairs.leaf_area, pairs.leaf_width, pairs.side))


def _goals(scene: LevelArrays) -> tuple[F32, npt.NDArray[np.uint32]]:
    """Targets of `goals_touched`, and the word of each: side, set from bit 1 on, bit 16 where at disc level."""
    goals = scene.goals
    kinds = goals.side | goals.set << 1 | goals.at_disc.astype(np.int32) << 16
    return _points(goals.xyz, np.zeros(len(kinds), np.float32)), kinds.astype(np.uint32)
