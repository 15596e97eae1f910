"""Laws of a resection on a narrow level, and its numbers recomputed by a stranger from labels and JSON alone."""

from __future__ import annotations

from dataclasses import replace
from functools import cached_property

import numpy as np
import pytest
from scipy import ndimage

from canalwise.estimator.decompression.room_needed import BREADTHS
from canalwise.estimator.level.prepared_level import prepared_level
from canalwise.estimator.outcome.decompressed import decompressed
from canalwise.estimator.outcome.decompression_json import decompression_as_json
from canalwise.estimator.outcome.label_maps import resection_map, room_map
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.estimator.resection.resection import resection_level_of, resection_of
from canalwise.estimator.resection.resection_level import with_set
from canalwise.phantoms.spec import demo_spec
from canalwise.recon.anatomy import Anatomy
from canalwise.recon.case.motion_segments import levels_of
from canalwise.recon.labels import Part
from tests.labelled_phantoms import LEVEL, labelled

BALLS = 100
"""In a spiral about a point, 20 deg apart."""

STRANGER_FRAC, STRANGER_MM = 0.02, 0.5  # the stranger marches by 0.3 mm on whole voxels


def test_usual_plan_frees_both_sides_and_leaves_the_spinous_process_alone(found):
    assert found.verdict.freed
    assert found.verdict.kept
    assert min(found.freed.by_side.values()) >= 0.9
    assert found.cost.contact_mm3 == pytest.approx(0.0, abs=0.01)
    of = found.cost.by_structure_mm3
    most = of["upper lamina ipsilateral"] + of["lower lamina ipsilateral"] + of["spinous base"]
    assert most > 0.5 * found.cost.total_mm3
    assert of["spinous process"] < 0.05 * found.cost.total_mm3


def test_same_answer_twice(prepared, found):
    again = resection_of(resection_level_of(prepared), found.resection.approach)
    assert np.array_equal(again.chosen, found.resection.chosen)
    assert again.removal.total_mm3 == found.resection.removal.total_mm3


def test_parts_sum_to_the_whole(found):
    assert sum(step.bone_mm3 for step in found.steps) == pytest.approx(found.cost.total_mm3)
    gain = float((found.freed.areas.after_mm2 - found.freed.areas.before_mm2).mean())
    assert sum(step.area_gained_mm2 for step in found.steps) == pytest.approx(gain, rel=0.03)
    assert found.cost.total_mm3 == pytest.approx(found.resection.removal.total_mm3)


def test_areas_lie_in_order(found):
    areas = found.freed.areas
    assert (areas.before_mm2 <= areas.after_mm2 + 1e-9).all()
    assert (areas.after_mm2 <= areas.needed_mm2 + 1e-9).all()
    assert (areas.needed_mm2 <= areas.bony_canal_mm2 + 1e-6).all()


def test_broader_never_takes_less(prepared, found):
    bone, weighted = [], []
    for breadth in BREADTHS:
        resection = resection_of(replace(resection_level_of(prepared), breadth=breadth), found.resection.approach)
        bone.append(resection.removal.total_mm3)
        weighted.append(resection.weighted_mm3)
    assert (np.diff(weighted) >= -1e-6).all()
    assert (np.diff(bone) >= -0.01 * bone[0]).all()


def test_half_of_the_set_takes_no_more(prepared, found):
    at, wanted = resection_level_of(prepared), resection_level_of(prepared).wanted
    near = wanted.level_mm[:, 0] > 0
    kept = {
        name: getattr(wanted, name)[near]
        for name in ("voxels", "share", "tissue_mm3", "bone_mm3", "kind", "zone", "labels", "level_mm")
    }
    half = resection_of(with_set(at, replace(wanted, **kept)), found.resection.approach)
    assert 0 < half.weighted_mm3 < found.resection.weighted_mm3


def test_bound_lies_below(found):
    assert 0 < found.least_weighted_mm3 <= found.resection.weighted_mm3
    assert 0 <= found.gap_to_bound_frac < 0.5


def test_settled_says_the_same_and_holds_no_tunnels(found):
    settled = found.settled()
    assert settled.gap_to_bound_frac == found.gap_to_bound_frac
    assert settled.verdict == found.verdict
    assert settled.cost.total_mm3 == found.cost.total_mm3
    assert not len(settled.resection.tunnels.cells)


