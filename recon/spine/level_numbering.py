"""Which level is which: counted from the sacrum or the ribs when in view, given otherwise, never guessed in silence."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from canalwise.recon.anatomy import NamesFrom, Naming
from canalwise.recon.errors import AnatomyNotFound, WrongUse
from canalwise.recon.labels import VERTEBRAE, vertebra_number
from canalwise.recon.severity_bands import Threshold
from canalwise.recon.spine.canal_coordinates import SpineField

Evidence = NamesFrom

LUMBAR = ("L1", "L2", "L3", "L4", "L5", "L6")

ALA_SIDE_MM, ALA_BACK_MM = (30.0, 42.0), (-22.0, 6.0)
"""Where a sacrum's wings lie and no lumbar vertebra has bulk: lateral of the bodies, beside them."""

ALA_FRAC = 0.15
"""Least share of bone there, on both sides (transverse processes are thin and lie further dorsal)."""

RIB_SIDE_MM, RIB_BACK_MM = (47.0, 62.0), (-12.0, 45.0)
"""Where ribs run and no lumbar transverse process reaches: half spans are 35..44 mm
(docs/published-values.md#vertebrae)."""

RIB_LEAST_MM3 = 150.0
"""Least bone there, on both sides together (common practice, no source)."""

CREST_LEVELS = 2
"""The iliac crests reach up to the second vertebra above the sacrum, where no rib is (common practice, no source)."""

ABOUT_MM = 12.0
"""Height about a pedicle in which wings and ribs are looked for."""

SLIVER_FRAC = 0.2
"""Less body in view than this share of the largest makes a sliver (common practice, no source)."""

SURE = {
    "both": Threshold("five between sacrum and ribs", 0.95, "fraction", "choice", "PRACTICE"),
    "given": Threshold("given by a person", 0.90, "fraction", "choice", "PRACTICE"),
    "sacrum": Threshold("counted from the sacrum alone", 0.80, "fraction", "choice", "PRACTICE"),
    "ribs": Threshold("counted from the ribs alone", 0.65, "fraction", "choice", "PRACTICE"),
    "transitional": Threshold("a hint of a transitional vertebra", 0.40, "fraction", "choice", "PRACTICE"),
    "contradicted": Threshold("given, but the sacrum's wings say otherwise", 0.30, "fraction", "choice", "PRACTICE"),
}
"""How sure names are by what they rest on. Choices, ordered by what may still be wrong: a name given can be a slip, one
sign alone misses a fourth or sixth lumbar vertebra, lowest ribs may be stunted, transitional anatomy is a toss-up."""


@dataclass(frozen=True)
class CountedNames:
    """Names of vertebrae, caudal to cranial as counted, with what they rest on.

    `by_number` maps the number of `VertebraInstances` to a name.
    """

    by_number: dict[int, str]
    naming: Naming
    warnings: tuple[str, ...] = ()

    @property
    def evidence(self) -> Evidence:
        """What the names rest on."""
        return self.naming.evidence


@dataclass(frozen=True)
class VertebraPlace:
    """Where a vertebra lies: its height, RAS mm, and its slice, counted from 1 at the caudal end of the scan."""

    z_ras_mm: float
    slice_number: int


@dataclass(frozen=True)
class RegionSigns:
    """Numbers, caudal to cranial, of the vertebrae in view and of those that show a sacrum's wings or ribs.

    `slivers` are those of which the scan's end leaves little: a person may or may not count them.
    `half_winged` have a wing on one side only; `places` tell where each vertebra lies, as far as known.
    """

    in_view: tuple[int, ...]
    winged: tuple[int, ...]
    ribbed: tuple[int, ...]
    slivers: tuple[int, ...] = ()
    half_winged: tuple[int, ...] = ()
    places: Mapping[int, VertebraPlace] = field(default_factory=dict)


