#!/usr/bin/env python3
"""Build variants of scans as hospitals send them, and say what became of each: built or refused, right, steady.

A variant is a source (a real CT of DATA, or a made-up one) changed in ways drawn at random: order and direction of its
axes, oblique planes, a turned patient, voxels of 0.6 to 5 mm, a cut on any side, another voxel type or intercept,
values clipped or padded, noise, contrast medium in bowel, vessels and kidneys, screws. Each is written to a file and
built by the command in a process of its own, with every library warning shown. Printed is one JSON line per build:
exit status, the message, names against the source's own, canal areas over those of the source built unchanged, and any
traceback, warning or number that is none.

    python scripts/robust_builds.py --data DATA --seed 1 --count 6 [--only crop] [--records FILE]
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import nibabel as nib
import numpy as np
import numpy.typing as npt
from scipy import ndimage

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from canalwise.phantoms.anatomy.spine import spine_of
from canalwise.phantoms.imaging.grids import GridRequest
from canalwise.phantoms.imaging.render import scan_of
from canalwise.phantoms.imaging.scanner import Scanner
from canalwise.phantoms.spec import Bystanders, SpineSpec
from canalwise.recon.labels import vertebra_name, vertebra_number

REAL = {
    "ct_whole_lumbar_3mm": {26: "S1", 27: "L5", 28: "L4", 29: "L3", 30: "L2", 31: "L1", 32: "T12", 33: "T11"},
    "ct_lumbar_crop_1p5mm": {21: "L2", 22: "L3", 23: "L4"},
}
"""Folder of a real CT -> value of its vertebra map -> name."""

SOURCES = (*REAL, "made-up")

Random = np.random.Generator
Json = dict[str, Any]
TIMEOUT_S = 400.0
AIR_HU = -1000.0


@dataclass(frozen=True, eq=False)
class Source:
    """A CT: (nx, ny, nz) HU, its affine, RAS middles of the bodies by name, and what was done to it so far."""

    name: str
    hu: npt.NDArray[np.float32]
    affine: npt.NDArray[np.float64]
    middles_ras_mm: dict[str, npt.NDArray[np.float64]]
    done: tuple[str, ...] = ()
    dtype: str = "int16"
    intercept: float = 0.0

    @property
    def spacing_mm(self) -> npt.NDArray[np.float64]:
        """(3,) array."""
        return np.asarray(np.linalg.norm(self.affine[:3, :3], axis=0))

    def with_done(self, said: str, **fields: object) -> Source:
        """Changed, with a word of how."""
        return replace(self, done=(*self.done, said), **fields)  # type: ignore[arg-type]


def real(data: Path, folder: str) -> Source:
    """A real CT of the data folder."""
    image, labels = (nib.Nifti1Image.from_filename(data / folder / f"{name}.nii.gz") for name in ("ct", "vertebrae"))
    truth = np.asarray(labels.dataobj).astype(int)
    middles = {
        name: labels.affine[:3, :3] @ np.argwhere(truth == value).mean(axis=0) + labels.affine[:3, 3]
        for value, name in REAL[folder].items()
    }
    return Source(folder, np.asarray(image.dataobj, dtype=np.float32), np.asarray(image.affine), middles)


@cache
def phantom(n: int) -> Source:
    """A made-up CT with ribs, pelvis, vessels and bowel."""
    rng = np.random.default_rng([77, n])
    spec = SpineSpec(
        size_frac=float(rng.uniform(0.9, 1.1)),
        lordosis_deg=float(rng.uniform(42, 62)),
        scoliosis_deg=float(rng.normal(0, 5)),
        bystanders=Bystanders(vessel_hu=250.0, bowel=True, ribs=True, pelvis=True, table=True),
    )
    wish = GridRequest((1.2, 1.2, 1.2), half_width_mm=100.0, ventral_mm=30.0)
    scan = scan_of(spine_of(spec), wish.grid(spec, *spec.level_names), Scanner(seed=n, noise_hu=25.0))
    middles = {
        vertebra_name(int(v)): scan.grid.world_mm(np.argwhere(scan.labels // 100 == v).mean(axis=0))
        for v in np.unique(scan.labels[scan.labels >= 100] // 100)
    }
    return Source(f"phantom {n}", scan.ct_hu.astype(np.float32), scan.grid.affine_ras_mm, middles)


def reoriented(source: Source, rng: Random) -> Source:
    """Axes in any order and direction."""
    code = [str(rng.choice(list(pair))) for pair in ("RL", "AP", "IS")]
    code = [code[n] for n in rng.permutation(3)]
    orientation = nib.orientations.axcodes2ornt(code)
    image = nib.Nifti1Image(source.hu, source.affine)
    turned = image.as_reoriented(
        nib.orientations.ornt_transform(nib.orientations.io_orientation(image.affine), orientation)
    )
    return source.with_done("".join(code), hu=np.asarray(turned.dataobj), affine=np.asarray(turned.affine))


def _sampled(source: Source, affine: npt.NDArray[np.float64], shape: npt.NDArray[np.intp], said: str) -> Source:
    there = np.linalg.inv(source.affine) @ affine
    growth = np.maximum(np.linalg.norm(there[:3, :3], axis=0).max() - 1.0, 0.0)
    smooth = ndimage.gaussian_filter(source.hu, 0.4 * growth) if growth > 0.2 else source.hu
    hu = ndimage.affine_transform(smooth, there[:3, :3], there[:3, 3], tuple(shape), order=1, cval=AIR_HU)
    return source.with_done(said, hu=hu.astype(np.float32), affine=affine)


def oblique(source: Source, rng: Random) -> Source:
    """Planes at an angle to the patient: the same anatomy on a turned grid."""
    angles = rng.uniform(-22, 22, 3)
    middle = source.affine[:3, :3] @ ((np.array(source.hu.shape) - 1) / 2) + source.affine[:3, 3]
    affine = _turn(angles, middle) @ source.affine
    return _sampled(source, affine, np.array(source.hu.shape), f"oblique {np.round(angles).astype(int).tolist()}")


def turned_patient(source: Source, rng: Random) -> Source:
    """The patient lies turned: header and anatomy turn together."""
    angles = rng.uniform(-25, 25, 3)
    turn = _turn(angles, np.zeros(3))
    middles = {name: turn[:3, :3] @ middle for name, middle in source.middles_ras_mm.items()}
    said = f"patient turned {np.round(angles).astype(int).tolist()}"
    return source.with_done(said, affine=turn @ source.affine, middles_ras_mm=middles)


def _turn(angles_deg: npt.NDArray[np.float64], about: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    from scipy.spatial.transform import Rotation

    out = np.eye(4)
    out[:3, :3] = Rotation.from_euler("xyz", angles_deg, degrees=True).as_matrix()
    out[:3, 3] = about - out[:3, :3] @ about
    return out


def resampled(source: Source, rng: Random) -> Source:
    """Other voxels, 0.6 to 5 mm, slices in any of the three directions."""
    spacing = np.full(3, float(rng.choice([0.8, 1.0, 1.5, 2.0])))
    axis = int(rng.choice([2, 2, 2, 0, 1]))
    spacing[axis] = float(rng.choice([0.6, 1.0, 2.0, 3.0, 4.0, 5.0]))
    affine = source.affine.copy()
    affine[:3, :3] *= spacing / source.spacing_mm
    shape = np.maximum((np.array(source.hu.shape) * source.spacing_mm / spacing).astype(int), 1)
    return _sampled(source, affine, shape, f"voxels {spacing.tolist()}")


def cropped(source: Source, rng: Random) -> Source:
    """A cut on any side."""
    size = np.array(source.hu.shape)
    keep = rng.uniform([0.4, 0.6, 0.35], 1.0)
    order = np.argmax(np.abs(source.affine[:3, :3]), axis=0)  # which world axis each array axis follows
    length = np.maximum((size * keep[order]).astype(int), 2)
    low = (rng.uniform(size=3) * (size - length)).astype(int)
    box = tuple(slice(int(a), int(a + n)) for a, n in zip(low, length, strict=True))
    affine = source.affine.copy()
    affine[:3, 3] += affine[:3, :3] @ low
    lost = np.round(100 * (1 - length / size)).astype(int).tolist()
    return source.with_done(f"cut by {lost} %", hu=source.hu[box], affine=affine)


def clipped(source: Source, rng: Random) -> Source:
    """Values clipped above, as by some exports."""
    top = float(rng.choice([700.0, 1000.0, 1300.0]))
    return source.with_done(f"clipped at {top:.0f}", hu=np.minimum(source.hu, top))


def padded(source: Source, rng: Random) -> Source:
    """A padding value, or zeros, outside a circle in the plane across the patient."""
    value = float(rng.choice([-2000.0, -3024.0, 0.0, -1024.0, -32768.0]))
    up = int(np.argmax(np.abs(source.affine[2, :3])))
    a, b = (n for n in range(3) if n != up)
    x, y = (np.linspace(-1, 1, source.hu.shape[n]) for n in (a, b))
    outside = np.hypot(*np.meshgrid(x, y, indexing="ij")) > rng.uniform(0.95, 1.1)
    hu = np.moveaxis(source.hu.copy(), up, 2)
    hu[outside] = value
    return source.with_done(f"padded with {value:.0f}", hu=np.ascontiguousarray(np.moveaxis(hu, 2, up)))


def noisy(source: Source, rng: Random) -> Source:
    """More noise."""
    sd = float(rng.choice([15.0, 30.0, 60.0]))
    noise = rng.normal(0, sd, source.hu.shape).astype(np.float32)
    return source.with_done(f"noise {sd:.0f} HU", hu=source.hu + noise)


def stored(source: Source, rng: Random) -> Source:
    """Another voxel type; unsigned ones with an intercept."""
    kind = str(rng.choice(["int16", "uint16", "float32", "float64", "int32", "uint16 shifted"]))
    if kind == "uint16 shifted":  # the intercept is lost: HU + 1024
        return source.with_done(kind, dtype="uint16", hu=source.hu + 1024.0)
    return source.with_done(kind, dtype=kind, intercept=-1024.0 if kind == "uint16" else 0.0)


def contrasted(source: Source, rng: Random) -> Source:
    """Bright bowel, aorta, kidneys and ureters ventral of and beside the spine."""
    hu = source.hu.copy()
    points = _world(source)
    line = np.array(list(source.middles_ras_mm.values()))
    order = np.argsort(line[:, 2])
    x, y = (np.interp(points[..., 2], line[order, 2], line[order, axis]) for axis in (0, 1))
    soft = (hu > -150) & (hu < 300)
    what = []
    if rng.random() < 0.6:
        bright = float(rng.uniform(150, 450))
        for side, ahead, radius in ((-6.0, 52.0, 9.0), (14.0, 50.0, 10.0)):
            hu[soft & (np.hypot(points[..., 0] - x - side, points[..., 1] - y - ahead) < radius)] = bright
        what.append(f"vessels {bright:.0f}")
    if rng.random() < 0.6:
        bright = float(rng.uniform(200, 2900))
        top = line[:, 2].max() - 40
        for side in (-62.0, 62.0):
            away = np.stack(
                [(points[..., 0] - x - side) / 26, (points[..., 1] - y - 8) / 26, (points[..., 2] - top) / 52]
            )
            hu[soft & (np.linalg.norm(away, axis=0) < 1)] = bright
        what.append(f"kidneys {bright:.0f}")
    if rng.random() < 0.7:
        bright = float(rng.uniform(300, 1600))
        for _ in range(8):
            at = np.array([rng.uniform(-80, 80), rng.uniform(60, 110), rng.uniform(line[:, 2].min(), line[:, 2].max())])
            away = np.stack([points[..., 0] - x - at[0], points[..., 1] - y - at[1], points[..., 2] - at[2]])
            hu[soft & (np.linalg.norm(away, axis=0) < rng.uniform(8, 18))] = bright
        what.append(f"bowel {bright:.0f}")
    return source.with_done("contrast " + ", ".join(what), hu=hu)


def screwed(source: Source, rng: Random) -> Source:
    """Two screws through the pedicles of one vertebra, with bright and dark streaks."""
    name = str(rng.choice([n for n in source.middles_ras_mm if n not in ("S1", "T11")]))
    points = _world(source) - source.middles_ras_mm[name]
    hu = source.hu.copy()
    metal = np.zeros(hu.shape, dtype=bool)
    for side in (-1.0, 1.0):
        away = np.hypot(points[..., 0] - side * (14.0 - 0.3 * points[..., 1]), points[..., 2] - 4.0)
        metal |= (away < 3.2) & (points[..., 1] > -45) & (points[..., 1] < 14)
    near = np.abs(points[..., 2] - 4.0) < 4.0
    angle = np.arctan2(points[..., 1], points[..., 0])
    hu[near] += (180.0 * np.sin(24 * angle))[near]
    hu[metal] = 3071.0
    return source.with_done(f"screws in {name}", hu=hu)


def prone(source: Source, rng: Random) -> Source:
    """A table on the ventral side."""
    points = _world(source)
    front = points[..., 1].max()
    hu = source.hu.copy()
    hu[points[..., 1] > front - 9] = AIR_HU
    hu[points[..., 1] > front - 5] = float(rng.uniform(-100, 400))
    return source.with_done("prone, table in front", hu=hu)


def _world(source: Source) -> npt.NDArray[np.float64]:
    index = np.moveaxis(np.indices(source.hu.shape), 0, -1)
    return np.asarray(index @ source.affine[:3, :3].T + source.affine[:3, 3])


CHANGES: dict[str, Callable[[Source, Random], Source]] = {
    "contrast": contrasted,
    "screws": screwed,
    "prone": prone,
    "oblique": oblique,
    "turned": turned_patient,
    "voxels": resampled,
    "crop": cropped,
    "noise": noisy,
    "clipped": clipped,
    "padded": padded,
    "axes": reoriented,
    "stored": stored,
}
"""In the order in which they are made."""


def variant(source: Source, rng: Random, only: str = "") -> Source:
    """One or several changes of a source."""
    chosen = [only] if only else rng.choice(list(CHANGES), size=int(rng.integers(1, 4)), replace=False).tolist()
    for name, change in CHANGES.items():
        if name in chosen:
            source = change(source, rng)
    return source


def write(source: Source, path: Path) -> None:
    """A NIfTI file, its values stored as the source says."""
    kind = np.dtype(source.dtype)
    raw = source.hu - source.intercept
    if kind.kind in "iu":
        limits = np.iinfo(kind)
        raw = np.clip(np.rint(raw), limits.min, limits.max)
    image = nib.Nifti1Image(raw.astype(kind), source.affine)
    image.header.set_xyzt_units("mm")
    image.header.set_slope_inter(1.0, source.intercept)
    nib.save(image, path)


def built(source: Source, keep: Path | None = None) -> dict[str, object]:
    """What became of one build."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "scan.nii.gz"
        write(source, path)
        out = Path(folder) / "case"
        command = [sys.executable, "-W", "default", "-m", "canalwise.workbench.commands.main"]
        command += ["build", str(path), "--out", str(out), "--json", "--accept-thick"]
        # no one's environment may quieten the libraries
        found: dict[str, object] = {"source": source.name, "done": list(source.done), "shape": list(source.hu.shape)}
        try:
            done = subprocess.run(command, capture_output=True, text=True, timeout=TIMEOUT_S, env=dict(os.environ))
        except subprocess.TimeoutExpired:
            return found | {"status": "timeout"}
        found |= {"status": done.returncode, "left": out.exists()}
        noise = [
            line
            for line in done.stderr.splitlines()
            if "Traceback" in line or ("Warning" in line and "DeprecationWarning" not in line)
        ]
        found["noise"] = noise[:4]
        if keep is not None:
            keep.write_bytes(path.read_bytes())
        if done.returncode:
            return found | {"message": done.stderr.strip().splitlines()[-1][:400] if done.stderr.strip() else ""}
        said = json.loads(done.stdout)
        anatomy = json.loads((out / "anatomy.json").read_text())
        return found | _read(source, said, anatomy, done.stdout)


