#!/usr/bin/env python3
"""Train the network that names the parts of a spine in a CT or MR; it learns from made-up images only.

    python scripts/train_prior.py --shape FOLDER/mean.npz --out FOLDER [--minutes 8] [--resume FOLDER/prior.pt]

Needs torch and onnx, and a GPU to be quick. Shapes are the project's phantoms, drawn at random, and vertebra surfaces
made into a whole spine (`scripts/prior_shapes.py`), each with sacrum, pelvis, ribs, muscles, vessels and organs about
it (`scripts/prior_surroundings.py`). Training images are patches of these, bent and painted at random as CT and as MR
in shares of one's choice (`scripts/prior_painter.py`): the network never sees a patient's scan. Writes prior.onnx (for
use) and prior.pt (to go on from). A clock ends the training, so a repeat is close, not equal.
"""

from __future__ import annotations

import argparse
import multiprocessing
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import numpy.typing as npt
import torch
from prior_codes import CLASS_OF, CLASSES, MAP_MM, PARS, RIB, SACRUM, Codes, codes_of
from prior_network import Network, loss_of, write_network
from prior_painter import PATCH, Painter, Shape, places_in
from prior_surroundings import Scene, surround
from torch import nn

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from canalwise.phantoms.anatomy.spine import spine_of
from canalwise.phantoms.cases.random_spec import varied_spec
from canalwise.phantoms.imaging.grids import natural_grid
from canalwise.phantoms.imaging.render import blocks
from canalwise.phantoms.solid.pose import Pose
from canalwise.recon.grid import Grid

Painted = tuple[npt.NDArray[np.float16], npt.NDArray[np.uint8]]
Map = tuple[Codes, npt.NDArray[np.float32]]

BORDER_FRAC, BORDER_SIZE = 0.25, 64
"""Share of the batches cut to fewer voxels along one axis, as where a scan ends, and to how many."""

AVERAGE_STEPS = 500
"""Steps over which the weights are averaged."""

SAVE_S = 100.0
"""Seconds between two savings."""


def phantom_map(seed: int) -> Map:
    """Codes, and places in them, of one random phantom and its surroundings on a grid of MAP_MM."""
    rng = np.random.default_rng(seed)
    spec = varied_spec(rng)
    spine, grid = spine_of(spec), natural_grid(spec, MAP_MM, None, half_width_mm=78.0, ventral_mm=50.0)
    codes = np.empty(grid.shape, dtype=np.uint8)
    for box in blocks(grid):
        points = grid.cropped(box).voxel_centres_mm().reshape(-1, 3)
        codes[box] = codes_of(spine.label_and_depth(points)[0]).reshape(codes[box].shape)
    poses = [spine.poses[name] for name in spec.vertebrae]
    surround(Scene(codes, grid, poses[:-1], poses[-1], int(rng.choice((0, 1, 2))), rng))
    return codes, places_in(codes, rng)


def surface_map(path: str, seed: int) -> Map:
    """Codes, and places in them, of the spine made from surfaces, with random surroundings."""
    rng, data = np.random.default_rng(seed), np.load(path)
    codes = data["codes"]
    i, j, k = codes.shape
    grid = Grid((i, j, k), data["affine"])
    poses = [Pose(origin, axes) for origin, axes in zip(data["origins"], data["axes"], strict=True)]
    surround(Scene(codes, grid, poses[:-1], poses[-1], int(rng.choice((1, 2, 3))), rng))
    return codes, places_in(codes, rng)


def file_map(task: tuple[Path, str | None, int]) -> None:
    """Make the map of a seed, of the surfaces in a file or of a phantom, and write it into a folder."""
    folder, surfaces, seed = task
    codes, places = phantom_map(seed) if surfaces is None else surface_map(surfaces, seed)
    kind = "phantom" if surfaces is None else "surface"
    with tempfile.NamedTemporaryFile(dir=folder, suffix=".part", delete=False) as file:
        np.savez(file, codes=codes, places=places)
    # Renamed when whole: painters look into the folder all the time.
    Path(file.name).rename(folder / f"{kind}_{seed}.npz")


def taken_in(painter: Painter, folder: Path, known: set[str]) -> None:
    """Give a painter the maps of a folder that it does not know yet; waits until it has one of either kind."""
    while True:
        for path in sorted(folder.glob("*.npz")):
            if path.name not in known:
                known.add(path.name)
                data = np.load(path)
                kind = painter.surfaces if path.name.startswith("surface") else painter.phantoms
                kind.append(Shape(torch.from_numpy(data["codes"]).to(painter.device), data["places"]))
        if painter.surfaces and painter.phantoms:
            return
        time.sleep(0.2)