def signs(
    spine: SpineField, bone: npt.NDArray[np.bool_], bodies_mm3: dict[int, float], pedicles_mm: Sequence[float]
) -> RegionSigns:
    """Look for wings and ribs beside each vertebra in view.

    Parameters
    ----------
    bodies_mm3 : number of each vertebra in view -> how much of its body is
    bone : (nx, ny, nz) array of the field's box, all bone, not the spine's only
    pedicles_mm : height of each vertebra's pedicle, by number - 1
    """
    winged, half_winged, ribbed = [], [], []
    places: dict[int, VertebraPlace] = {}
    largest = max(bodies_mm3.values(), default=0.0)
    slivers = tuple(n for n, volume in bodies_mm3.items() if volume < SLIVER_FRAC * largest)
    side, back = np.abs(spine.left_mm), spine.back_mm
    wing = (side >= ALA_SIDE_MM[0]) & (side <= ALA_SIDE_MM[1]) & (back >= ALA_BACK_MM[0]) & (back <= ALA_BACK_MM[1])
    rib = (side >= RIB_SIDE_MM[0]) & (side <= RIB_SIDE_MM[1]) & (back >= RIB_BACK_MM[0]) & (back <= RIB_BACK_MM[1])
    # Of the whole box only the voxels where wings or ribs can be.
    where = np.flatnonzero(wing | rib)
    wing, rib, bone = (mask.ravel()[where] for mask in (wing, rib, bone))
    left, along = spine.left_mm.ravel()[where], spine.along_mm.ravel()[where]
    for n in bodies_mm3:
        about = np.abs(along - pedicles_mm[n - 1]) <= ABOUT_MM
        places |= _place(n, spine, pedicles_mm[n - 1])
        sides = [wing & about & half for half in (left > 0, left < 0)]
        shares = [_share(bone, one) for one in sides]
        if min(shares) >= ALA_FRAC:
            winged.append(n)
        elif float((bone & rib & about).sum()) * spine.grid.voxel_mm3 >= RIB_LEAST_MM3:
            ribbed.append(n)
        elif max(shares) >= ALA_FRAC and min(one.sum() for one in sides) > 0.5 * max(one.sum() for one in sides):
            half_winged.append(n)  # both sides are in view, so the other wing is not merely cut off
    return RegionSigns(tuple(bodies_mm3), tuple(winged), tuple(ribbed), slivers, tuple(half_winged), places)


def _share(bone: npt.NDArray[np.bool_], where: npt.NDArray[np.bool_]) -> float:
    return float(bone[where].mean()) if where.any() else 0.0


def _place(number: int, spine: SpineField, pedicle_mm: float) -> dict[int, VertebraPlace]:
    """The place of a pedicle's middle on the back of the bodies; empty where the box does not hold it."""
    near = np.flatnonzero((np.abs(spine.left_mm) <= 4.0) & (np.abs(spine.back_mm) <= 4.0))
    off = np.abs(spine.along_mm.ravel()[near] - pedicle_mm)
    if not len(off) or off.min() > ABOUT_MM:
        return {}
    at = np.unravel_index(int(near[off.argmin()]), spine.along_mm.shape)
    return {number: VertebraPlace(float(spine.grid.world_mm(at)[2]), spine.box[2].start + int(at[2]) + 1)}


def places_text(found: RegionSigns) -> str:
    """The vertebrae found, cranial to caudal, with their heights and slices, so that a person can count.

    >>> places_text(RegionSigns((1, 2), (), (), places={1: VertebraPlace(-40.0, 12), 2: VertebraPlace(-5.5, 48)}))
    '2 vertebrae with pedicles at RAS z -5.5 mm (slice 48), -40.0 mm (slice 12), cranial to caudal'
    """
    reported = [
        f"{found.places[n].z_ras_mm:.1f} mm (slice {found.places[n].slice_number})"
        + (", cut by the scan's end" if n in found.slivers else "")
        for n in sorted(found.in_view, reverse=True)
        if n in found.places
    ]
    heights = f" with pedicles at RAS z {', '.join(reported)}, cranial to caudal" if reported else ""
    return f"{len(found.in_view)} vertebrae{heights}"


GIVEN_SAID = "the names were given by a person; the scan was not asked"
COUNTING = "Slices are counted from 1 at the caudal end of the scan as read."


