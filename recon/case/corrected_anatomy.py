"""An anatomy with structures replaced and seed points set by a person, and all that follows computed anew.

Points change what the search itself finds, so with them the scan is searched again; a structure replaced alone changes
the labels there are. Both keep what was corrected earlier.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

from canalwise.recon.anatomy import Anatomy, Correction, Source
from canalwise.recon.case.anatomy_builder import Progress, anatomy_of_bones, bones_of_scan, tube_of
from canalwise.recon.case.bone_anatomy import FOUND_IN_MR, GIVEN_ON_MR, BoneAnatomy, MrTissue
from canalwise.recon.case.corrections import (
    Replacement,
    bone_changed,
    kept_replacement,
    occupancy_again,
    with_canal_in,
    with_replacements,
    without_modelled,
)
from canalwise.recon.case.motion_segments import LEFT_OUT
from canalwise.recon.case.renaming import renamed
from canalwise.recon.case.structure_names import structure_of
from canalwise.recon.errors import UnusableInput, WrongUse
from canalwise.recon.grid import Float
from canalwise.recon.intake.label_maps import GivenLabels
from canalwise.recon.labelling.mr_labels import labelled_mr
from canalwise.recon.labels import Labels, Part, bone_mask, vertebrae_in
from canalwise.recon.registration.carried_tissue import CarriedTissue, carried
from canalwise.recon.registration.column import LabelledScan, registered_on
from canalwise.recon.scan import Scan
from canalwise.recon.segmentation.seed_points import Seed, Seeds, check_canal_free
from canalwise.recon.spine.arch_parts import divide_arches
from canalwise.recon.steps import named_steps


@dataclass(frozen=True, eq=False)
class MrBeside:
    """An MR beside a CT, with given labels on its grid where there are any; `on_carried` takes what is carried."""

    scan: Scan
    given: GivenLabels | None = None
    on_carried: Callable[[CarriedTissue], None] = lambda _: None


def anatomy_with(
    scan: Scan,
    *,
    given: GivenLabels | None = None,
    vertebrae: Sequence[str] | None = None,
    seeds: Seeds | None = None,
    replaced: Sequence[Replacement] = (),
    progress: Progress | None = None,
    mr: MrBeside | None = None,
) -> Anatomy:
    """The anatomy of a scan, as `recon.case.anatomy_builder.anatomy_of`, with structures replaced by a person's maps.

    `mr` is an MR of the same patient, of which sac, ligament and discs are taken over.

    Raises what `anatomy_of` and `recon.case.corrections.with_replacements` raise.
    """
    if given is not None and seeds is not None:
        _only_canal(seeds)
    with named_steps(progress) as say:
        part, bones = bones_of_scan(scan, given, vertebrae, say, seeds)
        bones = corrected(bones, part, replaced, say, seeds)
        if mr is not None:
            bones = with_mr(bones, part, mr.scan, mr.given, say)
            assert bones.mr is not None
            mr.on_carried(bones.mr.carried)
        return anatomy_of_bones(part, bones, say)


def with_mr(bones: BoneAnatomy, scan: Scan, mr: Scan, given: GivenLabels | None, progress: Progress) -> BoneAnatomy:
    """The bones of a CT with what an MR shows of discs and canal.

    Parameters
    ----------
    scan : the CT that the bones are on
    mr, given : the MR, and labels made elsewhere on its grid; found by the network where left out

    Raises
    ------
    UnusableInput : a CT in the MR's place, nothing found in it, or scans that do not belong together
    """
    if mr.kind.calibrated:
        raise UnusableInput("--mr", "must be an MR", got=mr.modality, do="Give the CT as SCAN and the MR with --mr.")
    progress("finding sac and ligament in the MR")
    moving, source = (
        labelled_mr(mr, None if given is None else given.labels),
        FOUND_IN_MR if given is None else GIVEN_ON_MR,
    )
    fixed = LabelledScan(scan, bones.labels, scan.grid)
    found = carried(fixed, moving, registered_on(fixed, moving, progress))
    return replace(bones, labels=found.labels, mr=MrTissue(found, source))


def corrected_anatomy(
    scan: Scan,
    anatomy: Anatomy,
    *,
    seeds: Seeds | None = None,
    replaced: Sequence[Replacement] = (),
    vertebrae: Sequence[str] | None = None,
    progress: Progress | None = None,
) -> Anatomy:
    """A case's anatomy with further corrections; earlier ones stay.

    Parameters
    ----------
    scan : the case's own
    vertebrae : names of the vertebrae, cranial to caudal: those there are renamed, or where points make the search see
        others those are named

    Raises
    ------
    WrongUse : nothing to correct, or vertebrae pointed at in labels that were given
    """
    points = seeds or Seeds()
    if not points.points and not replaced and vertebrae is None:
        raise WrongUse(
            "the correction",
            "must change something",
            do="Give --replace WHAT=FILE, --seed WHAT=X,Y,Z or --levels L2,L3,L4.",
        )
    if points.points and not _bones_were_given(anatomy.sources):
        return _searched_again(scan, anatomy, points, replaced, vertebrae, progress)
    _only_canal(points)
    part = scan.on(anatomy.grid)
    with named_steps(progress) as say:
        bones = corrected(bones_of_anatomy(anatomy), part, replaced, say, points)
        bones = bones if vertebrae is None else renamed(bones, vertebrae)
        return anatomy_of_bones(part, replace(bones, corrections=bones.corrections + points.records()), say)


def _bones_were_given(sources: Mapping[str, Source]) -> bool:
    """Did the vertebrae come with a label map, so that there is nothing to search for?"""
    return "given" in (sources.get("vertebrae"), sources.get("parts"))


def _only_canal(points: Seeds) -> None:
    """Points are for the search: where vertebrae were given there is none, and only the canal is found."""
    if any(seed.what != "canal" for seed in points.points):
        raise WrongUse(
            "--seed",
            "must lie in the canal where the vertebrae were given with a label map",
            got=", ".join(seed.what for seed in points.points),
            do="Correct the names in that map.",
        )


def _searched_again(
    scan: Scan,
    anatomy: Anatomy,
    points: Seeds,
    replaced: Sequence[Replacement],
    vertebrae: Sequence[str] | None,
    progress: Progress | None,
) -> Anatomy:
    """The anatomy segmented anew with old and new seed points and replacements."""
    old = [Seed(r.what, r.point_ras_mm) for r in anatomy.corrections if r.point_ras_mm is not None]
    anew = {each.structure for each in replaced}
    # the maps are not kept: what they showed stands in the labels
    kept = [
        kept_replacement(r, anatomy.labels, anatomy.grid)
        for r in anatomy.corrections
        if r.kind == "replaced" and r.what not in anew
    ]
    seeds = Seeds((*old, *points.points))
    named = any(seed.what != "canal" for seed in seeds.points)
    was_given = anatomy.naming is not None and anatomy.naming.evidence == "given"
    names = vertebrae or (vertebrae_in(anatomy.labels) if was_given and not named else None)
    return anatomy_with(scan, vertebrae=names, seeds=seeds, replaced=[*kept, *replaced], progress=progress)


def bones_of_anatomy(anatomy: Anatomy) -> BoneAnatomy:
    """The bones an anatomy was made from, without modelled soft tissue and without the levels' warnings."""
    found: dict[str, Source] = {name: source for name, source in anatomy.sources.items() if source != "modelled"}
    kept_warnings = tuple(
        warning for warning in anatomy.warnings if LEFT_OUT not in warning
    )  # said anew by what follows
    return BoneAnatomy(
        without_modelled(anatomy.labels, anatomy.sources),
        anatomy.occupancy,
        found,
        kept_warnings,
        anatomy.naming,
        anatomy.corrections,
    )


