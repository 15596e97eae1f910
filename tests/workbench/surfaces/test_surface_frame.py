"""The page's meshes against solids of known size and place, in a scan that lies askew."""

from __future__ import annotations

import numpy as np
import pytest

from canalwise.recon.anatomy import Joint
from canalwise.recon.errors import LevelNotInView
from canalwise.recon.image.isosurface import ClosedSurface
from canalwise.recon.labels import Tissue, bone_mask
from canalwise.workbench.images.solids import BOX_HIGH_MM, BOX_LOW_MM
from canalwise.workbench.rehearsal.session.scene_frame import scene_frame
from canalwise.workbench.surfaces import surface_frame as made
from canalwise.workbench.surfaces.binary_frames import frame_of
from canalwise.workbench.surfaces.surface_frame import joint_shell, skin_shell
from canalwise.workbench.surfaces.triangle_surfaces import TriangleSurface, labels_on
from tests.workbench import toy
from tests.workbench.rehearsal import balls

LEVEL = "L3-L4"
VOLUME_TOL = 0.01
PLACE_TOL_MM = 0.15  # a fifth of a voxel


@pytest.fixture(scope="module", params=[False, True], ids=["as is", "flipped axis"])
def scene(request):
    """Header and arrays of the balls' scene."""
    return frame_of(scene_frame(balls.session_of(balls.anatomy(request.param)), LEVEL))


@pytest.fixture(scope="module")
def toy_scene():
    """Header and arrays of the plain motion segment."""
    return frame_of(scene_frame(balls.session_of(toy.anatomy(), toy.scan()), LEVEL))


def surface_of(scene, name):
    return ClosedSurface(scene[1][f"{name}.points"].astype(float), scene[1][f"{name}.triangles"].astype(np.int64))


def part_of(scene, name, mesh="bone"):
    """The closed surface of the piece whose points all carry a part's name, and its points."""
    header, arrays = scene
    mine = arrays[f"{mesh}.part"] == header["parts"].index(name)
    triangles = arrays[f"{mesh}.triangles"]
    assert (mine[triangles].all(axis=1) | ~mine[triangles].any(axis=1)).all(), "no piece has two names"
    renumbered = np.cumsum(mine) - 1
    points = arrays[f"{mesh}.points"][mine].astype(float)
    return ClosedSurface(points, renumbered[triangles[mine[triangles].all(axis=1)]])


@pytest.mark.parametrize("mesh", ["bone", "bone_proxy"])
@pytest.mark.parametrize(("name", "ball"), [("L3 lamina left", balls.LEFT), ("L4 lamina right", balls.RIGHT)])
def test_balls_of_bone_have_their_size_place_and_name(scene, mesh, name, ball):
    """Left and right are distinguished: the balls differ in size, and each carries the name of its side."""
    centre, radius_mm, _ = ball
    surface = part_of(scene, name, mesh)
    assert surface.watertight
    assert surface.volume_mm3 == pytest.approx(4 / 3 * np.pi * radius_mm**3, rel=3 * VOLUME_TOL)
    away = np.linalg.norm(surface.vertices_ras_mm - centre, axis=1)
    assert np.abs(away - radius_mm).max() < (PLACE_TOL_MM if mesh == "bone" else 3 * PLACE_TOL_MM)


def test_rod_is_cut_flat_where_the_scene_ends(scene):
    """Its middle 90 mm stay: a closed cylinder with both ends on the box."""
    rod = part_of(scene, "L3 spinous process")
    length_mm = BOX_HIGH_MM[0] - BOX_LOW_MM[0]
    whole_mm3 = np.pi * balls.ROD_MM**2 * length_mm
    assert (1 - 2 * VOLUME_TOL) * whole_mm3 < rod.volume_mm3 < whole_mm3  # flat pieces lie within what they follow
    x = rod.vertices_ras_mm[:, 0]
    assert (x.min(), x.max()) == (BOX_LOW_MM[0], BOX_HIGH_MM[0])
    caps = rod.vertices_ras_mm[np.isin(x, (BOX_LOW_MM[0], BOX_HIGH_MM[0]))] - balls.ROD_AT
    assert np.hypot(caps[:, 1], caps[:, 2]).max() < balls.ROD_MM + PLACE_TOL_MM


