"""How sure a level and each of its structures is, from evidence in the image, each piece with a plain reason.

A level found in a CT takes the least of the probabilities that its answers are right (`recon.questions`). Elsewhere its
value is the *least* of its reasons, not their product: the pieces share causes (noise dims edges, gaps and symmetry
alike, so a product would count it thrice), and a plan is as good as its worst structure.
The ramps that turn what is seen into 0..1 are choices; `scripts/why_confidence.py` holds them against true errors.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from canalwise.recon.anatomy import Confidence, Joint, Level, Naming, Reason, Source, StructureConfidence
from canalwise.recon.grid import Box, Grid
from canalwise.recon.image.label_boxes import vertebra_boxes
from canalwise.recon.labels import SIDES, Labels, Part, Side, Tissue, label_of, sided, vertebra_number
from canalwise.recon.level.unresolved import unresolved_sides, without_unresolved
from canalwise.recon.measurement.image_evidence import (
    BorderContrast,
    ImageEvidence,
    JointGap,
    borders_of,
    gap_of,
    open_border_frac,
    picture_of,
)
from canalwise.recon.measurement.plausible_ranges import implausible
from canalwise.recon.parallel import side_by_side
from canalwise.recon.questions import fitted_probabilities
from canalwise.recon.scan import Scan
from canalwise.recon.severity_bands import Threshold

CHECK_BELOW = Threshold(
    "look at the level by eye",
    0.5,
    "fraction",
    "choice (scripts/why_confidence.py, scripts/accuracy_hard.py)",
    "PRACTICE",
)
"""A level less sure than this is marked to be checked by eye."""


@dataclass(frozen=True)
class Ramp:
    """A straight line from 0 at `none` to 1 at `sure`; choices, judged together by scripts/why_confidence.py.

    >>> Ramp(2.0, 10.0).frac(6.0), Ramp(2.0, 0.8).frac(0.5)
    (0.5, 1.0)
    """

    none: float
    sure: float

    def frac(self, value: float) -> float:
        """Where a value lies between the two, 0..1.

        >>> Ramp(2.0, 10.0).frac(4.0), Ramp(2.0, 10.0).frac(20.0)
        (0.25, 1.0)
        """
        return float(np.clip((value - self.none) / (self.sure - self.none), 0.0, 1.0))


MOST_OVER_NOISE = 50.0
"""What stands out of the noise by more is as sure as this (choice)."""

EDGE_OVER_NOISE = Ramp(0.5, 5.0)
"""Brightness of bone above its surroundings, over the noise of one voxel."""

GAP_DIP = Ramp(0.05, 0.35)
"""By how much of the faces' brightness above soft tissue the gap between them is darker."""

GAP_DIP_OVER_NOISE = Ramp(0.2, 1.5)
"""The same dip, a median over hundreds of points, over the noise of one voxel."""

VOXEL_OVER_GAP = Ramp(2.0, 0.7)
"""Longest voxel edge over the width of the joint's gap."""

PAIR_LIKENESS = Ramp(0.3, 0.8)
"""Smaller over larger of two paired parts, in volume and in height."""

CUT_FRAC = Ramp(0.25, 0.02)
"""Share of a structure's border that is the scan's own end."""

EACH_IMPLAUSIBLE = 0.3
"""Taken off for each measurement out of its plausible range (choice)."""

MISSING = 0.0
"""A structure every level has and the labels do not show."""

NO_JOINT = 0.2
"""A side without a joint: grown together or not resolved (choice)."""

NO_WINDOW = 0.3
"""A side without an interlaminar window: overlapping laminae, or a wrong border (choice)."""

LABELS = {"given": 0.9, "measured": 0.9, "automatic": 0.8, "modelled": 0.5}
"""How far labels are trusted by where they come from; nobody has looked at automatic ones (choice)."""

BORDER_VOXELS = {"given": 0.04, "automatic": 0.18}
"""Systematic error of a bone border, in longest voxel edges: with labels given by the offsets that
scripts/why_confidence.py prints, from the CT alone by what removals came out by on hard cases
(scripts/accuracy_hard.py), where thin pale bone is missed here and there."""

NOISE_FRAC = 0.3
"""Share of a voxel's edge that a border loses when it is no stronger than the noise (scripts/why_confidence.py)."""