def corrected(
    bones: BoneAnatomy, scan: Scan, replaced: Sequence[Replacement], report_step: Progress, seeds: Seeds | None = None
) -> BoneAnatomy:
    """Bones with structures replaced, replaced vertebrae divided and the canal found anew where its wall changed.

    Parameters
    ----------
    scan : on the bones' grid
    seeds : the canal of given bones is found anew through these
    """
    through_mm = Seeds().canal_mm() if seeds is None else seeds.canal_mm()
    pointed = bool(len(through_mm)) and _bones_were_given(bones.sources)
    if not replaced and not pointed:
        return bones
    report_step("laying in the corrections")
    if pointed and seeds is not None:
        seeds.check_in(scan.grid)
        check_canal_free(through_mm, bone_mask(bones.labels), scan.grid)
    labels = with_replacements(bones.labels, scan.grid, replaced)
    labels = _followed(labels, bones, scan, replaced, through_mm, pointed)
    sources = dict(bones.sources)
    for each in replaced:
        if tissue := structure_of(each.structure).tissue:
            sources[tissue.name.lower()] = "given"
    known = {"vertebrae", "parts", "canal", "levels", "sac", "flavum"}
    return replace(
        bones,
        labels=labels,
        occupancy=occupancy_again(labels, bones.labels, bones.occupancy, scan),
        sources={name: source for name, source in sources.items() if name in known},
        corrections=_records(bones, replaced),
    )


def _followed(
    labels: Labels, bones: BoneAnatomy, scan: Scan, replaced: Sequence[Replacement], through_mm: Float, pointed: bool
) -> Labels:
    """Labels with replaced vertebrae divided into parts, and the canal computed anew where it was not given."""
    own_canal = any(each.structure == "canal" for each in replaced) or bones.sources.get("canal") == "given"
    moved = bone_changed(labels, bones.labels)
    undivided = bool(((labels >= 100) & (labels % 100 == Part.UNDIVIDED)).any())
    if not undivided and not pointed and (own_canal or not moved):
        return labels
    # the parts of an arch are known by where they lie about the canal, so it comes first
    tube = tube_of(labels, scan.grid, through_mm)
    if pointed or (moved and not own_canal):
        labels = with_canal_in(labels, tube.mask & (labels < 100))
    return divide_arches(labels, scan.grid, tube) if undivided else labels


def _records(bones: BoneAnatomy, replaced: Sequence[Replacement]) -> tuple[Correction, ...]:
    """Earlier records, without those of structures replaced once more, and the new ones."""
    anew = {each.structure for each in replaced}
    kept = [r for r in bones.corrections if r.kind != "replaced" or r.what not in anew]
    return (*kept, *(each.record for each in replaced))