def _read(source: Source, said: Json, anatomy: Json, text: str) -> dict[str, object]:
    naming = said.get("naming") or anatomy.get("naming") or {}
    wrong, areas = [], {}
    for level in anatomy["levels"]:
        upper, lower = level["upper"], level["lower"]
        true = _level_at(source, np.array(level["frame"]["origin_ras_mm"]))
        if true and true != f"{upper}-{lower}":
            wrong.append(f"{level['name']} is {true}")
        for each in level["measurements"]:
            if each["at"] == "canal at pedicle" and each["name"] == "canal area" and true:
                own = true.split("-")[0] if each["structure"].split()[-1] == upper else true.split("-")[1]
                areas[own] = round(each["value"], 1)
    return {
        "levels": [level["name"] for level in anatomy["levels"]],
        "confirmed": naming.get("confirmed"),
        "probability": naming.get("value_frac", naming.get("probability")),
        "because": naming.get("because"),
        "wrong": wrong,
        "areas_mm2": areas,
        "none": "NaN" in text or "Infinity" in text,
    }


def _level_at(source: Source, origin: npt.NDArray[np.float64]) -> str:
    """Name of the level whose disc lies at a point, by the nearest middle between two vertebrae of the truth."""
    names = sorted(source.middles_ras_mm, key=vertebra_number)
    pairs = list(pairwise(names))
    far = [float(np.linalg.norm((source.middles_ras_mm[a] + source.middles_ras_mm[b]) / 2 - origin)) for a, b in pairs]
    if not far or min(far) > 35.0:
        return ""
    return "-".join(pairs[int(np.argmin(far))])


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--data", type=Path, required=True)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--count", type=int, default=6)
    parser.add_argument("--only", default="", choices=["", *CHANGES])
    parser.add_argument("--plain", action="store_true", help="the sources unchanged")
    parser.add_argument("--source", default="", choices=["", *SOURCES])
    parser.add_argument("--keep", type=Path, help="folder for the files of builds that went wrong")
    parser.add_argument("--records", type=Path)
    args = parser.parse_args()
    for n in range(args.count):
        rng = np.random.default_rng([args.seed, n])
        chosen = args.source or str(rng.choice(SOURCES, p=[0.5, 0.25, 0.25]))
        whole = phantom(int(rng.integers(4))) if chosen == "made-up" else real(args.data, chosen)
        source = whole if args.plain else variant(whole, rng, args.only)
        keep = None if args.keep is None else args.keep / f"{args.seed}_{n}.nii.gz"
        line = json.dumps({"seed": [args.seed, n], **built(source, keep)})
        print(line, flush=True)
        if args.records:
            with args.records.open("a") as file:
                file.write(line + "\n")


if __name__ == "__main__":
    main()
