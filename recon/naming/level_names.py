"""Which level is which: the most probable counting, or names given by a person.

Names are never guessed in silence: they come with their probability (`recon.naming.posterior`), and where that is below
`CONFIRMED` the build goes on under the most probable names, marked as not confirmed, with the question a person must
answer. Names given win over any evidence; where the evidence speaks clearly against them, that is said.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from canalwise.recon.anatomy import NamesCandidate, NamesFrom, Naming
from canalwise.recon.errors import WrongUse
from canalwise.recon.grid import box_of
from canalwise.recon.labels import VERTEBRAE, Part, vertebra_number
from canalwise.recon.naming.column_cues import ColumnCues
from canalwise.recon.naming.posterior import (
    CONFIRMED,
    SILENT_MOST,
    NamesPosterior,
    least_probability,
    names_posterior,
    pair_probabilities,
)
from canalwise.recon.naming.reasons import evidence_of, reasons_text, transitional_text
from canalwise.recon.segmentation.instances import VertebraInstances
from canalwise.recon.severity_bands import Threshold

Evidence = NamesFrom

SLIVER_FRAC = 0.35
"""Less body in view than this share of the median vertebra's makes a sliver (common practice, no source)."""

GIVEN = Threshold("names given by a person", 0.97, "probability", "choice: a slip of the person", "PRACTICE")
CONTRADICTED = Threshold("names given, but the scan says otherwise", 0.30, "probability", "choice", "PRACTICE")

AGAINST_FRAC = 0.02
"""Names given that are less probable than this, where others are confirmed, contradict the scan."""

CANDIDATES = 4
"""Ways to name the vertebrae that are shown."""

ALIGNED_FRAC = 0.9
"""A list of fewer names than vertebrae is placed where this share of its probability lies (choice)."""

CONDITIONS: Mapping[Evidence, str] = {
    "sacrum": "if there are five lumbar vertebrae: the ribs, which would tell, are not in view",
    "ribs": "if the lowest rib is the twelfth: the sacrum, which would tell, is not in view",
}
"""What names counted from one end presume."""

GIVEN_SAID = "the names were given by a person; the scan was not asked"
COUNTING = "Slices are counted from 1 at the caudal end of the scan as read, of an MR once it is on voxels of 0.8 mm."


@dataclass(frozen=True)
class CountedNames:
    """Names of vertebrae with what they rest on; `by_number` maps the number of `VertebraInstances` to a name."""

    by_number: dict[int, str]
    naming: Naming
    warnings: tuple[str, ...] = ()

    @property
    def evidence(self) -> Evidence:
        """What the names rest on."""
        return self.naming.evidence


@dataclass(frozen=True)
class VertebraPlace:
    """Where a vertebra lies: RAS mm, and its slice, counted from 1 at the caudal end of the scan."""

    ras_mm: tuple[float, float, float]
    slice_number: int


@dataclass(frozen=True)
class Column:
    """The vertebrae found, as far as naming needs them.

    Parameters
    ----------
    in_view : numbers, caudal to cranial, of vertebrae with enough of their body in view to be named
    cues : evidence about the whole column, those not in view included
    slivers : those of which the scan's end leaves little: a person may or may not count them
    places : where each vertebra lies
    """

    in_view: tuple[int, ...]
    cues: ColumnCues
    slivers: tuple[int, ...] = ()
    places: Mapping[int, VertebraPlace] = field(default_factory=dict)


def column_of(found: VertebraInstances, cues: ColumnCues) -> Column:
    """The column of a segmentation."""
    bodies = found.bodies_mm3()
    # the sacrum is one instance of five vertebrae: beside it any other body would look like a sliver
    single = [mm3 for n, mm3 in bodies.items() if (cues.vertebrae[n - 1].sacral_frac or 0.0) < 0.3]
    usual = float(np.median(single)) if single else 0.0
    slivers = tuple(n for n, mm3 in bodies.items() if mm3 < SLIVER_FRAC * usual)
    return Column(tuple(bodies), cues, slivers, {n: _place(found, n) for n in bodies})