def batch_of(painter: Painter, size: int, mr_frac: float) -> Painted:
    """A batch of MR, a share of it, and CT, cut along one axis at times."""
    with torch.no_grad():
        pairs = [painter.patch("MR" if painter.chance(mr_frac) else "CT") for _ in range(size)]
        x, y = torch.stack([p[0] for p in pairs]).half(), torch.stack([p[1] for p in pairs]).byte()
    if painter.chance(BORDER_FRAC):
        axis = 0 if painter.chance(0.6) else 2
        start = int(painter.uniform(0, PATCH - BORDER_SIZE + 1 - 1e-6))
        x, y = x.narrow(axis + 2, start, BORDER_SIZE), y.narrow(axis + 1, start, BORDER_SIZE)
    return x.contiguous().cpu().numpy(), y.contiguous().cpu().numpy()


def paint_on(folder: Path, seed: int, size: int, mr_frac: float, out: multiprocessing.Queue[Painted]) -> None:
    """Fill a queue with batches, without end: a process of its own, for painting is many small steps."""
    torch.set_num_threads(1)
    painter, known = painter_of(seed), set[str]()
    while True:
        taken_in(painter, folder, known)
        out.put(batch_of(painter, size, mr_frac))


def painter_of(seed: int) -> Painter:
    """A painter without maps, on the last GPU: of two, the first is left to the training."""
    device = torch.device(f"cuda:{torch.cuda.device_count() - 1}" if torch.cuda.is_available() else "cpu")
    return Painter(device, torch.Generator(device).manual_seed(seed), np.random.default_rng(seed))


def quicker_format(network: Network, size: int) -> torch.memory_format:
    """The order of axes in memory in which a GPU trains the quicker."""
    x = torch.randn((size, 1, PATCH, PATCH, PATCH), device="cuda")
    seconds = {}
    for order in (torch.contiguous_format, torch.channels_last_3d):
        network.to(memory_format=order)
        for _ in range(2):
            torch.cuda.synchronize()
            start = time.monotonic()
            with torch.autocast("cuda", dtype=torch.bfloat16):
                scores = network(x.to(memory_format=order))
            scores.float().square().mean().backward()
            torch.cuda.synchronize()
            seconds[order] = time.monotonic() - start
    network.zero_grad(set_to_none=True)
    print("seconds a step by memory order", {str(k): round(v, 3) for k, v in seconds.items()}, flush=True)
    return min(seconds, key=lambda order: seconds[order])


def train(
    network: Network, batches: multiprocessing.Queue[Painted], stop_s: float, peak: float, out: Path
) -> dict[str, torch.Tensor]:
    """Train until a time; returns the running mean of the weights, saved now and then."""
    device = next(network.parameters()).device
    before = {k: v.clone() for k, v in network.state_dict().items()}
    order = quicker_format(network, 4) if device.type == "cuda" else torch.contiguous_format
    network.load_state_dict(before)
    network.to(memory_format=order)
    optimiser = torch.optim.AdamW(network.parameters(), lr=peak, weight_decay=1e-4)
    weight = torch.ones(CLASSES, device=device)
    weight[[0, 3, CLASS_OF[SACRUM]]] = 0.6
    weight[[CLASS_OF[PARS], CLASS_OF[RIB]]] = 2.0
    average = before
    start, step, saved = time.monotonic(), 0, time.monotonic()
    while (now := time.monotonic()) < stop_s:
        done = (now - start) / (stop_s - start)
        for group in optimiser.param_groups:
            group["lr"] = peak * min(1.0, (step + 1) / 100) * 0.5 * (1 + np.cos(np.pi * done))
        painted, classes = batches.get(timeout=240.0)
        x = torch.from_numpy(painted).to(device).float().to(memory_format=order)
        y = torch.from_numpy(classes).to(device).long()
        with torch.autocast(device.type, dtype=torch.bfloat16):
            scores = network(x)
        loss = loss_of(scores.float(), y, weight)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        nn.utils.clip_grad_norm_(network.parameters(), 1.0)
        optimiser.step()
        _averaged(average, network, min(1.0 - 1.0 / AVERAGE_STEPS, step / (step + 10.0)))
        step += 1
        if step % 100 == 0 or step in (3, 20):
            print(
                f"{done:5.0%} step {step} {now - start:.0f} s loss {loss.item():.3f} waiting {batches.qsize()}",
                flush=True,
            )
        if now - saved > SAVE_S:
            save(average, out)
            saved = now
    return average