def names(
    found: RegionSigns, levels: Sequence[str] | None = None, seeded: Mapping[int, str] | None = None
) -> CountedNames:
    """Names of the vertebrae in view.

    Parameters
    ----------
    found : what the scan shows
    levels : names given by a person, cranial to caudal; they win over any sign
    seeded : number -> name of vertebrae a person pointed at; the others are counted from these

    Raises
    ------
    WrongUse : as many names must be given as there are vertebrae in view, neighbours in order
    AnatomyNotFound : neither sacrum nor ribs are in view and no names are given

    >>> names(RegionSigns((1, 2, 3), (), ()), ["L2", "L3", "L4"]).by_number
    {3: 'L2', 2: 'L3', 1: 'L4'}
    >>> names(RegionSigns((1, 2, 3), (1,), ())).by_number
    {1: 'S1', 2: 'L5', 3: 'L4'}
    >>> names(RegionSigns((1, 2, 3), (), ()), seeded={2: "L4"}).by_number
    {3: 'L3', 2: 'L4', 1: 'L5'}
    """
    if levels is not None:
        return _given(found, tuple(levels))
    if seeded:
        return _counted_from(found, seeded)
    found = _without_crests(found)
    _refuse_contradiction(found)
    if found.winged:
        return _from_sacrum(found)
    if found.ribbed:
        return _from_ribs(found)
    raise AnatomyNotFound(
        "level names",
        "cannot be counted: neither sacrum nor ribs are in view",
        got=places_text(found),
        do="Name the vertebrae in view, cranial to caudal, with --levels, such as --levels L2,L3,L4, "
        f"or point at one with --seed vertebra:L4=X,Y,Z. {COUNTING}",
    )


def _without_crests(found: RegionSigns) -> RegionSigns:
    """The signs less ribs right above the sacrum: bone that far lateral of L5 and L4 is an iliac crest."""
    if not found.winged:
        return found
    sacrum = max(found.winged)
    return replace(found, ribbed=tuple(n for n in found.ribbed if not sacrum < n <= sacrum + CREST_LEVELS))


def _refuse_contradiction(found: RegionSigns) -> None:
    """Wings belong to the caudal end and ribs to the cranial end; anything else cannot be counted by."""
    lowest, highest = found.in_view[: len(found.winged)], found.in_view[len(found.in_view) - len(found.ribbed) :]
    if found.winged != lowest or found.ribbed != highest:
        raise AnatomyNotFound(
            "level names",
            "cannot be counted: signs of sacrum and ribs contradict each other",
            got=f"sacrum at {found.winged}, ribs at {found.ribbed} of {places_text(found)}",
            do=f"Name the vertebrae in view, cranial to caudal, with --levels. {COUNTING}",
        )


def _counted_from(found: RegionSigns, seeded: Mapping[int, str]) -> CountedNames:
    """Names of all in view, counted from those a person pointed at; what lies beyond T12 and S1 stays unnamed."""
    # a sixth lumbar vertebra is there only where a person says so
    line = [name for name in VERTEBRAE if name != "L6" or "L6" in seeded.values()]
    firsts = {line.index(name) + number for number, name in seeded.items() if name in line}
    if len(firsts) != 1:
        raise WrongUse(
            "--seed vertebra",
            "must name vertebrae that follow each other as they lie in the scan",
            got={f"number {n} from below": name for n, name in seeded.items()},
            do=f"Found are {places_text(found)}. {COUNTING}",
        )
    first = firsts.pop()
    named = tuple(n for n in found.in_view if 0 <= first - n < len(line))
    levels = tuple(line[first - n] for n in sorted(named, reverse=True))
    return _given(
        replace(found, in_view=named, slivers=()), levels, "the names were counted from what a person pointed at"
    )