def test_whole_bone_is_closed_and_holds_the_occupancy_inside_the_box(scene):
    anatomy = balls.anatomy()
    points = balls.frame().to_level_mm(anatomy.grid.voxel_centres_mm())
    inside = ((points >= BOX_LOW_MM) & (points <= BOX_HIGH_MM)).all(axis=-1)
    occupied_mm3 = float(anatomy.occupancy[inside].sum()) * anatomy.grid.voxel_mm3
    surface = surface_of(scene, "bone")
    assert surface.watertight
    assert surface.volume_mm3 == pytest.approx(occupied_mm3, rel=0.02)


def test_nothing_lies_outside_the_box_but_skin(scene):
    for name in scene[0]["meshes"]:
        points = scene[1][f"{name}.points"]
        if name != "skin":
            assert ((points >= BOX_LOW_MM) & (points <= BOX_HIGH_MM)).all(), name
        assert scene[1][f"{name}.triangles"].max() == len(points) - 1


def test_sac_is_the_tube_that_was_labelled(scene):
    sac = surface_of(scene, "sac")
    height_mm = BOX_HIGH_MM[2] - BOX_LOW_MM[2]
    assert sac.watertight
    assert sac.volume_mm3 == pytest.approx(np.pi * balls.SAC_MM**2 * height_mm, rel=0.03)
    assert scene[0]["sac"] == "given"


def test_skin_lies_where_the_air_begins_and_looks_outward(scene):
    points = scene[1]["skin.points"].astype(float)
    corners = points[scene[1]["skin.triangles"]]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    assert np.abs(points[:, 1] - balls.SKIN_MM).max() < 1.0
    assert np.abs(points[:, 1] - balls.SKIN_MM).mean() < 0.3
    assert (normals[:, 1] > 0).all()
    assert (np.ptp(points[:, [0, 2]], axis=0) > 90).all()


def test_skin_is_left_out_where_the_scan_ends_before_it(toy_scene):
    assert "skin" not in toy_scene[0]["meshes"]
    assert skin_shell(toy.anatomy(), toy.anatomy().levels[0]) is None


def test_every_point_is_named_after_the_nearest_bone_voxel(toy_scene):
    header, arrays = toy_scene
    anatomy, frame = toy.anatomy(), toy.frame()
    bone = np.argwhere(bone_mask(anatomy.labels))
    named = dict(zip(map(tuple, bone), anatomy.labels[tuple(bone.T)], strict=True))
    chosen = np.random.default_rng(5).choice(len(arrays["bone.points"]), 300, replace=False)
    index = anatomy.grid.index_of(frame.to_world_mm(arrays["bone.points"][chosen]))
    found = labels_on(arrays["bone.points"][chosen], anatomy.labels, anatomy.grid, frame)
    for place, label, part in zip(index, found, arrays["bone.part"][chosen], strict=True):
        away = np.linalg.norm(bone - place, axis=1)
        nearest = {named[tuple(voxel)] for voxel in bone[away <= away.min() + 1e-6]}
        assert label in nearest
        assert header["parts"][part] == {2206: "L3 lamina left"}.get(label, header["parts"][part])


def test_sides_of_the_toy_are_not_mixed_up(toy_scene):
    header, arrays = toy_scene
    for side, sign in (("left", 1), ("right", -1)):
        mine = [n for n, name in enumerate(header["parts"]) if name.endswith(f"articular {side}")]
        assert mine
        assert (sign * arrays["bone.points"][np.isin(arrays["bone.part"], mine)][:, 0] > 8.0).all()


def test_meshes_keep_to_the_triangles_allowed(monkeypatch):
    monkeypatch.setattr(made, "BONE_TRIANGLES", 20_000)
    monkeypatch.setattr(made, "PROXY_TRIANGLES", 4_000)
    header, arrays = frame_of(scene_frame(balls.session_of(toy.anatomy(), toy.scan()), LEVEL))
    assert 12_000 < len(arrays["bone.triangles"]) <= 20_000
    assert 2_000 < len(arrays["bone_proxy.triangles"]) <= 4_000
    assert len(header["parts"]) <= 256