SEEN_BY_NETWORK_MM = {"canal": 0.5, "bone": 0.6}
"""Systematic error, mm, of a border that only the network sees, as of an MR: twice or thrice what whole borders of 24
made-up examinations were off by, 0.15 and 0.31 mm in slices of 3.5 mm as of 5, for real ones are less alike
(`scripts/accuracy_mr.py`). Amounts of bone are less sure than that (`estimator.execution.border_causes`)."""

CANAL_HALF_MM = 15.0
"""The canal of a level is judged this far cranial and caudal of its disc's mid-plane: from pedicle to pedicle."""

NEAR_MM = 2.0
"""What is kept about a level's two vertebrae."""


def confidence_of(
    scan: Scan, labels: Labels, level: Level, sources: Mapping[str, Source], naming: Naming | None = None
) -> Confidence:
    """How sure a level is.

    Parameters
    ----------
    scan, labels : on one grid
    sources : how 'parts', 'canal', 'sac' and 'flavum' were obtained
    naming : what the vertebrae's names rest on; not judged when left out

    >>> CHECK_BELOW.value
    0.5
    """
    box = _box_about(labels, scan.grid, level)
    picture = picture_of(scan, _canal_at(labels[box], scan.grid.cropped(box), level), box)
    borders = borders_of(picture, structures_of(level))
    gaps = {side: gap_of(picture, joint) for side, joint in level.joints.items()}
    structures = tuple(_structure(name, border, borders, picture, sources) for name, border in borders.items())
    reasons = (
        _weakest(structures),
        *(_joint_reason(side, gaps.get(side), picture) for side in SIDES),
        *(_unresolved(joint, picture) for joint in level.joints.values() if not joint.gap_resolved),
        *(_too_narrow(joint, picture) for joint in level.joints.values() if not picture.calibrated),
        *_no_window(level),
        _slices_reason(picture, gaps),
        _symmetry(level, borders),
        _plausibility(level),
        _labels_reason(sources),
        *_names_reason(naming, level.name),
    )
    # the weakest link: see the head of this module
    least = min(reason.value_frac for reason in reasons)
    seen = _seen(level, picture, borders, gaps)
    sure = Confidence(least, least < CHECK_BELOW.value, reasons, structures, seen)
    left = set(level.joints) - set(unresolved_sides(level, sure, sources))
    answers = tuple(
        Reason(question, frac, f"{question}: probability {100 * frac:.0f} %, by a model fitted to made-up levels")
        for question, frac in fitted_probabilities(seen, sources, bool(left)).items()
    )
    if not answers:
        return sure
    value = min(reason.value_frac for reason in (*answers, *_names_reason(naming, level.name)))
    return replace(sure, value_frac=value, check_by_eye=value < CHECK_BELOW.value, reasons=(*answers, *reasons))


def _seen(
    level: Level,
    picture: ImageEvidence,
    borders: Mapping[str, BorderContrast | None],
    gaps: Mapping[Side, JointGap],
) -> dict[str, float]:
    """The numbers behind the reasons; what is missing counts as nothing seen."""
    noise = max(picture.noise, 1e-6)
    found = {name: border for name, border in borders.items() if border is not None}
    over = {name: min(border.contrast / noise, MOST_OVER_NOISE) for name, border in found.items()}
    canal = found.get("canal")
    dips = [_dip(gaps[side], picture) if side in gaps else (0.0, 0.0) for side in SIDES]
    alike = [_alike(name, borders)[0] for name in borders if "left" in name and _alike(name, borders)]
    return {
        "calibrated": float(picture.calibrated),
        "voxel mm": picture.longest_mm,
        "canal's border open": open_border_frac(picture),
        "canal mm2": canal_mm2(level),
        "sacral": float(not level.lower.startswith("L")),
        "canal contrast over noise": over.get("canal", 0.0),
        "arch contrast over noise": min((v for name, v in over.items() if name != "canal"), default=0.0),
        "canal at the scan's end": 1.0 if canal is None else canal.end_frac,
        "arch at the scan's end": max((b.end_frac for name, b in found.items() if name != "canal"), default=1.0),
        "structures missing": float(len(borders) - len(found)),
        "joint gap darker by": min(share for share, _ in dips),
        "joint gap darker over noise": min(min(over, MOST_OVER_NOISE) for _, over in dips),
        "joint gap mm": min((gap.gap_mm for gap in gaps.values()), default=0.0),
        "joints": float(sum(joint.gap_resolved for joint in level.joints.values())),
        "windows": float(len(level.windows)),
        "sides alike": min((frac for frac, _ in alike), default=0.0),
        "measurements out of range": float(len(implausible(level.measurements)[1])),
    }