def test_longer_thin_tool_frees_no_less(prepared, found):
    at, shares = resection_level_of(prepared), []
    for beyond in (15.0, 25.0):
        rules = at.rules.changed(tool_beyond_scope_mm=beyond)
        shares.append(decompressed(prepared, found.resection.approach, replace(at, rules=rules)).freed.by_side["right"])
    assert shares[1] >= shares[0] - 1e-9


def test_straighter_entry_fails_and_says_so_first(prepared, found):
    approach = found.resection.approach
    upright = replace(approach.phases[0], medial_tilt_deg=0.0, pivot_shift_mm=(0.0, 0.0, 0.0))
    less = decompressed(prepared, replace(approach, phases=(upright,)))
    assert not less.verdict.freed
    assert less.verdict.sentence.startswith("Frees ")
    assert "contralateral side" in less.verdict.sentence
    assert less.freed.by_side["right"] < 0.9
    assert less.reach.lateral_mm <= found.reach.lateral_mm


def test_mirror_image_gives_the_mirrored_answer(found):
    other = labelled(demo_spec().mirrored())
    mirrored = decompressed(prepared_level(other, LEVEL), default_approach(other, LEVEL, "right"))
    assert mirrored.freed.share == pytest.approx(found.freed.share, abs=0.01)
    assert mirrored.freed.by_side["left"] == pytest.approx(found.freed.by_side["right"], abs=0.02)
    # the same spine on other voxels: the least bone is near, lines may differ
    assert mirrored.cost.total_mm3 == pytest.approx(found.cost.total_mm3, rel=0.03, abs=15.0)


def test_moving_the_patient_changes_nothing(narrow, found):
    turn = np.eye(4)
    angle = np.radians(20.0)
    turn[:2, :2] = [[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]]
    turn[:3, 3] = [30.0, -12.0, 7.0]
    grid = type(narrow.grid)(narrow.grid.shape, turn @ narrow.grid.affine_ras_mm)
    moved = Anatomy(grid, narrow.labels, narrow.occupancy, levels_of(narrow.labels, narrow.occupancy, grid))
    again = decompressed(prepared_level(moved, LEVEL), default_approach(moved, LEVEL, "left"))
    assert again.freed.share == pytest.approx(found.freed.share, abs=0.01)
    assert again.resection.removal.total_mm3 == pytest.approx(found.resection.removal.total_mm3, rel=0.1)


def test_maps_lie_on_the_case_grid(narrow, found):
    room, taken = room_map(found.resection.at), resection_map(found.resection)
    assert room.shape == taken.shape == narrow.grid.shape
    wanted = np.count_nonzero(room > 1) * narrow.grid.voxel_mm3
    assert wanted == pytest.approx(found.resection.at.wanted.total_mm3, rel=0.1)
    bone = float((taken / 100 * narrow.occupancy).sum() * narrow.grid.voxel_mm3)
    assert bone == pytest.approx(found.cost.total_mm3, rel=0.02)