def test_joint_surfaces_face_each_other_in_the_gap(toy_scene):
    """The toy's faces lie at 14.5 and 15.5 mm to either side; both are drawn JOINT_LIFT_MM into the gap."""
    for side, sign in (("left", 1.0), ("right", -1.0)):
        points = toy_scene[1][f"joint_{side}.points"].astype(float)
        lateral = np.unique((sign * points[:, 0]).round(3))
        assert lateral == pytest.approx([14.5 + made.JOINT_LIFT_MM, 15.5 - made.JOINT_LIFT_MM])
        corners = points[toy_scene[1][f"joint_{side}.triangles"]]
        normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        outer = sign * corners[:, :, 0].mean(axis=1) > 15.0
        assert (np.sign(sign * normals[:, 0]) == np.where(outer, -1, 1)).all()
        assert np.linalg.norm(normals, axis=1).sum() / 4 == pytest.approx(135.0, rel=0.2)


def test_curved_joint_is_followed_to_its_rims():
    """Facing points on two cylinders of 12 and 13 mm about an axis along z: all that is drawn lies between them."""
    angle, z = (v.ravel() for v in np.meshgrid(np.radians(np.arange(-50, 51, 2.0)), np.arange(-8.0, 8.1, 0.5)))
    level, toward = toy.anatomy().levels[0], np.stack([np.cos(angle), np.sin(angle), 0 * angle], axis=1)
    faces = [level.frame.to_world_mm(r * toward + np.stack([0 * z, 0 * z, z], axis=1)) for r in (12.0, 13.0)]
    joint = Joint("left", faces[0], faces[1], np.full(len(z), 0.22), 40.0, 1.0)
    points = joint_shell(joint, level).points_mm.astype(float)
    radius = np.hypot(points[:, 0], points[:, 1])
    assert ((radius > 12.0) & (radius < 13.0)).all()
    assert np.ptp(points[:, 1]) > 2 * 13.0 * np.sin(np.radians(48.0))


def test_marks_are_in_the_level_frame(toy_scene):
    header, _ = toy_scene
    assert header["targets"]["left lateral recess"] == [list(toy.TARGETS["lateral recess"])]
    assert header["targets"]["right canal wall"] == [[-11.0, 0.0, 0.0]]
    assert header["landmarks"]["upper_lamina_caudal_edge_right"] == [-7.0, 11.0, 4.0]
    window = {"centre": [5.0, 7.0, 0.0], "normal": [0.0, 1.0, 0.0], "width_mm": 10.0, "height_mm": 9.0}
    assert header["windows"]["left"] == window


def test_same_case_gives_the_same_bytes_and_asking_again_costs_nothing():
    session = balls.session_of(toy.anatomy(), toy.scan())
    frame = scene_frame(session, LEVEL)
    assert scene_frame(session, LEVEL) is frame
    assert scene_frame(balls.session_of(toy.anatomy(), toy.scan()), LEVEL) == frame


def test_level_that_is_not_there_is_reported():
    with pytest.raises(LevelNotInView):
        scene_frame(balls.session_of(toy.anatomy(), toy.scan()), "L4-L5")


def test_level_without_bone_or_sac_gives_what_there_is():
    anatomy = toy.anatomy()
    bare = anatomy.__class__(
        anatomy.grid, np.full_like(anatomy.labels, int(Tissue.SOFT)), np.zeros_like(anatomy.occupancy), anatomy.levels
    )
    header, _ = frame_of(scene_frame(balls.session_of(bare, toy.scan()), LEVEL))
    assert header["meshes"] == ["joint_left", "joint_right"]
    assert header["sac"] == "source not stated"


def test_shell_volume_is_that_of_its_triangles():
    corners = np.array([[0, 0, 0], [3, 0, 0], [0, 3, 0], [0, 0, 3]], np.float32)
    faces = np.array([[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]], np.uint32)
    assert TriangleSurface(corners, faces).volume_mm3 == pytest.approx(4.5)