def canal_mm2(level: Level) -> float:
    """The canal's least measured area; 0 where none was measured."""
    return min((m.value for m in level.measurements if m.name == "canal area"), default=0.0)


def _canal_at(labels: Labels, grid: Grid, level: Level) -> Labels:
    """Labels whose canal is only that of the level: it runs on through the scan's ends, which says nothing."""
    canal = np.argwhere((labels >= Tissue.CANAL) & (labels <= Tissue.ROOT))
    away = np.abs(level.frame.to_level_mm(grid.world_mm(canal))[:, 2]) > CANAL_HALF_MM
    out = labels.copy()
    out[tuple(canal[away].T)] = Tissue.OUTSIDE
    return out


def with_confidence(
    levels: tuple[Level, ...], scan: Scan, labels: Labels, sources: Mapping[str, Source], naming: Naming | None
) -> tuple[Level, ...]:
    """The levels, each with how sure it is and, where that is little, a warning that says why.

    Parameters
    ----------
    labels : (nx, ny, nz) array on the scan's own grid
    """

    def reported(level: Level) -> Level:
        sure = confidence_of(scan, labels, level, sources, naming)
        said = (check_sentence(level.name, sure),) if sure.check_by_eye else ()
        kept = without_unresolved(level, sure, sources)
        return replace(kept, confidence=sure, warnings=(*kept.warnings, *said))

    return tuple(side_by_side(reported, levels))


def check_sentence(name: str, sure: Confidence) -> str:
    """Why a level is to be looked at by eye: every reason below the threshold, the least first.

    >>> check_sentence("L3-L4", Confidence(0.2, True, (Reason("joint gap left", 0.2, "no joint was found"),), ()))
    'L3-L4: check by eye (confidence 0.2): no joint was found.'
    """
    # all of them, for mending one would leave the level marked for the next
    order = sorted(sure.reasons, key=lambda r: r.value_frac)
    weak = [r for r in order if r.value_frac < CHECK_BELOW.value] or order[:1]
    return f"{name}: check by eye (confidence {sure.value_frac:.1f}): {'; '.join(r.because for r in weak)}."


def structures_of(level: Level) -> dict[str, tuple[int, ...]]:
    """Name -> labels of what a decompression at the level works on, and its canal.

    >>> import numpy as np
    >>> from canalwise.recon.anatomy import Frame
    >>> list(structures_of(Level("L3-L4", "L3", "L4", Frame(np.zeros(3), np.eye(3)), {}, {}, {}, {})))[:2]
    ['L3 lamina left', 'L4 lamina left']
    """
    named: dict[str, tuple[int, ...]] = {}
    for side in SIDES:
        pairs = (
            (level.upper, "lamina"),
            (level.lower, "lamina"),
            (level.upper, "inferior_articular"),
            (level.lower, "superior_articular"),
            (level.upper, "pars"),
            (level.lower, "pedicle"),
        )
        for vertebra, part in pairs:
            named[f"{vertebra} {part.replace('_', ' ')} {side}"] = (label_of(vertebra, sided(part, side)),)
    named[f"{level.upper} spinous base"] = (label_of(level.upper, Part.SPINOUS_BASE),)
    return named | {"canal": tuple(int(t) for t in Tissue if Tissue.CANAL <= t <= Tissue.ROOT)}


def border_sd_mm(longest_voxel_mm: float, edge_over_noise: float, source: Source) -> float:
    """Standard deviation of a whole border's position, mm: what it is off by as a whole, not voxel by voxel.

    BORDER_VOXELS times the longest voxel edge, and, in quadrature, NOISE_FRAC of that edge over the strength of the
    border against the noise. Labels given are taken as right; blur beyond a voxel is not looked at.

    >>> round(border_sd_mm(1.0, 20.0, "automatic"), 3), round(border_sd_mm(2.0, 20.0, "given"), 3)
    (0.181, 0.085)
    """
    clean = BORDER_VOXELS["automatic" if source in ("automatic", "modelled") else "given"]
    return float(longest_voxel_mm * np.hypot(clean, NOISE_FRAC / max(edge_over_noise, 1.0)))