def _place(found: VertebraInstances, number: int) -> VertebraPlace:
    """The middle of a vertebra's body; of a sacrum's upper end."""
    box = box_of(found.number == number) or (slice(0, 0),) * 3
    index = np.argwhere((found.number[box] == number) & (found.part[box] == Part.BODY)) + [s.start for s in box]
    heights = index[:, 2]
    # a sacrum is long: what lies within a lumbar body's height of its top stands for it
    near = index[np.abs(heights - np.percentile(heights, 90)) * found.grid.spacing_mm[2] <= 20.0]
    x, y, z = (float(value) for value in found.grid.world_mm(near.mean(axis=0)))
    return VertebraPlace((x, y, z), found.box[2].start + round(float(near[:, 2].mean())) + 1)


def places_text(found: Column) -> str:
    """The vertebrae found, cranial to caudal, with their heights and slices, so that a person can count.

    >>> places = {1: VertebraPlace((0, 0, -40.0), 12), 2: VertebraPlace((0, 0, -5.5), 48)}
    >>> places_text(Column((1, 2), ColumnCues(()), places=places))
    '2 vertebrae with bodies at RAS z -5.5 mm (slice 48), -40.0 mm (slice 12), cranial to caudal'
    """
    reported = [
        f"{found.places[n].ras_mm[2]:.1f} mm (slice {found.places[n].slice_number})"
        + (", cut by the scan's end" if n in found.slivers else "")
        for n in sorted(found.in_view, reverse=True)
        if n in found.places
    ]
    heights = f" with bodies at RAS z {', '.join(reported)}, cranial to caudal" if reported else ""
    return f"{len(found.in_view)} vertebrae{heights}"


def names(found: Column, levels: Sequence[str] | None = None, seeded: Mapping[int, str] | None = None) -> CountedNames:
    """Names of the vertebrae in view.

    Parameters
    ----------
    found : what the scan shows
    levels : names given by a person, cranial to caudal; they win over any evidence
    seeded : number -> name of vertebrae a person pointed at; the others are counted from these

    Raises
    ------
    WrongUse : names given must be different, in order, and no more than there are vertebrae in view
    """
    posterior = names_posterior(found.cues)
    if levels is not None:
        return _given(found, tuple(levels), posterior)
    if seeded:
        return _counted_from(found, seeded, posterior)
    return _counted(found, posterior)


def _counted(found: Column, posterior: NamesPosterior) -> CountedNames:
    """The most probable names, confirmed or with the question to answer."""
    best = posterior.best
    by_number = {n: best[n - 1] for n in found.in_view if best[n - 1]}
    pairs = pair_probabilities(posterior, by_number)
    value = posterior.probability(by_number)
    sure = least_probability(posterior, by_number) >= CONFIRMED.value
    evidence = evidence_of(found.cues, best)
    condition = CONDITIONS.get(evidence, "") if _sure_if_usual(posterior, by_number) else ""
    confirmed = sure or bool(condition)
    candidates = _candidates(posterior, found.in_view)
    transitional = transitional_text(posterior)
    because = reasons_text(found.cues, best)
    question = "" if confirmed else _question(found, candidates)
    naming = Naming(
        evidence,
        value,
        because,
        bool(transitional),
        confirmed,
        pairs,
        candidates,
        _places(found),
        question,
        condition,
    )
    presumed = f", {condition}" if condition else ""
    counted = f"Levels were counted ({because}): probability {value:.2f}{presumed}. Confirm the levels on the images."
    return CountedNames(by_number, naming, tuple(text for text in (question or counted, transitional) if text))


def _sure_if_usual(posterior: NamesPosterior, by_number: dict[int, str]) -> bool:
    """Are the names sure but for anatomies that only both ends of the lumbar spine tell, none of which is likely?"""
    if posterior.silent_probability > SILENT_MOST.value:
        return False
    return least_probability(posterior, by_number, usual=True) >= CONFIRMED.value


def _candidates(posterior: NamesPosterior, in_view: Sequence[int]) -> tuple[NamesCandidate, ...]:
    """The most probable names of the vertebrae in view, cranial to caudal."""
    total: dict[tuple[str, ...], float] = {}
    for ranked, probability in posterior.ranked():
        key = tuple(ranked[n - 1] for n in sorted(in_view, reverse=True))
        total[key] = total.get(key, 0.0) + probability
    order = sorted(total.items(), key=lambda each: (-each[1], each[0]))[:CANDIDATES]
    return tuple(NamesCandidate(key, probability) for key, probability in order)


def _places(found: Column) -> tuple[tuple[float, float, float], ...]:
    return tuple(found.places[n].ras_mm for n in sorted(found.in_view, reverse=True) if n in found.places)