class Stranger:
    """Someone with the label map, its affine, the room's map and the estimate's JSON, and none of the code."""

    def __init__(self, labels: np.ndarray, affine: np.ndarray, room: np.ndarray, document: dict) -> None:
        self.labels, self.room = labels, room
        self.to_index = np.linalg.inv(affine)
        self.spacing = np.linalg.norm(affine[:3, :3], axis=0)
        self.geometry, self.tool = document["geometry"], document["geometry"]["tool"]
        index = np.argwhere((room > 1) | ((labels >= 100) & (labels % 100 != int(Part.DISC))))
        self.index, self.points = index, index @ affine[:3, :3].T + affine[:3, 3]
        self.lines = [(np.array(line["pivot_ras_mm"]), np.array(line["tip_ras_mm"])) for line in self.geometry["lines"]]

    def piece(self, pivot: np.ndarray, tip: np.ndarray) -> list[tuple[np.ndarray, np.ndarray, float]]:
        """(start, end, radius) of the tool's tube and the scope's."""
        length = np.linalg.norm(tip - pivot)
        end = pivot + max(1 - self.tool["tool_beyond_scope_mm"] / length, 0) * (tip - pivot)
        normal, offset = (
            np.array(self.geometry["beside_plane"]["normal_ras"]),
            self.geometry["beside_plane"]["offset_mm"],
        )
        pieces = [(end, tip, self.tool["tool_radius_mm"])]
        if end @ normal < offset:
            share = (pivot @ normal - offset) / ((pivot - end) @ normal)
            pieces.append((pivot + share * (end - pivot), end, self.tool["scope_radius_mm"]))
        return pieces

    def in_tubes(self) -> np.ndarray:
        """(N,) array: which of its points lie in any tube."""
        return self.off <= 0

    @cached_property
    def off(self) -> np.ndarray:
        """(N,) array: how far off the nearest tube each of its points lies."""
        return self.off_tubes(self.points)

    def off_tubes(self, points: np.ndarray) -> np.ndarray:
        """(N,) array: signed distances of points from the nearest tube."""
        least = np.full(len(points), np.inf)
        for pivot, tip in self.lines:
            for start, end, radius in self.piece(pivot, tip):
                path = end - start
                offset = points - start
                along = offset @ path
                square = np.einsum("ij,ij->i", offset, offset) - 2 * (t := np.clip(along / (path @ path), 0, 1)) * along
                least = np.minimum(least, np.sqrt(np.maximum(square + t**2 * (path @ path), 0)) - radius)
        return least

    def between_tubes(self) -> np.ndarray:
        """(N,) array: which of its points none of many balls of the gap's radius holds clear of all tubes."""
        radius, off = self.geometry["tool"]["gap_radius_mm"], self.off
        beside = np.flatnonzero((off > 0) & (off < radius) & (self.labels[tuple(self.index.T)] >= 100))
        turn = (np.arange(BALLS) + 0.5) / BALLS
        flat, around = np.sqrt(1 - (1 - 2 * turn) ** 2), np.pi * (1 + 5**0.5) * np.arange(BALLS)
        spiral = np.stack([flat * np.cos(around), flat * np.sin(around), 1 - 2 * turn], axis=-1)
        clear = self.off_tubes((self.points[beside, None] + radius * spiral).reshape(-1, 3)).reshape(-1, BALLS)
        out = np.zeros(len(self.points), dtype=bool)
        out[beside] = clear.max(axis=1) < radius
        return out

    def label_at(self, points: np.ndarray) -> np.ndarray:
        """Labels nearest to points; 0 outside the map."""
        index = np.rint(points @ self.to_index[:3, :3].T + self.to_index[:3, 3]).astype(int)
        inside = ((index >= 0) & (index < self.labels.shape)).all(axis=-1)
        out = np.zeros(points.shape[:-1], dtype=self.labels.dtype)
        out[inside] = self.labels[tuple(index[inside].T)]
        return out

    def taken(self) -> np.ndarray:
        """(N,) array: which points of the set are within the bite of a tip, or in a tube."""
        held = self.in_tubes()
        for _, tip in self.lines:
            held |= np.linalg.norm(self.points - tip, axis=1) <= self.tool["bite_mm"]
        return held & (self.room[tuple(self.index.T)] > 1)


@pytest.fixture(scope="module")
def stranger(narrow, found) -> Stranger:
    """Reads what is written."""
    document = decompression_as_json(found, with_bound=False)
    return Stranger(narrow.labels, narrow.grid.affine_ras_mm, room_map(found.resection.at), document)


def test_stranger_finds_the_bone_and_the_share(stranger, narrow, found):
    bone = (stranger.labels[tuple(stranger.index.T)] >= 100) & (
        ~np.isin(
            stranger.labels[tuple(stranger.index.T)] % 100,
            (int(Part.BODY), int(Part.PEDICLE_LEFT), int(Part.PEDICLE_RIGHT)),
        )
    )
    removed = ((stranger.in_tubes() | stranger.between_tubes()) & bone).sum() * narrow.grid.voxel_mm3
    assert removed == pytest.approx(found.cost.total_mm3, rel=0.06)
    wanted = stranger.room[tuple(stranger.index.T)] > 1
    share = stranger.taken().sum() / wanted.sum()
    assert share == pytest.approx(found.freed.share, abs=STRANGER_FRAC + 0.02)