def _box_about(labels: Labels, grid: Grid, level: Level) -> Box:
    found = vertebra_boxes(labels)
    boxes = [found[n] for n in map(vertebra_number, (level.upper, level.lower)) if n in found]
    if not boxes:
        return slice(None), slice(None), slice(None)
    margin = np.maximum(np.ceil(NEAR_MM / grid.spacing_mm), 1).astype(int).tolist()
    i, j, k = (
        slice(max(min(s.start for s in spans) - wide, 0), min(max(s.stop for s in spans) + wide, length))
        for *spans, wide, length in zip(*boxes, margin, labels.shape, strict=True)
    )
    return i, j, k


def _structure(
    name: str,
    border: BorderContrast | None,
    borders: Mapping[str, BorderContrast | None],
    picture: ImageEvidence,
    sources: Mapping[str, Source],
) -> StructureConfidence:
    voxel = picture.longest_mm
    source = sources.get("canal" if name == "canal" else "parts", "automatic")
    over = 0.0 if border is None else border.contrast / max(picture.noise, 1e-6)
    sd_mm = border_sd_mm(voxel, over, source)
    if not picture.calibrated and source == "automatic":
        sd_mm = SEEN_BY_NETWORK_MM["canal" if name == "canal" else "bone"]
    if border is None:
        lost = Reason("in view", MISSING, f"{name} is not in view or was not found")
        return StructureConfidence(name, MISSING, sd_mm, (lost,))
    edge = Reason(
        "border",
        EDGE_OVER_NOISE.frac(over),
        f"{name} stands out from what lies beside it by {border.contrast:.0f}, {over:.1f} times the noise",
    )
    cut = Reason(
        "in view",
        CUT_FRAC.frac(border.end_frac),
        f"{100 * border.end_frac:.0f} % of the border of {name} is the scan's own end",
    )
    reasons = (edge, cut, *_likeness(name, borders))
    return StructureConfidence(name, min(r.value_frac for r in reasons), sd_mm, reasons)


def _likeness(name: str, borders: Mapping[str, BorderContrast | None]) -> tuple[Reason, ...]:
    """How like its twin a paired part is; nothing for a part without one."""
    return tuple(
        Reason(
            "symmetry",
            PAIR_LIKENESS.frac(frac),
            f"{name.removesuffix(' left').removesuffix(' right')}: {what} of the smaller side is "
            f"{100 * frac:.0f} % of the larger",
        )
        for frac, what in _alike(name, borders)
    )


def _alike(name: str, borders: Mapping[str, BorderContrast | None]) -> tuple[tuple[float, str], ...]:
    """Smaller over larger of a part and its twin, of volume or height, whichever is less; nothing without a twin."""
    # tropism and scoliosis make sides differ too, but seldom by the half that a lost process does
    twin = name.replace("left", "right") if "left" in name else name.replace("right", "left")
    own, other = borders.get(name), borders.get(twin)
    if twin == name or own is None or other is None:
        return ()
    pairs = ((own.mm3, other.mm3, "volume"), (own.height_mm, other.height_mm, "height"))
    return (min((min(a, b) / max(a, b), what) for a, b, what in pairs if max(a, b) > 0),)


def _weakest(structures: tuple[StructureConfidence, ...]) -> Reason:
    """Border and view of the least sure structure; symmetry is judged for the level as a whole."""
    reported = [
        (reason.value_frac, structure.name, reason)
        for structure in structures
        for reason in structure.reasons
        if reason.about != "symmetry"
    ]
    value, _, reason = min(reported, key=lambda each: each[:2])
    return Reason("borders", value, reason.because)