def _given(found: RegionSigns, levels: tuple[str, ...], because: str = GIVEN_SAID) -> CountedNames:
    for name in levels:
        vertebra_number(name)
    whole = tuple(n for n in found.in_view if n not in found.slivers)
    counted = whole if len(levels) == len(whole) else found.in_view
    if len(levels) != len(counted):
        raise WrongUse(
            "--levels",
            f"must name the {len(found.in_view)} vertebrae found in view, cranial to caudal",
            got=",".join(levels),
            do=f"Found are {places_text(found)}. Count them on the images, those cut "
            f"by the scan's ends included. {COUNTING}",
        )
    order = [VERTEBRAE[name] for name in levels]
    if order != sorted(set(order)):
        raise WrongUse("--levels", "must name different vertebrae from cranial to caudal", got=",".join(levels))
    by_number = dict(zip(reversed(counted), levels, strict=True))
    warnings = [
        f"The name {by_number[n]} was given, but its wings look like a sacrum's."
        for n in found.winged
        if by_number.get(n, "S1") != "S1"
    ]
    naming = _naming("contradicted" if warnings else "given", "given", " ".join(warnings) or because)
    if len(counted) < len(found.in_view):
        warnings.append("A sliver of another vertebra at the scan's end was not named and is left out.")
    return CountedNames(by_number, naming, tuple(warnings))


def _naming(sure: str, evidence: Evidence, because: str, hints: Sequence[str] = ()) -> Naming:
    value = min(SURE[name].value for name in (sure, *(["transitional"] if hints else [])))
    return Naming(evidence, value, "; ".join([because, *hints]), bool(hints))


def _hints(found: RegionSigns, lumbar: int | None) -> list[str]:
    """What speaks for a transitional vertebra."""
    said = []
    if lumbar is not None and lumbar != 5:
        said.append(f"{lumbar} vertebrae lie between sacrum and lowest ribs: transitional anatomy")
    if len(found.winged) > 1:
        said.append(
            "a disc lies between two vertebrae with a sacrum's wings (an S1-S2 disc, or a last lumbar vertebra "
            "grown into the sacrum): transitional anatomy, the count may be off by one"
        )
    near = [n for n in found.half_winged if not found.winged or n == max(found.winged) + 1]
    if near:
        said.append("the lowest vertebra above the sacrum has a wing on one side only: transitional anatomy")
    return said


def _from_sacrum(found: RegionSigns) -> CountedNames:
    sacrum = max(found.winged)
    above = [n for n in found.in_view if n > sacrum]
    rib = min((n for n in found.ribbed if n > sacrum), default=None)
    lumbar = 5 if rib is None else sum(n < rib for n in above)
    if not 4 <= lumbar <= 6:
        raise AnatomyNotFound(
            "level names",
            "do not fit: 4 to 6 lumbar vertebrae can be named",
            got=lumbar,
            do=f"Found are {places_text(found)}. Name them with --levels. {COUNTING}",
        )
    hints = _hints(found, None if rib is None else lumbar)
    if rib is None:
        said = "Levels were counted from the sacrum, taking five lumbar vertebrae: no ribs are in view"
        naming = _naming("sacrum", "sacrum", said, hints)
    else:
        said = f"{lumbar} lumbar vertebrae were counted between the sacrum and the lowest ribs"
        naming = _naming("both", "both", said, hints)
    line = ("S1", *reversed(LUMBAR[:lumbar]), "T12")
    by_number = dict(zip([sacrum, *above], line, strict=False))
    return CountedNames(by_number, naming, _sentences(naming, said, hints))


def _sentences(naming: Naming, said: str, hints: Sequence[str]) -> tuple[str, ...]:
    """Warnings: nothing but the reminder where both signs agree."""
    reported = [] if naming.evidence == "both" and not hints else [said, *hints]
    return (*(f"{sentence[0].upper()}{sentence[1:]}." for sentence in reported), "Confirm the levels on the images.")


def _from_ribs(found: RegionSigns) -> CountedNames:
    lowest = min(found.ribbed)
    below = sorted((n for n in found.in_view if n < lowest), reverse=True)
    by_number = dict(zip([lowest, *below], ("T12", *LUMBAR[:5], "S1"), strict=False))
    said, hints = "Levels were counted from the lowest ribs in view; no sacrum is in view", _hints(found, None)
    naming = _naming("ribs", "ribs", said, hints)
    return CountedNames(by_number, naming, _sentences(naming, said, hints))
