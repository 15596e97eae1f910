"""Every motion segment in view: frame, landmarks, joints, windows, targets and measurements."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np

from canalwise.recon.anatomy import Frame, Level, Source
from canalwise.recon.errors import AnatomyNotFound
from canalwise.recon.grid import Float, Grid
from canalwise.recon.image.skin import air_in_view, skin_point_mm
from canalwise.recon.labels import SIDES, Labels, Side, vertebrae_in
from canalwise.recon.level.facet_joints import joints_of
from canalwise.recon.level.frame import level_frame
from canalwise.recon.level.interlaminar_window import windows_of
from canalwise.recon.level.landmarks import NAMES, landmarks_of, mid_lamina
from canalwise.recon.level.resampled_level import Share, local_view, neighbours
from canalwise.recon.level.sac_contents import brightness_of_scan, contents_of
from canalwise.recon.level.targets import NAMES as TARGET_NAMES
from canalwise.recon.level.targets import targets_of
from canalwise.recon.measurement.all_measurements import measurements_of
from canalwise.recon.measurement.context import MeasurementContext
from canalwise.recon.parallel import side_by_side
from canalwise.recon.scan import Scan

LEFT_OUT = " left out: "
"""Between a pair's name and why it has no level."""

Frames = Mapping[tuple[str, str], Frame]
Progress = Callable[[str], None]


def frames_of(labels: Labels, occupancy: Share, grid: Grid) -> tuple[dict[tuple[str, str], Frame], tuple[str, ...]]:
    """(upper, lower) -> frame of each pair of neighbours with enough in view; a sentence for each pair left out.

    `labels` (nx, ny, nz) and `occupancy` of the same shape, 0..1, on `grid`.
    """

    def found(pair: tuple[str, str]) -> Frame | str:
        try:
            return level_frame(labels, grid, *pair, occupancy=occupancy)
        except AnatomyNotFound as why:
            return f"{pair[0]}-{pair[1]}{LEFT_OUT}{why}"

    pairs = neighbours(vertebrae_in(labels))
    answers = dict(zip(pairs, side_by_side(found, pairs), strict=True))
    frames = {pair: answer for pair, answer in answers.items() if isinstance(answer, Frame)}
    return frames, tuple(answer for answer in answers.values() if isinstance(answer, str))


def levels_of(
    labels: Labels,
    occupancy: Share,
    grid: Grid,
    *,
    frames: Frames | None = None,
    sources: Mapping[str, Source] | None = None,
    progress: Progress | None = None,
    scan: Scan | None = None,
) -> tuple[Level, ...]:
    """Every pair of neighbouring vertebrae with enough in view, cranial to caudal.

    Parameters
    ----------
    labels, occupancy : (nx, ny, nz) arrays on `grid`; labels with parts and canal
    frames : of the levels wanted; None finds them all
    sources : how 'canal', 'sac' and 'flavum' were obtained, stated beside each number
    progress : called with a sentence before each level
    scan : the CT of the labels, in which joints are read that the labels cannot resolve

    A side that the scan does not show is left out, with a warning in the level.
    """
    found = frames_of(labels, occupancy, grid)[0] if frames is None else frames
    report_step = progress or (lambda _: None)
    how = sources or {}
    measured = side_by_side(lambda pair: level_of(labels, occupancy, grid, pair, found[pair], how, scan), found)
    levels = []
    for pair in found:
        report_step(f"measuring {pair[0]}-{pair[1]}")
        levels.append(next(measured))
    return tuple(levels)


def level_of(
    labels: Labels,
    occupancy: Share,
    grid: Grid,
    pair: tuple[str, str],
    frame: Frame,
    sources: Mapping[str, Source],
    scan: Scan | None = None,
) -> Level:
    """One level in a known frame.

    `labels` (nx, ny, nz) and `occupancy` of the same shape, 0..1, on `grid`; `sources` as of `levels_of`.
    """
    view = local_view(labels, occupancy, grid, frame, pair)
    joints = joints_of(view, scan)
    landmarks = landmarks_of(view, joints)
    windows = windows_of(view, landmarks)
    targets = targets_of(view, landmarks)
    scene = MeasurementContext(
        view,
        {name: frame.to_level_mm(point) for name, point in landmarks.items()},
        joints,
        windows,
        {(name, side): view.points_mm(mid_lamina(view, name, side)) for side in SIDES for name in pair},
        _skin_depths_mm(labels, grid, frame, landmarks),
        sources.get("canal", "automatic"),
        sources.get("sac", "modelled"),
        sources.get("flavum", "modelled"),
        0.0 if scan is None else max(scan.acquired_mm),
        _contents_reader(scan, labels, frame),
    )
    level = Level("-".join(pair), *pair, frame, joints, windows, targets, landmarks, measurements_of(scene))
    return replace(level, warnings=missing(level))


def _contents_reader(scan: Scan | None, labels: Labels, frame: Frame) -> Callable[[Float, Float], Mapping[str, float]]:
    """What tells a section's middle and directions what fills the sac there; nothing where the image does not show."""
    brightness = brightness_of_scan(scan, labels)

    def contents(middle_mm: Float, directions: Float) -> Mapping[str, float]:
        found = None
        if scan is not None and brightness is not None:
            found = contents_of(scan, labels, (frame, middle_mm, directions), brightness)
        return {} if found is None else found.percent

    return contents


def _skin_depths_mm(
    labels: Labels, grid: Grid, frame: Frame, landmarks_ras_mm: Mapping[str, Float]
) -> dict[Side, float]:
    """Depth of each side's upper lamina edge under the skin, straight dorsal; empty without air in view."""
    depths: dict[Side, float] = {}
    shows_air = air_in_view(labels)
    for side in SIDES:
        edge = landmarks_ras_mm.get(f"upper_lamina_caudal_edge_{side}")
        skin = None if edge is None else skin_point_mm(labels, grid, edge, frame.axes_ras[1], shows_air=shows_air)
        if edge is not None and skin is not None:
            depths[side] = float(np.linalg.norm(skin - edge))
    return depths


def missing(level: Level) -> tuple[str, ...]:
    """Sentences about what a level lacks, one per kind of thing."""
    sentences = []
    for kind, there in (("facet joint", level.joints), ("interlaminar window", level.windows)):
        absent = [side for side in SIDES if side not in there]
        if absent:
            sides = " and ".join(absent)
            closed = " Bone may close it: a plan there docks between the lamina edges." if "window" in kind else ""
            sentences.append(f"{level.name}: no {kind} found on the {sides} side; it is left out, not guessed.{closed}")
    for side in SIDES:
        names = level.targets[side].points_ras_mm if side in level.targets else {}
        lacking = [name for name in TARGET_NAMES if name not in names]
        if lacking:
            sentences.append(f"{level.name}: target {', '.join(lacking)} on the {side} is not in view and left out.")
    points = level.landmarks_ras_mm
    landmarks = [name.replace("_", " ") for name in NAMES if name not in points and not name.startswith("facet_centre")]
    if landmarks:
        sentences.append(f"{level.name}: landmarks not in view: {', '.join(landmarks)}.")
    return tuple(sentences)