def _joint_reason(side: Side, gap: JointGap | None, picture: ImageEvidence) -> Reason:
    if gap is None:
        return Reason(
            f"joint gap {side}",
            NO_JOINT,
            f"no facet joint was found on the {side}: grown together, worn away, or not resolved by the scan",
        )
    share, over = _dip(gap, picture)
    value = min(GAP_DIP.frac(share), GAP_DIP_OVER_NOISE.frac(over))
    return Reason(
        f"joint gap {side}",
        value,
        f"the {side} joint's gap is {'darker than' if picture.calibrated else 'other than'} its faces by "
        f"{round(100 * share)} % of their brightness, {round(over, 1) + 0.0:.1f} times the noise",
    )


def _dip(gap: JointGap, picture: ImageEvidence) -> tuple[float, float]:
    """By how much a gap is darker than its faces: as a share of their brightness, and over the noise."""
    # cartilage and fluid are darker than both faces; where noise or blur has filled the gap, no split can be trusted
    dip = gap.faces - gap.between if picture.calibrated else abs(gap.faces - gap.between)
    return dip / max(gap.faces - picture.soft, 1.0), dip / max(picture.noise, 1e-6)


def _too_narrow(joint: Joint, picture: ImageEvidence) -> Reason:
    """Of an MR: whether its voxels can show the gap at all, for nothing else tells a face from a cut through bone."""
    return Reason(
        f"joint gap {joint.side}",
        VOXEL_OVER_GAP.frac(picture.longest_mm / max(joint.gap_mm, 0.1)),
        f"voxels are {picture.longest_mm:.2f} mm long where the {joint.side} joint's gap is {joint.gap_mm:.2f} mm wide",
    )


def _unresolved(joint: Joint, picture: ImageEvidence) -> Reason:
    return Reason(
        f"joint gap {joint.side}",
        # a CT's dark line was sought there; of an MR nothing but the labels knows of the joint
        NO_JOINT if picture.calibrated else MISSING,
        f"the {joint.side} joint's faces touch in the labels, and the image does not tell them apart",
    )


def _no_window(level: Level) -> tuple[Reason, ...]:
    """A reason where a dorsal view sees no gap into the canal, which few levels lack."""
    closed = [side for side in SIDES if side not in level.windows]
    if not closed:
        return ()
    return (
        Reason(
            "interlaminar window",
            NO_WINDOW,
            f"no interlaminar window was found on the {' and '.join(closed)} "
            "side: closed by bone, cut off, or bone laid across it",
        ),
    )


def _slices_reason(picture: ImageEvidence, gaps: Mapping[Side, JointGap]) -> Reason:
    widths = [gap.gap_mm for gap in gaps.values()]
    longest = picture.longest_mm
    if not widths:
        return Reason("voxels and gap", NO_JOINT, "no joint gap to hold the voxels against")
    ratio = longest / max(min(widths), 0.1)
    return Reason(
        "voxels and gap",
        VOXEL_OVER_GAP.frac(ratio),
        f"voxels are {longest:.2f} mm long where the narrower joint gap is {min(widths):.2f} mm wide",
    )


def _symmetry(level: Level, borders: Mapping[str, BorderContrast | None]) -> Reason:
    pairs = [reason for name in borders for reason in _likeness(name, borders) if name.endswith("left")]
    if not pairs:
        return Reason("symmetry", NO_JOINT, f"{level.name} shows no part on both sides")
    return min(pairs, key=lambda reason: (reason.value_frac, reason.because))


def _plausibility(level: Level) -> Reason:
    # a sick level is not marked for being sick: the ranges hold stenosis, slips and tropism
    assessment_of, outside = implausible(level.measurements)
    if not assessment_of:
        return Reason("published ranges", NO_JOINT, "no measurement could be held against a published range")
    said = "; ".join(outside) or f"all {assessment_of} measurements lie within plausible ranges"
    return Reason("published ranges", max(1.0 - EACH_IMPLAUSIBLE * len(outside), 0.0), said)


def _labels_reason(sources: Mapping[str, Source]) -> Reason:
    source = sources.get("parts", "automatic")
    said = (
        "the parts were found automatically; nobody has looked at them"
        if source == "automatic"
        else "the parts came with a label map"
    )
    return Reason("labels", LABELS[source], said)


def _names_reason(naming: Naming | None, level: str) -> tuple[Reason, ...]:
    return () if naming is None else (Reason("level names", naming.probability_of(level), naming.because),)
