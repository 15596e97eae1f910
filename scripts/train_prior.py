#!/usr/bin/env python3
"""Train the small network that names the parts of a spine in a CT; it learns from made-up images only.

    python scripts/train_prior.py --meshes FOLDER --out FOLDER [--minutes 8] [--resume FOLDER/prior.pt]

Needs torch and onnx, and a GPU to be quick. Shapes are the project's phantoms, drawn at random, and vertebra surfaces
turned into label maps (`scripts/prior_shapes.py`). Each training image is one of these shapes, bent, scaled and
mirrored at random, with random tissue values, cortex, gaps, vessels, other bones, metal, blur, slices and noise: the
network never sees a patient's scan. Writes prior.onnx (for use) and prior.pt (to go on from).

The network in use was trained for 7.2 minutes with seed 0, 48 phantoms and the mean lumbar surfaces, then for 7.9
with seed 1, 40 phantoms and --rate 1.5e-3 from there, on one H100; a clock ends the training, so a repeat is close,
not equal.
"""

from __future__ import annotations

import argparse
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import onnx
import torch
from torch import nn
from torch.nn import functional as F  # noqa: N812

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from canalwise.phantoms.anatomy.spine import spine_of
from canalwise.phantoms.cases.random_spec import varied_spec
from canalwise.phantoms.imaging.grids import natural_grid
from canalwise.phantoms.imaging.render import blocks
from canalwise.recon.labels import Labels, Part, Tissue, label_of

Codes = npt.NDArray[np.uint8]

MAP_MM = 0.6
"""Voxel edge of the shapes' label maps."""

FINE_MM = 0.5
"""Voxel edge at which tissue is painted before it is averaged to WORK_MM."""

WORK_MM = 1.0
"""Voxel edge the network works at."""

PATCH = 96
"""Edge of a training patch in voxels of WORK_MM."""

(
    AIR,
    SOFT,
    CANAL,
    SAC,
    FLAVUM,
    CALCIFIED,
    ROOT,
    DISC,
    BODY,
    PEDICLE,
    PARS,
    LAMINA,
    SPINOUS,
    SUPERIOR,
    INFERIOR,
    TRANSVERSE,
    SACRUM,
) = range(17)
CLASS_OF = (0, 0, 1, 1, 1, 1, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11)
"""Network class of each painted code."""

CLASSES = 12


def codes_of(labels: Labels) -> Codes:
    """(nx, ny, nz) uint8 array of painting codes of a map of `recon.labels`."""
    table = np.full(65536, SOFT, dtype=np.uint8)
    table[Tissue.OUTSIDE] = AIR
    for tissue in (Tissue.CANAL, Tissue.SAC, Tissue.FLAVUM, Tissue.CALCIFIED, Tissue.ROOT):
        table[tissue] = CANAL + tissue - 1
    kinds = {
        Part.BODY: BODY,
        Part.PEDICLE_LEFT: PEDICLE,
        Part.PARS_LEFT: PARS,
        Part.LAMINA_LEFT: LAMINA,
        Part.SPINOUS_PROCESS: SPINOUS,
        Part.SPINOUS_BASE: SPINOUS,
        Part.SUPERIOR_ARTICULAR_LEFT: SUPERIOR,
        Part.INFERIOR_ARTICULAR_LEFT: INFERIOR,
        Part.TRANSVERSE_LEFT: TRANSVERSE,
        Part.DISC: DISC,
    }
    for vertebra in ("T12", "L1", "L2", "L3", "L4", "L5", "L6", "S1"):
        for part, code in kinds.items():
            twins = (part, Part(part + 1)) if part.name.endswith("LEFT") else (part,)
            for twin in twins:
                bony = vertebra == "S1" and code not in (SUPERIOR, DISC)
                table[label_of(vertebra, twin)] = SACRUM if bony else code
    return table[labels]