def _question(found: Column, candidates: Sequence[NamesCandidate]) -> str:
    """What a person must answer, with the place it is asked of and the likely answers."""
    number = next((n for n in found.in_view if n not in found.slivers), found.in_view[0] if found.in_view else 1)
    at = len(found.in_view) - 1 - found.in_view.index(number) if number in found.in_view else 0
    likely: dict[str, float] = {}
    for each in candidates:
        name = each.names[at] or "a lower sacral vertebra"
        likely[name] = likely.get(name, 0.0) + each.probability
    said = ", ".join(f"{name} ({probability:.2f})" for name, probability in likely.items())
    place = found.places.get(number)
    where = "" if place is None else f" at RAS z {place.ras_mm[2]:.1f} mm (slice {place.slice_number})"
    example = ",".join(name for name in candidates[0].names if name)
    return (
        f"The level names are NOT CONFIRMED and must be given: which vertebra is the lowest one found{where}? "
        f"Likely: {said}. Count on the images from sacrum or ribs, then give the names of "
        f"{places_text(found)} with --levels, such as --levels {example}, or point at one with --seed "
        f"vertebra:L4=X,Y,Z. {COUNTING}"
    )


def _counted_from(found: Column, seeded: Mapping[int, str], posterior: NamesPosterior) -> CountedNames:
    """Names of all in view, counted from those a person pointed at; what lies beyond T1 and S1 stays unnamed."""
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
        replace(found, in_view=named, slivers=()),
        levels,
        posterior,
        "the names were counted from what a person pointed at",
    )


def _given(
    found: Column, levels: tuple[str, ...], posterior: NamesPosterior, because: str = GIVEN_SAID
) -> CountedNames:
    for name in levels:
        vertebra_number(name)
    order = [VERTEBRAE[name] for name in levels]
    if order != sorted(set(order)):
        raise WrongUse("--levels", "must name different vertebrae from cranial to caudal", got=",".join(levels))
    counted = _numbers_for(found, levels, posterior)
    by_number = dict(zip(counted, reversed(levels), strict=True))
    against = _against(posterior, by_number)
    value = CONTRADICTED.value if against else GIVEN.value
    naming = Naming("given", value, against or because, False, True, {}, (), _places(found))
    left = len(found.in_view) - len(counted)
    warnings = [text for text in (against, _left_out_text(left) if left else "") if text]
    return CountedNames(by_number, naming, tuple(warnings))


def _left_out_text(count: int) -> str:
    return (
        "A vertebra in view was not named and is left out."
        if count == 1
        else f"{count} vertebrae in view were not named and are left out."
    )


def _numbers_for(found: Column, levels: tuple[str, ...], posterior: NamesPosterior) -> tuple[int, ...]:
    """Numbers, caudal to cranial, of the vertebrae that a list of names means.

    All in view, all but slivers, or, of a shorter list, the run of vertebrae that the evidence lays it on.
    """
    whole = tuple(n for n in found.in_view if n not in found.slivers)
    for numbers in (found.in_view, whole):
        if len(levels) == len(numbers):
            return numbers
    runs = [found.in_view[n : n + len(levels)] for n in range(len(found.in_view) - len(levels) + 1)]
    chances = [posterior.probability(dict(zip(run, reversed(levels), strict=True))) for run in runs]
    if runs and sum(chances) >= 0.5 and max(chances) >= ALIGNED_FRAC * sum(chances):
        return runs[int(np.argmax(chances))]
    raise WrongUse(
        "--levels",
        f"must name the {len(found.in_view)} vertebrae found in view, cranial to caudal",
        got=",".join(levels),
        do=f"Found are {places_text(found)}. Count them on the images, those cut by "
        f"the scan's ends included, or point at one with --seed vertebra:L4=X,Y,Z. {COUNTING}",
    )


def _against(posterior: NamesPosterior, by_number: dict[int, str]) -> str:
    """A sentence where the scan speaks clearly against names given."""
    best = posterior.best
    other = {n: best[n - 1] for n in by_number}
    likely = posterior.probability(other)
    if likely < CONFIRMED.value or posterior.probability(by_number) >= AGAINST_FRAC:
        return ""
    said = ", ".join(other[n] for n in sorted(other, reverse=True))
    return f"The names given contradict the scan, which shows {said} with probability {likely:.2f}. Check the count."
