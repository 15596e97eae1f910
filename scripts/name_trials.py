"""Accuracy of level names on made-up and real scans cut at random or at every slice.

Each made-up spine (random size, lordosis, scoliosis, bone, bystanders, four to six lumbar vertebrae) is painted once,
and scans with slices of 0.5 to 5 mm and noise of their own are made of it. Each of them and each real CT is read whole
once by the network; every cut is then segmented and named anew from the network's answer within the cut: what it would
answer otherwise near a cut, for want of the margin it sees, is left out. The evidence is written too, so that other
likelihoods can be tried on it. With `--anew N` every Nth cut of a real scan is also cut from the scan as it was read
and built as `build` does, network included; those cuts are counted apart, and so is how often both agree. A cut counts
as unambiguous where sacrum or ribs are whole in view: all of S1, or all of T12 with its ribs to their tips. Counted
beside it is a wider set, in which T12's ribs may run out of the view, where an eleventh rib looks the same. Six or four
lumbar vertebrae cannot be named from a scan by anybody: one end tells nothing, and between both a missing or an
additional rib looks the same; they are counted apart.

    python scripts/name_trials.py --phantoms 7 --scans 4 --cuts 20 --cache CACHE --json OUT
    python scripts/name_trials.py --phantoms 0 --data DATA --anew 6 --json OUT
    python scripts/name_trials.py --summary OUT

DATA holds ct_whole_lumbar_3mm and ct_lumbar_crop_1p5mm (see the tests' `data_dir`); without it real scans are left out.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

os.environ.setdefault("CANALWISE_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import nibabel as nib
import numpy as np
import numpy.typing as npt
from confidence_records import slices_of

from canalwise.phantoms.anatomy.intensities import Material, ct_table_hu, share_of
from canalwise.phantoms.anatomy.spine import spine_of
from canalwise.phantoms.imaging.artefacts import patches
from canalwise.phantoms.imaging.grids import GridRequest
from canalwise.phantoms.imaging.render import painted
from canalwise.phantoms.imaging.scanner import Scanner, finished_scan
from canalwise.phantoms.spec import Bystanders, SpineSpec
from canalwise.recon.anatomy import Naming
from canalwise.recon.bone.occupancy import bone_model
from canalwise.recon.case.anatomy_builder import bones_of_scan
from canalwise.recon.errors import CanalwiseError
from canalwise.recon.examination.working_volume import working_volume
from canalwise.recon.grid import Grid
from canalwise.recon.image.morphology import nearest_on
from canalwise.recon.image.reconstruction_circle import unpadded
from canalwise.recon.intake.reader import read_scan
from canalwise.recon.labels import Labels, Part, vertebra_name
from canalwise.recon.naming.cues import column_cues
from canalwise.recon.naming.level_names import column_of, names
from canalwise.recon.naming.posterior import CONFIRMED
from canalwise.recon.scan import Scan
from canalwise.recon.segmentation.network import FILE, prior_kinds
from canalwise.recon.segmentation.network_instances import learnt_spine
from canalwise.recon.segmentation.network_refinement import fine_instances
from canalwise.recon.segmentation.tissue_classes import TissueClassMap
from canalwise.recon.spine.region_of_interest import coarse, spine_box

SLICES_MM = (0.5, 0.8, 1.0, 1.5, 2.0, 3.0, 4.0, 5.0)
TRANSITIONAL_FRAC = 0.099
"""French et al., Global Spine J 2014: lumbosacral transitional vertebrae of 5941 people
(docs/published-values.md#vertebrae)."""

LEAST_CUT_MM, LEAST_REAL_CUT_MM = 70.0, 40.0

RIB_VIEW_MM, RIB_TIP_MM, RIB_LOW_MM = 170.0, 206.0, 70.0
"""Width of the view in which T12's ribs run on, and in which a made-up spine's are seen to their tips, which lie this
far below T12's upper end (`canalwise.phantoms.anatomy.bystanders`)."""

REAL = {
    "ct_whole_lumbar_3mm": {26: "S1", 27: "L5", 28: "L4", 29: "L3", 30: "L2", 31: "L1", 32: "T12", 33: "T11"},
    "ct_lumbar_crop_1p5mm": {21: "L2", 22: "L3", 23: "L4"},
}
"""Folder of a real CT -> value of its vertebra map -> name."""

OWN_MM3 = 500.0
"""A vertebra found is held against the truth where this much of it lies in labelled bone."""


@dataclass(frozen=True, eq=False)
class Subject:
    """A scan with true names, (same shape) label codes in `truth`, and what the network sees in it.

    `read`: a real scan as it was read, `each` layers of `whole` to one of its own.
    """

    name: str
    whole: Scan
    part: Scan
    seen: TissueClassMap
    truth: Labels
    names: dict[int, str]
    transitional: bool
    ribs: bool
    read: Scan | None = None
    each: int = 1


@dataclass(frozen=True)
class Trial:
    """One cut: what was reported, how probable, and whether it is right; `anew`: built from the cut alone."""

    subject: str
    low_mm: float
    high_mm: float
    reported: tuple[str, ...]
    true: tuple[str, ...]
    probability: float
    right: bool
    confirmed: bool
    sacrum_whole: bool
    ribs_whole: bool
    transitional: bool
    failed: str = ""
    condition: str = ""
    tips_whole: bool = False
    anew: bool = False
    cues: Mapping[str, Any] = field(default_factory=dict)

    @property
    def decidable(self) -> bool:
        """Can the names be known at all?"""
        return not self.transitional


def phantom_subjects(
    count: int, seed: int, cache: Path | None, slices_mm: Sequence[float], scans: int = 1
) -> Iterator[Subject]:
    """Made-up scans: of each spine, painted once without noise, some with slices and noise of their own."""
    for n in range(count):
        rng = np.random.default_rng([seed, n])
        wanted = [slices_mm[(scans * n + m) % len(slices_mm)] for m in range(scans)]
        spec, wish, _ = _drawn(rng, wanted[0])
        # the slices are means of whole layers of the finest that divide them all about evenly
        finest = min(wanted) if min(wanted) > 1.0 else max(min(wanted), 0.5)
        grid = replace(wish, spacing_mm=(*wish.spacing_mm[:2], finest)).grid(spec, *spec.level_names)
        tables = np.stack([ct_table_hu(spec), share_of(Material.TRABECULAR)])
        labels, (hu, marrow) = painted(spine_of(spec), grid, tables)
        hu += marrow * patches(grid, spec.patchy_hu, seed) if spec.patchy_hu else 0.0
        own = {int(v): vertebra_name(int(v)) for v in np.unique(labels[labels >= 100] // 100)}
        for m, slice_mm in enumerate(wanted):
            thick, placed = slices_of(hu, grid, max(round(slice_mm / finest), 1))
            scan = finished_scan(thick, np.zeros_like(thick), np.zeros(placed.shape, np.uint16), placed, _scanner(rng))
            ct = working_volume(Scan(scan.ct_hu, placed, "CT"))
            odd = spec.six_lumbar or spec.four_lumbar
            yield _subject(
                f"phantom {seed}.{n}.{m}, {placed.spacing_mm[2]:.1f} mm",
                ct,
                nearest_on(ct.grid, labels, grid),
                own,
                cache,
                odd,
                spec.bystanders.ribs,
            )


def _scanner(rng: np.random.Generator) -> Scanner:
    return Scanner(
        seed=int(rng.integers(1 << 30)),
        noise_hu=float(rng.uniform(8, 45)),
        point_spread_fwhm_mm=float(rng.uniform(0.6, 1.4)),
    )


def _drawn(rng: np.random.Generator, slice_mm: float) -> tuple[SpineSpec, GridRequest, Scanner]:
    odd = rng.random() < TRANSITIONAL_FRAC
    six = bool(odd and rng.random() < 0.6)
    spec = SpineSpec(
        size_frac=float(rng.uniform(0.88, 1.12)),
        lordosis_deg=float(rng.uniform(38, 68)),
        scoliosis_deg=float(rng.normal(0, 6)),
        rotation_deg=float(rng.normal(0, 3)),
        six_lumbar=six,
        four_lumbar=bool(odd and not six),
        trabecular_hu=float(rng.uniform(80, 200)),
        cortical_hu=float(rng.uniform(650, 1000)),
        patchy_hu=float(rng.uniform(0, 40)),
        bystanders=Bystanders(
            vessel_hu=float(rng.uniform(120, 350)) if rng.random() < 0.5 else None,
            bowel=bool(rng.random() < 0.5),
            ribs=bool(rng.random() < 0.8),
            pelvis=bool(rng.random() < 0.8),
            table=bool(rng.random() < 0.5),
        ),
    )
    in_plane = float(rng.uniform(0.8, 1.2)) if slice_mm < 2.0 else float(rng.uniform(1.2, 1.6))
    wish = GridRequest(
        (in_plane, in_plane, slice_mm),
        half_width_mm=float(rng.choice([66.0, 90.0, 115.0])),
        ventral_mm=float(rng.uniform(10.0, 40.0)),
    )
    return spec, wish, _scanner(rng)


def real_subjects(data: Path, cache: Path | None) -> Iterator[Subject]:
    """Real CTs with their maps of vertebrae."""
    for folder, own in REAL.items():
        if not (data / folder / "ct.nii.gz").is_file():
            continue
        read = read_scan(data / folder / "ct.nii.gz")
        ct = unpadded(working_volume(read))
        image = nib.as_closest_canonical(nib.load(data / folder / "vertebrae.nii.gz"))
        placed = Grid(image.shape, image.affine)
        index = np.rint(placed.index_of(ct.grid.voxel_centres_mm())).astype(int)
        index = np.clip(index, 0, np.array(placed.shape) - 1)
        truth = np.asarray(image.dataobj).astype(int)[tuple(np.moveaxis(index, -1, 0))]
        # stored as the project's labels are: 100 times the value, and 1 for bone
        labels = np.where(truth > 0, 100 * truth + 1, 0).astype(np.uint16)
        subject = _subject(folder, ct, labels, own, cache, False, True)
        yield replace(subject, read=read, each=round(read.grid.spacing_mm[2] / ct.grid.spacing_mm[2]))


def _subject(
    name: str, ct: Scan, labels: Labels, own: dict[int, str], cache: Path | None, transitional: bool, ribs: bool
) -> Subject:
    box = spine_box(ct)
    part = ct if box is None else ct.cropped(box)
    return Subject(name, ct, part, _seen(part, cache), labels, own, transitional, ribs)


def _seen(scan: Scan, cache: Path | None) -> TissueClassMap:
    """What the network sees, kept under the checksum of network and scan."""
    key = hashlib.sha256(FILE.read_bytes() + np.ascontiguousarray(scan.voxels).tobytes()).hexdigest()[:20]
    file = None if cache is None else cache / f"{key}.npz"
    if file is not None and file.is_file():
        with np.load(file) as kept:
            i, j, k = kept["kind"].shape
            grid = Grid((i, j, k), kept["affine"])
            return TissueClassMap(grid, kept["kind"], kept["bone"].astype(np.float32) / 255)
    seen = prior_kinds(scan)
    if seen is None:
        raise SystemExit("the network cannot run here; install onnxruntime")
    if file is not None:
        np.savez_compressed(
            file, kind=seen.kind, bone=np.rint(seen.bone_frac * 255).astype(np.uint8), affine=seen.grid.affine_ras_mm
        )
    return seen


def cut(subject: Subject, low: int, high: int) -> tuple[Scan, Scan, TissueClassMap]:
    """(whole, part, network's answer) of slices low to high - 1."""
    layers = (slice(None), slice(None), slice(low, high))
    ratio = subject.seen.kind.shape[2] / subject.part.grid.shape[2]
    fine = (slice(None), slice(None), slice(round(low * ratio), round(high * ratio)))
    seen = TissueClassMap(
        subject.seen.grid.cropped(fine),
        np.ascontiguousarray(subject.seen.kind[fine]),
        np.ascontiguousarray(subject.seen.bone_frac[fine]),
    )
    return subject.whole.cropped(layers), subject.part.cropped(layers), seen


def trial(subject: Subject, low: int, high: int) -> Trial:
    """One cut segmented, named, and held against the truth."""
    blank = _blank(subject, low, high)
    whole, part, seen = cut(subject, low, high)
    try:
        found = fine_instances(learnt_spine(seen), seen, part, bone_model(part))
        cues = column_cues(found, coarse(whole), seen)
        named = names(column_of(found, cues))
    except CanalwiseError as why:
        return replace(blank, failed=str(why)[:120])
    true = true_names(subject, found.number, found.grid)
    return replace(_judged(blank, named.by_number, true, named.naming), cues=asdict(cues))


def built(subject: Subject, low: int, high: int) -> Trial:
    """The same cut of the scan as it was read, built as `build` does it."""
    blank = replace(_blank(subject, low, high), anew=True)
    scan, each = (subject.whole, 1) if subject.read is None else (subject.read, subject.each)
    layers = (slice(None), slice(None), slice(low // each, high // each))
    try:
        part, bones = bones_of_scan(working_volume(scan.cropped(layers)), None, None, lambda step: None)
    except CanalwiseError as why:
        return replace(blank, failed=str(why)[:120])
    if bones.naming is None:
        return replace(blank, failed="no names")
    number = np.where(bones.labels >= 100, bones.labels // 100, 0)
    own = {int(n): vertebra_name(int(n)) for n in np.unique(number[number > 0])}
    low_first = dict(enumerate(sorted(own, reverse=True)))
    order = np.zeros(int(number.max(initial=0)) + 1, dtype=np.uint8)
    order[list(low_first.values())] = np.arange(1, len(own) + 1)
    true = true_names(subject, order[number], part.grid)
    return _judged(blank, {n + 1: own[value] for n, value in low_first.items()}, true, bones.naming)


def _blank(subject: Subject, low: int, high: int) -> Trial:
    """What is known of a cut before it is read."""
    sacrum, ribs, tips = _whole(subject, low, high)
    ends = _ends_mm(subject, low, high)
    return Trial(subject.name, *ends, (), (), 0.0, False, False, sacrum, ribs, subject.transitional, tips_whole=tips)


def _judged(blank: Trial, by_number: Mapping[int, str], true: Mapping[int, str], naming: Naming) -> Trial:
    """A cut's names held against the true ones."""
    low_first = sorted(n for n in by_number if n in true)
    return replace(
        blank,
        reported=tuple(by_number[n] for n in low_first),
        true=tuple(true[n] for n in low_first),
        probability=naming.value_frac,
        right=all(true[n] == by_number[n] for n in low_first),
        confirmed=naming.confirmed,
        condition=naming.condition,
    )


def true_names(subject: Subject, number: npt.NDArray[np.uint8], grid: Grid) -> dict[int, str]:
    """Number of each vertebra found -> its true name, where enough of it lies in labelled bone."""
    index = np.argwhere(number > 0)
    at = np.rint(subject.whole.grid.index_of(grid.world_mm(index))).astype(int)
    at = np.clip(at, 0, np.array(subject.truth.shape) - 1)
    value = subject.truth[tuple(at.T)]
    value = np.where((value >= 100) & (value % 100 != Part.DISC), value // 100, 0)
    own = number[tuple(index.T)]
    found = {}
    for n in np.unique(own):
        counts = np.bincount(value[(own == n) & (value > 0)], minlength=1)
        if counts.sum() * grid.voxel_mm3 >= OWN_MM3 and int(counts.argmax()) in subject.names:
            found[int(n)] = subject.names[int(counts.argmax())]
    return found


def _ends_mm(subject: Subject, low: int, high: int) -> tuple[float, float]:
    z = subject.part.grid.world_mm([[0, 0, low], [0, 0, high - 1]])[:, 2]
    return float(z[0]), float(z[1])


def _whole(subject: Subject, low: int, high: int) -> tuple[bool, bool, bool]:
    """Does the cut hold all of S1, all of T12 with ribs that run on, and these to their tips?"""
    value = np.where(subject.truth % 100 == Part.DISC, 0, subject.truth // 100)
    ends = {}
    for number, name in subject.names.items():
        layers = np.flatnonzero((value == number).any(axis=(0, 1)))
        ends[name] = (int(layers[0]), int(layers[-1])) if len(layers) else (0, 0)
    inside = {name: low <= first and last < high for name, (first, last) in ends.items()}
    layer_mm = float(subject.whole.grid.spacing_mm[2])
    width_mm = float(subject.whole.grid.shape[0] * subject.whole.grid.spacing_mm[0])
    ribs = inside.get("T12", False) and subject.ribs and width_mm >= RIB_VIEW_MM
    tips = ribs and width_mm >= RIB_TIP_MM and (ends["T12"][1] - low) * layer_mm >= RIB_LOW_MM
    return inside.get("S1", False), ribs, tips


def cuts_of(subject: Subject, count: int, rng: np.random.Generator) -> Iterator[tuple[int, int]]:
    """Random cuts through any level, and the whole scan."""
    layers, step = subject.part.grid.shape[2], float(subject.part.grid.spacing_mm[2])
    least = min(int(LEAST_CUT_MM / step), layers)
    yield 0, layers
    for _ in range(count - 1):
        length = int(rng.integers(least, layers + 1))
        low = int(rng.integers(0, layers - length + 1))
        yield low, low + length


def every_cut(subject: Subject, step: int) -> Iterator[tuple[int, int]]:
    """The scan cut at every so many of its own slices: what lies above each is kept, then what lies below each."""
    layers = subject.part.grid.shape[2]
    least = int(LEAST_REAL_CUT_MM / float(subject.part.grid.spacing_mm[2]))
    places = range(0, layers, step * subject.each)
    yield from ((at, layers) for at in places if layers - at >= least)
    yield from ((0, at) for at in places if at >= least)


def agreement(trials: Sequence[Trial]) -> dict[str, int]:
    """Of the cuts built anew: how many agree with their trial in whether names are confirmed, and in the names."""
    kept = {(t.subject, t.low_mm, t.high_mm): t for t in trials if not t.anew}
    pairs = [(t, kept[t.subject, t.low_mm, t.high_mm]) for t in trials if t.anew]
    return {
        "built_anew": len(pairs),
        "agree": sum(a.confirmed == b.confirmed and (a.right == b.right or not a.confirmed) for a, b in pairs),
        "confirmed_anew_only": sum(a.confirmed and not b.confirmed for a, b in pairs),
        "confirmed_in_the_trial_only": sum(b.confirmed and not a.confirmed for a, b in pairs),
    }


def summary(trials: Sequence[Trial]) -> dict[str, object]:
    """Counts of the trials and the reliability of the reported probability."""
    named = [t for t in trials if t.reported]
    plain = [t for t in named if t.decidable]
    clear = [t for t in trials if t.decidable and (t.sacrum_whole or t.tips_whole)]
    wider = [t for t in trials if t.decidable and (t.sacrum_whole or t.ribs_whole)]
    both = [t for t in trials if not t.decidable and t.sacrum_whole and t.ribs_whole]
    sure = [t for t in plain if t.confirmed]
    stated = [t for t in plain if t.probability >= CONFIRMED.value]
    bins = []
    for low in np.arange(10) / 10:
        own = [t for t in named if low <= t.probability < low + 0.1 or (low == 0.9 and t.probability >= 1.0)]
        bins.append(
            {
                "from": round(float(low), 1),
                "cuts": len(own),
                "stated": _mean([t.probability for t in own]),
                "right": _mean([float(t.right) for t in own]),
            }
        )
    hidden = [t for t in named if not t.decidable]
    return {
        "cuts": len(trials),
        "named": len(named),
        "failed": sum(bool(t.failed) for t in trials),
        "wrong_and_confirmed": sum(not t.right for t in sure),
        "confirmed": len(sure),
        "under_a_condition": sum(bool(t.condition) for t in sure),
        "stated_0.95_or_more": len(stated),
        "stated_0.95_or_more_and_wrong": sum(not t.right for t in stated),
        "undecidable": len(hidden),
        "undecidable_wrong_and_confirmed": sum(t.confirmed and not t.right for t in hidden),
        "undecidable_stated_0.95_or_more_and_wrong": sum(
            t.probability >= CONFIRMED.value and not t.right for t in hidden
        ),
        "undecidable_wrong_without_a_condition": sum(t.confirmed and not t.right and not t.condition for t in hidden),
        "unambiguous": len(clear),
        "unambiguous_asked_or_failed": sum(not t.confirmed for t in clear),
        "unambiguous_or_ribs_run_out": len(wider),
        "unambiguous_or_ribs_run_out_asked_or_failed": sum(not t.confirmed for t in wider),
        "undecidable_with_sacrum_and_ribs": len(both),
        "undecidable_with_sacrum_and_ribs_asked_or_failed": sum(not t.confirmed for t in both),
        "reliability": bins,
    }


def _mean(values: Sequence[float]) -> float | None:
    return round(float(np.mean(values)), 3) if values else None


def summed_up(files: Sequence[Path]) -> None:
    """Prints the summary of trials that were written earlier."""
    rows = [json.loads(line) for file in files for line in file.read_text().splitlines()]
    trials = [Trial(**{**row, "reported": tuple(row["reported"]), "true": tuple(row["true"])}) for row in rows]
    tell(trials)


def tell(trials: Sequence[Trial]) -> None:
    """Prints the summary of each group of trials."""
    real = [t for t in trials if not t.subject.startswith("phantom")]
    for group, own in (
        ("made-up", [t for t in trials if t.subject.startswith("phantom")]),
        ("real", [t for t in real if not t.anew]),
        ("real, built anew", [t for t in real if t.anew]),
    ):
        if own:
            print(group, json.dumps(summary(own), indent=1))
    if any(t.anew for t in real):
        print("built anew against the trial", json.dumps(agreement(real)))


def main() -> None:
    """Runs the trials and prints their summary."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--phantoms", type=int, default=25)
    parser.add_argument("--cuts", type=int, default=20, help="per made-up scan")
    parser.add_argument("--slices", type=float, nargs="+", default=SLICES_MM, help="mm, of the made-up scans in turn")
    parser.add_argument("--scans", type=int, default=1, help="of each made-up spine, painted once")
    parser.add_argument("--seconds", type=float, default=1e9, help="begin no further cut after this")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--data", type=Path)
    parser.add_argument("--step", type=int, default=1, help="every so many of its own slices a real scan is cut")
    parser.add_argument("--share", type=int, nargs=2, default=(0, 1), metavar=("I", "N"), help="every Nth real cut")
    parser.add_argument("--summary", type=Path, nargs="+", help="only sum up the lines of these files")
    parser.add_argument("--anew", type=int, default=0, help="every so many real cuts are also built from the cut alone")
    parser.add_argument("--cache", type=Path, help="folder for what the network sees")
    parser.add_argument("--json", type=Path, help="file that gets a line per cut")
    args = parser.parse_args()
    if args.summary:
        summed_up(args.summary)
        return
    if args.cache:
        args.cache.mkdir(parents=True, exist_ok=True)
    start = time.perf_counter()
    trials: list[Trial] = []
    lines = args.json.open("a") if args.json else None
    for done in _trials(args):
        trials.append(done)
        if lines:
            lines.write(json.dumps(asdict(done)) + "\n")
            lines.flush()
        if time.perf_counter() - start > args.seconds:
            break
    tell(trials)


def _trials(args: argparse.Namespace) -> Iterator[Trial]:
    """Every trial that was requested."""
    for n, subject in enumerate(phantom_subjects(args.phantoms, args.seed, args.cache, args.slices, args.scans)):
        for low, high in cuts_of(subject, args.cuts, np.random.default_rng([args.seed, n * args.cuts])):
            yield trial(subject, low, high)
    share, shares = args.share
    for subject in real_subjects(args.data, args.cache) if args.data else ():
        for n, (low, high) in enumerate(every_cut(subject, args.step)):
            if n % shares == share:
                yield trial(subject, low, high)
                if args.anew and (n // shares) % args.anew == 0:
                    yield built(subject, low, high)


if __name__ == "__main__":
    main()