def save(weights: dict[str, torch.Tensor], out: Path) -> None:
    """Write prior.pt, in half precision."""
    torch.save({k: v.half() if v.is_floating_point() else v for k, v in weights.items()}, out / "prior.pt")


def _averaged(average: dict[str, torch.Tensor], network: Network, keep: float) -> None:
    """Let the mean weights follow the network's (in place)."""
    new = network.state_dict()
    names = [name for name, value in new.items() if value.is_floating_point()]
    means = [average[name] for name in names]
    torch._foreach_mul_(means, keep)
    torch._foreach_add_(means, [new[name] for name in names], alpha=1.0 - keep)


def dice_table(network: Network, painter: Painter, modality: str, patches: int) -> list[float]:
    """Dice of each class over fresh patches."""
    both, sizes = torch.zeros(CLASSES), torch.zeros(CLASSES)
    device = next(network.parameters()).device
    with torch.no_grad():
        for _ in range(patches):
            x, y = painter.patch(modality)
            with torch.autocast(painter.device.type, dtype=torch.bfloat16):
                found = network(x[None].to(device))[0].argmax(0).to(y.device)
            for c in range(CLASSES):
                both[c] += 2 * ((found == c) & (y == c)).sum().item()
                sizes[c] += ((found == c).sum() + (y == c).sum()).item()
    return [round(float(b / max(s, 1)), 3) for b, s in zip(both, sizes, strict=True)]


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=str(__doc__).splitlines()[0])
    parser.add_argument("--shape", type=Path, required=True, help="file of scripts/prior_shapes.py")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--phantoms", type=int, default=64, help="random phantoms [%(default)s]")
    parser.add_argument("--surfaces", type=int, default=24, help="surroundings of the surfaces [%(default)s]")
    parser.add_argument("--minutes", type=float, default=8.0, help="from start to the end of training [%(default)s]")
    parser.add_argument("--batch", type=int, default=4)
    parser.add_argument("--mr-frac", type=float, default=0.5, help="share of the patches painted as MR [%(default)s]")
    parser.add_argument("--jobs", type=int, default=9, help="processes that make maps [%(default)s]")
    parser.add_argument("--painters", type=int, default=6, help="processes that paint patches [%(default)s]")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--rate", type=float, default=2e-3)
    parser.add_argument("--checks", type=int, default=24, help="patches of each kind for the table [%(default)s]")
    parser.add_argument("--resume", type=Path)
    options = parser.parse_args()
    stop_s = time.monotonic() + 60.0 * options.minutes
    options.out.mkdir(parents=True, exist_ok=True)
    torch.manual_seed(options.seed)
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    torch.backends.cudnn.benchmark = True
    network = Network().to(device)
    if options.resume:
        network.load_state_dict(torch.load(options.resume, map_location=device))
    folder = Path(tempfile.mkdtemp())
    first = 1000 * options.seed
    kinds = ((str(options.shape), options.surfaces), (None, options.phantoms))
    # In turn, so that both kinds are there early.
    tasks = [(folder, shape, seed) for shape, count in kinds for seed in range(first, first + count)]
    tasks.sort(key=lambda task: task[2])
    context = multiprocessing.get_context("spawn")
    batches: multiprocessing.Queue[Painted] = context.Queue(12)
    workers = [
        context.Process(target=paint_on, args=(folder, first + n, options.batch, options.mr_frac, batches), daemon=True)
        for n in range(options.painters)
    ]
    with context.Pool(options.jobs) as pool:
        pool.map_async(file_map, tasks, chunksize=1, error_callback=lambda error: print("a map failed:", error))
        for worker in workers:
            worker.start()
        average = train(network, batches, stop_s, options.rate, options.out)
        for worker in workers:
            worker.kill()
    network.load_state_dict(average)
    network.eval()
    save(average, options.out)
    painter = painter_of(options.seed)
    taken_in(painter, folder, set())
    for modality in ("CT", "MR"):
        print(modality, "Dice by class", dice_table(network, painter, modality, options.checks), flush=True)
    network.cpu().to(memory_format=torch.contiguous_format)
    write_network(network, options.out / "prior.onnx")
    print(f"{len(painter.surfaces)} surface maps, {len(painter.phantoms)} phantoms", flush=True)


if __name__ == "__main__":
    main()