def phantom_map(seed: int) -> Codes:
    """Codes of one random phantom on a grid of MAP_MM."""
    spec = varied_spec(np.random.default_rng(seed))
    spine, grid = spine_of(spec), natural_grid(spec, MAP_MM, None, half_width_mm=60.0)
    codes = np.empty(grid.shape, dtype=np.uint8)
    for box in blocks(grid):
        points = grid.cropped(box).voxel_centres_mm().reshape(-1, 3)
        codes[box] = codes_of(spine.label_and_depth(points)[0]).reshape(codes[box].shape)
    return codes


@dataclass
class Painter:
    """Paints training patches on a device; `maps` are code maps there, the first `meshes` of them from surfaces."""

    maps: list[torch.Tensor]
    meshes: int
    device: torch.device
    generator: torch.Generator
    rng: np.random.Generator

    def uniform(self, low: float, high: float) -> float:
        """One random number; drawn on the host, so that the device need not be waited for."""
        return float(self.rng.uniform(low, high))

    def chance(self, share: float) -> bool:
        """True in a share of the calls."""
        return self.uniform(0.0, 1.0) < share

    def field(self, nodes: int, size: int, channels: int = 1) -> torch.Tensor:
        """(channels, size, size, size) smooth random field of unit deviation at its nodes."""
        noise = torch.randn((1, channels, nodes, nodes, nodes), generator=self.generator, device=self.device)
        return F.interpolate(noise, size=(size, size, size), mode="trilinear", align_corners=True)[0]

    def codes(self) -> torch.Tensor:
        """(2 PATCH)^3 codes of a random, bent patch at FINE_MM."""
        pick = self.uniform(0.0, 1.0)
        number = int(self.uniform(0, self.meshes)) if pick < 0.5 else int(self.uniform(self.meshes, len(self.maps)))
        chosen = self.maps[min(number, len(self.maps) - 1)]
        index = self._bent_index_mm() / MAP_MM + self._centre(chosen)[:, None, None, None]
        index = index.round().long()
        shape = torch.tensor(chosen.shape, device=self.device)[:, None, None, None]
        inside = ((index >= 0) & (index < shape)).all(0)
        i, j, k = torch.minimum(index.clamp(min=0), shape - 1)
        return torch.where(inside, chosen[i, j, k], torch.tensor(SOFT, dtype=torch.uint8, device=self.device))

    def _centre(self, chosen: torch.Tensor) -> torch.Tensor:
        """Index of a random place near the arches or bodies of a map."""
        bone = torch.nonzero(chosen >= (PEDICLE if self.chance(0.7) else DISC))
        at = bone[int(self.uniform(0, len(bone) - 1))].float()
        return at + 12.0 / MAP_MM * torch.randn(3, generator=self.generator, device=self.device)

    def _bent_index_mm(self) -> torch.Tensor:
        """(3, 2P, 2P, 2P) mm about the patch's centre: turned, scaled, sheared, mirrored and bent."""
        half = (PATCH * WORK_MM - FINE_MM) / 2
        line = torch.linspace(-half, half, 2 * PATCH, device=self.device)
        points = torch.stack(torch.meshgrid(line, line, line, indexing="ij"))
        turn = torch.linalg.matrix_exp(self._skew(0.22))
        scale = torch.diag(torch.exp(0.11 * torch.randn(3, generator=self.generator, device=self.device)))
        shear = torch.eye(3, device=self.device) + 0.05 * torch.randn(
            (3, 3), generator=self.generator, device=self.device
        )
        matrix = turn @ scale @ shear * self.uniform(0.85, 1.15)
        matrix = matrix @ torch.diag(torch.tensor([1.0 if self.chance(0.5) else -1.0, 1.0, 1.0], device=self.device))
        bend = sum(
            a * self.field(n, PATCH, 3)
            for n, a in (
                (3, self.uniform(0, 4.5)),
                (5, self.uniform(0, 2.4)),
                (9, self.uniform(0, 1.4)),
                (15, self.uniform(0, 0.9)),
            )
        )
        bend = F.interpolate(bend[None], scale_factor=2, mode="trilinear", align_corners=False)[0]
        return torch.einsum("ij,jabc->iabc", matrix, points) + bend

    def _skew(self, size: float) -> torch.Tensor:
        x, y, z = (size * torch.randn(3, generator=self.generator, device=self.device)).tolist()
        return torch.tensor([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]], device=self.device)

    def patch(self) -> tuple[torch.Tensor, torch.Tensor]:
        """((1, P, P, P) input, (P, P, P) classes) of one training patch."""
        codes = self.codes()
        if self.chance(0.45):
            codes = self.fused(codes)
        value = self.painted(codes)
        value = F.avg_pool3d(value[None, None], 2)[0, 0]
        value = self.scanned(value)
        return network_input(value)[None], self.classes(codes)

    def classes(self, codes: torch.Tensor) -> torch.Tensor:
        """Class at each working voxel: the commonest of its eight cells, bone winning ties by its number."""
        table = torch.tensor(CLASS_OF, device=self.device)
        fine = table[codes.long()].reshape(PATCH, 2, PATCH, 2, PATCH, 2).permute(0, 2, 4, 1, 3, 5)
        return fine.reshape(PATCH, PATCH, PATCH, 8).mode(dim=3).values

    def fused(self, codes: torch.Tensor) -> torch.Tensor:
        """Codes with joint gaps narrowed or bridged: each process grows into what lies between them."""
        reach = int(self.uniform(1, 4))
        superior, inferior = (grown(codes == part, reach) for part in (SUPERIOR, INFERIOR))
        between = superior & inferior & ((codes == SOFT) | (codes == FLAVUM))
        where = between & (self.field(9, 2 * PATCH)[0] > self.uniform(-1.5, 1.0))
        near = grown(codes == SUPERIOR, max(reach // 2, 1))
        filled = torch.where(
            near,
            torch.tensor(SUPERIOR, device=self.device, dtype=torch.uint8),
            torch.tensor(INFERIOR, device=self.device, dtype=torch.uint8),
        )
        return torch.where(where, filled, codes)

    def painted(self, codes: torch.Tensor) -> torch.Tensor:
        """HU of every fine cell."""
        slow, mid = self.field(4, 2 * PATCH)[0], self.field(14, 2 * PATCH)[0]
        body = self.uniform(20.0, 300.0)
        arch = body + self.uniform(0.0, 280.0)
        values = [
            self.uniform(-1000, -850),
            self.uniform(20, 75),
            self.uniform(-95, 45),
            self.uniform(0, 55),
            self.uniform(35, 130),
            self.uniform(130, 900),
            self.uniform(0, 60),
            self.uniform(40, 150),
            body,
            body + self.uniform(0.0, 150.0),
            *[arch + self.uniform(-60, 60) for _ in range(6)],
            body + self.uniform(-50.0, 100.0),
        ]
        if self.chance(0.35):
            values[SUPERIOR] = values[INFERIOR] = self.uniform(350.0, 950.0)
        value = torch.tensor(values, device=self.device)[codes.long()]
        bone = codes >= BODY
        value = value + bone * (slow * self.uniform(0.0, 45.0) + mid * self.uniform(0.0, 60.0))
        rest = (codes == SOFT) & ~grown(bone, 2)
        value = torch.where(rest, self.background(value, slow, mid), value)
        value = torch.where((codes == SOFT) & (mid + slow > self.uniform(-0.5, 2.5)), self.uniform(-120, -70), value)
        value = self.with_cortex(value, codes, bone)
        if self.chance(0.25):
            joint = grown(codes == SUPERIOR, 3) & grown(codes == INFERIOR, 3) & (codes == SOFT)
            value = torch.where(joint, self.uniform(60.0, 260.0), value)
        if self.chance(0.15):
            value = torch.where((codes == DISC) & (mid > 1.0), self.uniform(-700.0, 700.0), value)
        return value

    def with_cortex(self, value: torch.Tensor, codes: torch.Tensor, bone: torch.Tensor) -> torch.Tensor:
        """Bodies and arches with their bright rims, of random thickness and gaps."""
        thin = self.field(20, 2 * PATCH)[0]
        for where, most in ((codes == BODY, 2.2), (bone & (codes != BODY), 3.6)):
            hu, steps = self.uniform(280.0, 1400.0), int(self.uniform(1.0, most + 0.99))
            rim = where & grown(~bone, steps)
            kept = rim & (thin > self.uniform(-3.0, -1.0))
            value = torch.where(kept, hu + 80.0 * thin, value)
        return value

    def background(self, value: torch.Tensor, slow: torch.Tensor, mid: torch.Tensor) -> torch.Tensor:
        """Soft tissue with vessels, gut, other bones and implants at random."""
        size = 2 * PATCH
        line = torch.linspace(-1.0, 1.0, size, device=self.device) * PATCH / 2
        x, y, z = torch.meshgrid(line, line, line, indexing="ij")
        for _ in range(int(self.uniform(0.0, 4.0))):
            cx, cy, lean_x, lean_y = (
                self.uniform(-40, 40),
                self.uniform(-45, 45),
                self.uniform(-0.3, 0.3),
                self.uniform(-0.3, 0.3),
            )
            off = torch.hypot(x - cx - lean_x * z, y - cy - lean_y * z) / self.uniform(3.0, 13.0)
            value = torch.where(off < 1.0, self.uniform(40.0, 420.0), value)
            if self.chance(0.3):
                value = torch.where((off < 1.0) & (off > 0.85) & (mid > 0.5), self.uniform(300.0, 1100.0), value)
        for _ in range(int(self.uniform(0.0, 4.0))):
            at, half = [self.uniform(-48, 48) for _ in range(3)], [self.uniform(4.0, 26.0) for _ in range(3)]
            off = sum(((p - c) / h) ** 2 for p, c, h in zip((x, y, z), at, half, strict=True)) + 0.3 * slow
            inner, rim = (
                (self.uniform(-900, 500), self.uniform(-900, 600))
                if self.chance(0.3)
                else (self.uniform(40, 300), self.uniform(300, 1100))
            )
            value = torch.where(off < 1.0, inner, value)
            value = torch.where((off < 1.0) & (off > self.uniform(0.6, 0.9)), rim, value)
        return value

    def scanned(self, value: torch.Tensor) -> torch.Tensor:
        """Point spread, slices, noise, implants and padding at WORK_MM."""
        if self.chance(0.06):
            line = torch.linspace(-1.0, 1.0, PATCH, device=self.device) * PATCH / 2
            x, y, z = torch.meshgrid(line, line, line, indexing="ij")
            cx, cz = self.uniform(-30, 30), self.uniform(-30, 30)
            rod = (torch.hypot(x - cx - self.uniform(-0.4, 0.4) * y, z - cz) < self.uniform(1.5, 3.5)) & (
                (y - self.uniform(-30, 30)).abs() < self.uniform(10, 25)
            )
            value = torch.where(rod, 3000.0, value) + self.uniform(0, 150) * self.field(12, PATCH)[0]
        spacing = [self.uniform(0.4, 1.6)] * 3
        if self.chance(0.6):
            spacing[2 if self.chance(0.85) else 0] = self.uniform(0.6, 3.4)
        value = blurred(value, [0.42 * s for s in spacing])
        coarse = [max(int(PATCH / max(s, 1.0)), 8) for s in spacing]
        value = F.interpolate(value[None, None], size=coarse, mode="trilinear", align_corners=False)[0, 0]
        noise = torch.randn(value.shape, generator=self.generator, device=self.device)
        noise = blurred(noise, [self.uniform(0.0, 0.8)] * 3)
        value = value + noise / noise.std() * self.uniform(2.0, 75.0)
        value = F.interpolate(value[None, None], size=[PATCH] * 3, mode="trilinear", align_corners=False)[0, 0]
        if self.chance(0.1):
            value[:, : int(self.uniform(1, 20))] = self.uniform(-3000.0, 0.0)
        return value * self.uniform(0.92, 1.08) + self.uniform(-25.0, 25.0)


def grown(mask: torch.Tensor, steps: int) -> torch.Tensor:
    """A mask grown by a number of cells along each axis."""
    return F.max_pool3d(mask[None, None].half(), 2 * steps + 1, stride=1, padding=steps)[0, 0] > 0.5


def blurred(value: torch.Tensor, sigma: list[float]) -> torch.Tensor:
    """A Gaussian blur with a standard deviation per axis, in voxels."""
    out = value[None, None]
    for axis, s in enumerate(sigma):
        if s < 0.15:
            continue
        reach = max(int(3 * s + 0.5), 1)
        kernel = torch.exp(-0.5 * (torch.arange(-reach, reach + 1, device=value.device) / s) ** 2)
        shape, pad = [1] * 5, [0] * 3
        shape[2 + axis], pad[axis] = 2 * reach + 1, reach
        out = F.conv3d(F.pad(out, _edge(pad), mode="replicate"), (kernel / kernel.sum()).reshape(shape))
    return out[0, 0]


def _edge(pad: list[int]) -> list[int]:
    return [pad[2], pad[2], pad[1], pad[1], pad[0], pad[0]]


def network_input(hu: torch.Tensor) -> torch.Tensor:
    """HU as the network takes it; `recon.segmentation.network` does the same."""
    return hu.clamp(-200.0, 1300.0) / 500.0


class Block(nn.Module):
    """Two 3x3x3 convolutions."""

    def __init__(self, inner: int, outer: int) -> None:
        super().__init__()
        self.layers = nn.Sequential(
            nn.Conv3d(inner, outer, 3, padding=1, bias=False),
            nn.BatchNorm3d(outer),
            nn.ReLU(inplace=True),
            nn.Conv3d(outer, outer, 3, padding=1, bias=False),
            nn.BatchNorm3d(outer),
            nn.ReLU(inplace=True),
        )

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        """(N, outer, ...) features."""
        return self.layers(x)


class Network(nn.Module):
    """A U-shaped network of about a million weights; five scales, 1 to 16 mm."""

    WIDTHS = (10, 24, 48, 80, 96)

    def __init__(self) -> None:
        super().__init__()
        w = self.WIDTHS
        self.down = nn.ModuleList(Block(a, b) for a, b in zip((1, *w), w, strict=False))
        self.up = nn.ModuleList(Block(w[n] + w[n + 1], w[n]) for n in reversed(range(len(w) - 1)))
        self.head = nn.Conv3d(w[0], CLASSES, 1)

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        """(N, CLASSES, ...) scores."""
        kept = []
        for n, block in enumerate(self.down):
            x = block(F.max_pool3d(x, 2) if n else x)
            kept.append(x)
        for block, other in zip(self.up, kept[-2::-1], strict=True):
            x = F.interpolate(x, scale_factor=2.0, mode="trilinear", align_corners=False)
            x = block(torch.cat([other, x], dim=1))
        return self.head(x)


def loss_of(scores: torch.Tensor, classes: torch.Tensor, weight: torch.Tensor) -> torch.Tensor:
    """Cross entropy and soft Dice, halves each."""
    entropy = F.cross_entropy(scores, classes, weight=weight)
    share = scores.softmax(1)
    truth = F.one_hot(classes, CLASSES).movedim(-1, 1).to(share.dtype)
    both, sizes = (share * truth).sum((0, 2, 3, 4)), (share + truth).sum((0, 2, 3, 4))
    return entropy + 1.0 - ((2 * both + 20.0) / (sizes + 20.0)).mean()


def trained(
    network: Network, painter: Painter, minutes: float, batch: int, average: dict[str, torch.Tensor], peak: float
) -> None:
    """Train for a time; `average` holds the running mean of the weights (in place)."""
    optimiser = torch.optim.AdamW(network.parameters(), lr=peak, weight_decay=1e-4)
    weight = torch.ones(CLASSES, device=painter.device)
    weight[[0, 3, 11]] = 0.6
    start, step = time.monotonic(), 0
    while (done := (time.monotonic() - start) / (60.0 * minutes)) < 1.0:
        for group in optimiser.param_groups:
            group["lr"] = peak * min(1.0, (step + 1) / 100) * 0.5 * (1 + np.cos(np.pi * done))
        with torch.no_grad():
            pairs = [painter.patch() for _ in range(batch)]
        x, y = torch.stack([p[0] for p in pairs]), torch.stack([p[1] for p in pairs])
        with torch.autocast(painter.device.type, dtype=torch.bfloat16):
            scores = network(x)
        loss = loss_of(scores.float(), y, weight)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        nn.utils.clip_grad_norm_(network.parameters(), 1.0)
        optimiser.step()
        for name, value in network.state_dict().items():
            keep = min(0.998, step / (step + 10.0))
            average[name] = (
                value.clone() if not value.is_floating_point() else (average[name] * keep + value * (1 - keep))
            )
        step += 1
        if step % 100 == 0:
            print(f"{done:5.0%} step {step} loss {loss.item():.3f}", flush=True)


def dice_table(network: Network, painter: Painter, patches: int) -> list[float]:
    """Dice of each class over fresh patches."""
    both, sizes = torch.zeros(CLASSES), torch.zeros(CLASSES)
    with torch.no_grad():
        for _ in range(patches):
            x, y = painter.patch()
            found = network(x[None])[0].argmax(0)
            for c in range(CLASSES):
                both[c] += 2 * ((found == c) & (y == c)).sum().item()
                sizes[c] += ((found == c).sum() + (y == c).sum()).item()
    return [round(float(b / max(s, 1)), 3) for b, s in zip(both, sizes, strict=True)]


def write_network(network: Network, path: Path) -> None:
    """Write the network for use: weights in half precision (half the file), sums in single."""
    free = {0: "n", 2: "x", 3: "y", 4: "z"}
    torch.onnx.export(
        network,
        (torch.zeros(1, 1, 32, 32, 32),),
        str(path),
        dynamo=False,
        input_names=["hu"],
        output_names=["scores"],
        dynamic_axes={"hu": free, "scores": free},
    )
    model = onnx.load(path)
    casts = []
    for weight in model.graph.initializer:
        values = onnx.numpy_helper.to_array(weight)
        if values.dtype == np.float32 and values.size > 1000:
            name = weight.name
            weight.CopyFrom(onnx.numpy_helper.from_array(values.astype(np.float16), name + "_half"))
            casts.append(onnx.helper.make_node("Cast", [name + "_half"], [name], to=onnx.TensorProto.FLOAT))
    nodes = [*casts, *model.graph.node]
    del model.graph.node[:]
    model.graph.node.extend(nodes)
    onnx.save(model, path)


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=str(__doc__).splitlines()[0])
    parser.add_argument("--meshes", type=Path, required=True, help="folder of maps from scripts/prior_shapes.py")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--phantoms", type=int, default=48, help="random phantoms [%(default)s]")
    parser.add_argument("--minutes", type=float, default=8.0)
    parser.add_argument("--batch", type=int, default=4)
    parser.add_argument("--jobs", type=int, default=16)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--rate", type=float, default=2e-3)
    parser.add_argument("--resume", type=Path)
    options = parser.parse_args()
    torch.manual_seed(options.seed)
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    start = time.monotonic()
    with ProcessPoolExecutor(options.jobs) as pool:
        phantoms = list(pool.map(phantom_map, range(options.seed * 1000, options.seed * 1000 + options.phantoms)))
    surfaces = [codes_of(np.load(path)["labels"]) for path in sorted(options.meshes.glob("*.npz"))]
    print(f"{len(surfaces)} surface maps, {len(phantoms)} phantoms, {time.monotonic() - start:.0f} s", flush=True)
    maps = [torch.from_numpy(m).to(device) for m in (*surfaces, *phantoms)]
    painter = Painter(
        maps,
        len(surfaces),
        device,
        torch.Generator(device).manual_seed(options.seed),
        np.random.default_rng(options.seed),
    )
    network = Network().to(device)
    if options.resume:
        network.load_state_dict(torch.load(options.resume, map_location=device))
    average = {k: v.clone() for k, v in network.state_dict().items()}
    trained(network, painter, options.minutes, options.batch, average, options.rate)
    network.load_state_dict(average)
    network.eval()
    print("Dice by class", dice_table(network, painter, 40), flush=True)
    options.out.mkdir(parents=True, exist_ok=True)
    network.cpu()
    torch.save(network.state_dict(), options.out / "prior.pt")
    write_network(network, options.out / "prior.onnx")


if __name__ == "__main__":
    main()