def test_stranger_finds_every_line_clear_of_sac_and_protected_bone(stranger, narrow, found):
    keep = found.prepared.limits
    sac = ndimage.distance_transform_edt(stranger.labels == 2, sampling=stranger.spacing)
    shrunk = sac > keep.value("sac_retraction_mm") + stranger.spacing.mean() / 2
    away = ndimage.distance_transform_edt(~shrunk, sampling=stranger.spacing) - stranger.spacing.mean() / 2
    for pivot, tip in stranger.lines:
        steps = np.linspace(0, 1, int(np.linalg.norm(tip - pivot) / 0.3))[:, None]
        points = pivot + steps * (tip - pivot)
        index = points @ stranger.to_index[:3, :3].T + stranger.to_index[:3, 3]
        near = ndimage.map_coordinates(away, index.T, order=1, mode="nearest")
        assert near.min() >= keep.value("sac_clearance_mm") + stranger.tool["tool_radius_mm"] - STRANGER_MM
        met = stranger.label_at(points)
        assert not np.isin(met % 100, (int(Part.BODY), int(Part.PEDICLE_LEFT), int(Part.PEDICLE_RIGHT)))[
            met >= 100
        ].any()


def test_stranger_finds_every_freed_element_by_a_line_past_no_remaining_bone(stranger, narrow, found):
    gone = np.zeros(narrow.grid.shape, dtype=bool)
    gone[tuple(stranger.index[stranger.in_tubes()].T)] = True
    gone |= stranger.room > 1
    claimed = found.resection.taken_frac > 0.75
    wanted = found.resection.at.wanted
    points = narrow.level(LEVEL).frame.to_world_mm(wanted.level_mm[claimed])
    mm3 = wanted.mm3[claimed]
    reached = np.zeros(len(points), dtype=bool)
    for pivot, tip in stranger.lines:
        for start, end, radius in stranger.piece(pivot, tip):
            path = end - start
            along = np.clip((points - start) @ path / (path @ path), 0, 1)
            reached |= np.linalg.norm(points - start - along[:, None] * path, axis=1) <= radius
        near = np.flatnonzero(
            ~reached & (np.linalg.norm(points - tip, axis=1) <= stranger.tool["bite_mm"] + STRANGER_MM)
        )
        between = tip + np.linspace(0.0, 1.0, 12)[None, :, None] * (points[near] - tip)[:, None]
        index = np.rint(between @ stranger.to_index[:3, :3].T + stranger.to_index[:3, 3]).astype(int)
        met = stranger.labels[tuple(np.moveaxis(index, -1, 0))]
        solid = (met >= 100) & ~gone[tuple(np.moveaxis(index, -1, 0))]
        solid &= np.linalg.norm(between - tip, axis=-1) > stranger.tool["tool_radius_mm"] + 1.0
        # a whole voxel of sac must not lie between: its border yields by the retraction
        reached[near[(~solid).sum(axis=1) >= solid.shape[1] - 1]] = True
    assert mm3[reached].sum() >= 0.99 * mm3.sum()


def test_stranger_finds_the_areas(stranger, narrow, found):
    """Canal less ligament and calcification in slabs of 1 mm, counted voxel by voxel at a few samples each."""
    labels, frame = narrow.labels, narrow.level(LEVEL).frame
    index = np.argwhere((labels >= 1) & (labels <= 5))
    values = labels[tuple(index.T)]
    free = ~np.isin(values, (3, 4))
    samples = (np.arange(4) + 0.5) / 4 - 0.5
    z = np.concatenate(
        [frame.to_level_mm(narrow.grid.world_mm(index[free] + np.array([0, 0, s])))[:, 2] for s in samples]
    )
    areas = found.freed.areas
    for station in (0, len(areas.z_mm) // 2, len(areas.z_mm) - 1):
        slab = np.abs(z - areas.z_mm[station]) <= 0.5
        assert slab.sum() / len(samples) * narrow.grid.voxel_mm3 == pytest.approx(areas.before_mm2[station], rel=0.05)
