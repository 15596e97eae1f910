"""Made-up CT and MR images of painted shapes: what `scripts/train_prior.py` shows its network.

A patch of a code map is bent, scaled and mirrored at random on cells of FINE_MM, each code gets a value of the
modality drawn (a CT number, or an MR brightness of any contrast), with cortex, gaps, texture, disease and implants;
then the scanner: blur, slices along any axis, noise, bias. Values reach the network as `recon.segmentation.network`
gives them: a CT by its numbers, anything else scaled by its first and 99th percentile, and a part of the CTs that way
too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import torch
from prior_codes import (
    AIR,
    ALL_BONE,
    BODY,
    CALCIFIED,
    CANAL,
    CLASS_OF,
    DISC,
    FAT,
    FLAVUM,
    ILIUM,
    INFERIOR,
    KIDNEY,
    MAP_MM,
    MUSCLE,
    PEDICLE,
    REMNANT,
    RIB,
    ROOT,
    SAC,
    SACRUM,
    SOFT,
    SUPERIOR,
    TRANSVERSE,
    VESSEL,
    Codes,
)
from torch.nn import functional as F  # noqa: N812

FINE_MM = 0.5
"""Voxel edge at which tissue is painted before it is averaged to WORK_MM."""

WORK_MM = 1.0
"""Voxel edge the network works at."""

PATCH = 96
"""Edge of a training patch in voxels of WORK_MM."""

REGIONS = (
    ((PEDICLE, TRANSVERSE), 0.48),
    ((DISC, BODY), 0.18),
    ((SACRUM, SACRUM), 0.14),
    ((RIB, RIB), 0.07),
    ((ILIUM, ILIUM), 0.05),
    ((SOFT, REMNANT), 0.08),
)
"""Codes (first, last) about which patches lie, and how often."""

PLACES = 4000
"""Places of each region kept of every map."""

CT_RANGE_HU, CT_SCALE_HU = (-200.0, 1300.0), 500.0
SCALED_RANGE, SCALED_GAIN = (-0.2, 1.8), 2.0
"""Clipping and gain of what is scaled by percentiles."""


@dataclass(frozen=True, eq=False)
class Shape:
    """A code map on the device and places in it by region."""

    codes: torch.Tensor
    places: npt.NDArray[np.float32]


def places_in(codes: Codes, rng: np.random.Generator) -> npt.NDArray[np.float32]:
    """(regions, PLACES, 3) array: random indices of each region of a code map."""
    places = []
    for (first, last), _ in REGIONS:
        found = np.flatnonzero((codes >= first) & (codes <= last))
        if not len(found):
            found = np.flatnonzero((codes >= DISC) & (codes <= SACRUM))
        places.append(np.stack(np.unravel_index(rng.choice(found, PLACES), codes.shape), axis=1))
    return np.array(places, dtype=np.float32)


@dataclass
class Painter:
    """Paints training patches on a device from `surfaces` and `phantoms`, which may grow."""

    device: torch.device
    generator: torch.Generator
    rng: np.random.Generator
    surfaces: list[Shape] = field(default_factory=list)
    phantoms: list[Shape] = field(default_factory=list)

    def uniform(self, low: float, high: float) -> float:
        """One random number; drawn on the host, so that the device need not be waited for."""
        return float(self.rng.uniform(low, high))

    def chance(self, share: float) -> bool:
        """True in a share of the calls."""
        return self.uniform(0.0, 1.0) < share

    def pick(self, shares: Sequence[float]) -> int:
        """An index with the probabilities given."""
        return int(self.rng.choice(len(shares), p=np.array(shares) / sum(shares)))

    def field(self, nodes: int | tuple[int, int, int], size: int = 2 * PATCH, channels: int = 1) -> torch.Tensor:
        """(channels, size, size, size) smooth random field of unit deviation at its nodes."""
        shape = (nodes, nodes, nodes) if isinstance(nodes, int) else nodes
        noise = torch.randn((1, channels, *shape), generator=self.generator, device=self.device)
        return F.interpolate(noise, size=(size, size, size), mode="trilinear", align_corners=True)[0]

    def axes_mm(self) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
        """Three (2P, 2P, 2P) arrays: mm from the patch's middle."""
        line = torch.linspace(-1.0, 1.0, 2 * PATCH, device=self.device) * PATCH / 2
        x, y, z = torch.meshgrid(line, line, line, indexing="ij")
        return x, y, z

    def codes(self) -> torch.Tensor:
        """(2 PATCH)^3 codes of a random, bent patch at FINE_MM."""
        kind = self.surfaces if self.chance(0.5) or not self.phantoms else self.phantoms
        chosen = kind[int(self.uniform(0, len(kind) - 1e-6))]
        places = chosen.places[self.pick([share for _, share in REGIONS])]
        centre = places[int(self.uniform(0, PLACES - 1e-6))] + 12.0 / MAP_MM * self.rng.standard_normal(3)
        index = (
            self._bent_index_mm() / MAP_MM
            + torch.tensor(centre, dtype=torch.float32, device=self.device)[:, None, None, None]
        )
        index = index.round().int()
        shape = torch.tensor(chosen.codes.shape, device=self.device, dtype=torch.int32)[:, None, None, None]
        inside = ((index >= 0) & (index < shape)).all(0)
        i, j, k = torch.minimum(index.clamp(min=0), shape - 1)
        found = chosen.codes[i, j, k]
        return torch.where(
            inside | is_in(found, (AIR, MUSCLE, FAT)), found, torch.tensor(SOFT, dtype=torch.uint8, device=self.device)
        )

    def _bent_index_mm(self) -> torch.Tensor:
        """(3, 2P, 2P, 2P) mm about the patch's centre: turned, scaled, sheared, mirrored and bent."""
        half = (PATCH * WORK_MM - FINE_MM) / 2
        line = torch.linspace(-half, half, 2 * PATCH, device=self.device)
        points = torch.stack(torch.meshgrid(line, line, line, indexing="ij"))
        x, y, z = 0.22 * self.rng.standard_normal(3)
        turn = torch.linalg.matrix_exp(torch.tensor([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]]))
        scale = torch.diag(torch.from_numpy(np.exp(0.11 * self.rng.standard_normal(3))))
        shear = torch.eye(3) + torch.from_numpy(0.05 * self.rng.standard_normal((3, 3)))
        matrix = turn.double() @ scale @ shear * self.uniform(0.85, 1.15)
        matrix = matrix @ torch.diag(torch.tensor([1.0 if self.chance(0.5) else -1.0, 1.0, 1.0]).double())
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
        return torch.einsum("ij,jabc->iabc", matrix.float().to(self.device), points) + bend

    def patch(self, modality: str) -> tuple[torch.Tensor, torch.Tensor]:
        """((1, P, P, P) input, (P, P, P) classes) of one training patch, 'CT' or 'MR'."""
        codes = self.codes()
        if self.chance(0.45):
            codes = self.fused(codes)
        if self.chance(0.6):
            codes = self.padded(codes)
        if modality == "CT":
            value = F.avg_pool3d(self.painted_hu(codes)[None, None], 2)[0, 0]
            value = self.scanned_hu(value)
            shown = by_number(value) if self.chance(0.6) else self.by_percentile(value.clamp(*CT_RANGE_HU))
        else:
            value = F.avg_pool3d(self.painted_mr(codes)[None, None], 2)[0, 0]
            shown = self.by_percentile(self.scanned_mr(value))
        return shown[None], self.classes(codes)

    def by_percentile(self, value: torch.Tensor) -> torch.Tensor:
        """Values scaled by about their first and 99th percentile: a patch's are not those of its scan."""
        some = value[::3, ::3, ::3].flatten().sort().values
        low, high = some[len(some) // 100], some[-len(some) // 100]
        span = (high - low).clamp(min=1e-3)
        low = low + span * self.uniform(-0.08, 0.05)
        return scaled(value, low, low + span * float(np.exp(self.uniform(-0.25, 0.5))))

    def classes(self, codes: torch.Tensor) -> torch.Tensor:
        """Class at each working voxel: the commonest of its eight cells."""
        table = torch.tensor(CLASS_OF, device=self.device, dtype=torch.uint8)
        cells = table[codes.int()].reshape(PATCH, 2, PATCH, 2, PATCH, 2).permute(1, 3, 5, 0, 2, 4)
        cells = cells.reshape(8, PATCH, PATCH, PATCH)
        # The cells are counted against each other: a mode over the last axis takes twenty times as long on a GPU.
        same = torch.stack([(cells == one).sum(0, dtype=torch.int16) for one in cells])
        best = (64 * same - cells).argmax(0)
        return cells.gather(0, best[None])[0].long()

    def padded(self, codes: torch.Tensor) -> torch.Tensor:
        """Codes with fat between the sac and the ligament, which keeps a sheet at its wall.

        A phantom's ligament fills all that lies behind its sac; a patient's two halves leave a triangle of fat there,
        level by level.
        """
        ligament = codes == FLAVUM
        wall = ~is_in(codes, (FLAVUM, SAC, CANAL, ROOT, CALCIFIED))
        deep = ligament & ~grown(wall, int(self.uniform(3, 8)))
        where = deep & (self.field((3, 3, 7))[0] > self.uniform(-2.0, 0.8))
        return torch.where(where, torch.tensor(CANAL, device=self.device, dtype=torch.uint8), codes)

    def fused(self, codes: torch.Tensor) -> torch.Tensor:
        """Codes with joint gaps narrowed or bridged: each process grows into what lies between them."""
        reach = int(self.uniform(1, 4))
        superior, inferior = (grown(codes == part, reach) for part in (SUPERIOR, INFERIOR))
        between = superior & inferior & is_in(codes, (SOFT, FLAVUM, MUSCLE, FAT))
        where = between & (self.field(9)[0] > self.uniform(-1.5, 1.0))
        near = grown(codes == SUPERIOR, max(reach // 2, 1))
        filled = torch.where(
            near,
            torch.tensor(SUPERIOR, device=self.device, dtype=torch.uint8),
            torch.tensor(INFERIOR, device=self.device, dtype=torch.uint8),
        )
        return torch.where(where, filled, codes)

    def painted_hu(self, codes: torch.Tensor) -> torch.Tensor:
        """HU of every fine cell."""
        slow, mid = self.field(4)[0], self.field(14)[0]
        body = self.uniform(-10.0, 300.0)
        arch = body + self.uniform(0.0, 280.0)
        soft = self.uniform(20, 75)
        fatty = self.uniform(-125, -70)
        values = [
            self.uniform(-1000, -850),
            soft,
            self.uniform(-95, 45),
            self.uniform(0, 55),
            self.uniform(35, 130),
            self.uniform(130, 900),
            self.uniform(0, 60),
            self.uniform(40, 150),
            body,
            body + self.uniform(0.0, 150.0),
            *[arch + self.uniform(-60, 60) for _ in range(6)],
            body + self.uniform(-100.0, 100.0),
            arch + self.uniform(-100, 100),
            body + self.uniform(-100, 150),
            self.uniform(30, 320),
            self.uniform(35, 460),
            self.uniform(-950, -500),
            self.uniform(0, 700),
            self.uniform(35, 80),
            fatty,
            body + self.uniform(-40, 120),
            self.uniform(-900, 200),
        ]
        if self.chance(0.35):
            values[SUPERIOR] = values[INFERIOR] = self.uniform(350.0, 950.0)
        value = torch.tensor(values, device=self.device)[codes.int()]
        bone = is_in(codes, ALL_BONE)
        value = value + bone * (slow * self.uniform(0.0, 45.0) + mid * self.uniform(0.0, 60.0))
        if self.chance(0.3):
            value = torch.where((codes == SOFT) & ~grown(bone, 2), self.clutter(value, slow, mid), value)
        marbled = is_in(codes, (SOFT, MUSCLE)) & (mid + slow > self.uniform(-0.5, 3.0))
        value = torch.where(marbled, fatty, value)
        if self.chance(0.5):
            organ = (codes == KIDNEY) & (mid > self.uniform(-0.5, 1.0))
            value = torch.where(organ, self.uniform(30, 260), value)
        if self.chance(0.4):
            vessel = codes == VESSEL
            rim = vessel & grown(~vessel, 2) & (mid > self.uniform(0.0, 1.5))
            value = torch.where(rim, self.uniform(300.0, 1200.0), value)
        value = self.with_cortex(value, codes, bone)
        if self.chance(0.25):
            joint = grown(codes == SUPERIOR, 3) & grown(codes == INFERIOR, 3) & is_in(codes, (SOFT, FAT, MUSCLE))
            value = torch.where(joint, self.uniform(60.0, 260.0), value)
        if self.chance(0.15):
            value = torch.where((codes == DISC) & (mid > 1.0), self.uniform(-700.0, 700.0), value)
        if self.chance(0.06):
            value = torch.where((codes == BODY) & (slow + 0.5 * mid > 1.2), self.uniform(1000.0, 2800.0), value)
        return value

    def with_cortex(self, value: torch.Tensor, codes: torch.Tensor, bone: torch.Tensor) -> torch.Tensor:
        """Bodies and arches with their bright rims, of random thickness and gaps."""
        thin = self.field(20)[0]
        for where, most in ((codes == BODY, 2.2), (bone & (codes != BODY), 3.6)):
            hu, steps = self.uniform(280.0, 1400.0), int(self.uniform(1.0, most + 0.99))
            rim = where & grown(~bone, steps)
            kept = rim & (thin > self.uniform(-3.0, -1.0))
            value = torch.where(kept, hu + 80.0 * thin, value)
        return value

    def clutter(self, value: torch.Tensor, slow: torch.Tensor, mid: torch.Tensor) -> torch.Tensor:
        """Soft tissue with tubes, lumps and implants at random."""
        x, y, z = self.axes_mm()
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
            off = 0.3 * slow
            for p, c, h in zip((x, y, z), at, half, strict=True):
                off = off + ((p - c) / h) ** 2
            inner, rim = (
                (self.uniform(-900, 500), self.uniform(-900, 600))
                if self.chance(0.3)
                else (self.uniform(40, 300), self.uniform(300, 1100))
            )
            value = torch.where(off < 1.0, inner, value)
            value = torch.where((off < 1.0) & (off > self.uniform(0.6, 0.9)), rim, value)
        return value

    def scanned_hu(self, value: torch.Tensor) -> torch.Tensor:
        """Point spread, slices, noise, implants and padding at WORK_MM."""
        if self.chance(0.06):
            line = torch.linspace(-1.0, 1.0, PATCH, device=self.device) * PATCH / 2
            x, y, z = torch.meshgrid(line, line, line, indexing="ij")
            cx, cz = self.uniform(-30, 30), self.uniform(-30, 30)
            rod = (torch.hypot(x - cx - self.uniform(-0.4, 0.4) * y, z - cz) < self.uniform(1.5, 3.5)) & (
                (y - self.uniform(-30, 30)).abs() < self.uniform(10, 25)
            )
            value = torch.where(rod, 3000.0, value) + self.uniform(0, 150) * self.field(12, PATCH)[0]
        spacing = [self.uniform(0.4, 1.6) if self.chance(0.8) else self.uniform(1.6, 3.2)] * 3
        if self.chance(0.5):
            spacing[self.pick((0.12, 0.08, 0.8))] = self.uniform(0.6, 5.0)
        sharp = self.chance(0.25)
        value = self.sliced(value, spacing)
        if sharp:
            value = value + self.uniform(0.3, 1.2) * (value - blurred(value, [1.0] * 3))
        noise = torch.randn(value.shape, generator=self.generator, device=self.device)
        noise = blurred(noise, [self.uniform(0.0, 0.8)] * 3)
        value = value + noise / noise.std() * (self.uniform(2.0, 75.0) if self.chance(0.9) else self.uniform(60, 130))
        value = F.interpolate(value[None, None], size=[PATCH] * 3, mode="trilinear", align_corners=False)[0, 0]
        if self.chance(0.1):
            value[:, : int(self.uniform(1, 20))] = self.uniform(-3000.0, 0.0)
        return value * self.uniform(0.92, 1.08) + self.uniform(-25.0, 25.0)

    def sliced(self, value: torch.Tensor, spacing: Sequence[float]) -> torch.Tensor:
        """Values on slices of some spacing per axis."""
        value = blurred(value, [0.42 * s for s in spacing])
        coarse = [max(round(PATCH / max(s, 1.0)), 8) for s in spacing]
        return F.interpolate(value[None, None], size=coarse, mode="trilinear", align_corners=False)[0, 0]

    def contrast(self) -> list[float]:
        """Brightness of every code in an MR: T2-like, T1-like, or any."""
        u = self.uniform
        kind = self.pick((0.72, 0.14, 0.14))
        if kind == 0:
            fatty, marrow, fluid = u(0.45, 1.1), u(0.2, 0.75), u(0.7, 1.3)
            if self.chance(0.2):
                fatty, marrow = u(0.03, 0.3), u(0.05, 0.35)
            muscle, disc, ligament, root = u(0.06, 0.35), u(0.04, 0.3), u(0.03, 0.35), u(0.15, 0.5)
        elif kind == 1:
            fatty, marrow, fluid = u(0.6, 1.1), u(0.3, 0.8), u(0.05, 0.35)
            muscle, disc, ligament, root = u(0.2, 0.5), u(0.15, 0.45), u(0.08, 0.35), u(0.2, 0.45)
        else:
            fatty, marrow, fluid, muscle, disc, ligament, root = (u(0.0, 1.0) for _ in range(7))
        arch = marrow * u(0.7, 1.25)
        epidural = fatty * u(0.6, 1.1)
        return [
            u(0.0, 0.04),
            muscle * u(0.7, 1.6) if self.chance(0.5) else fatty,
            epidural,
            fluid,
            ligament,
            u(0.0, 0.15),
            root,
            disc,
            marrow,
            arch,
            *[arch * u(0.85, 1.15) for _ in range(6)],
            marrow * u(0.8, 1.3),
            arch,
            marrow * u(0.8, 1.3),
            u(0.2, 1.1),
            u(0.0, 0.2) if self.chance(0.7) else u(0.2, 1.0),
            u(0.0, 0.06),
            u(0.0, 1.2),
            muscle,
            fatty,
            disc,
            u(0.0, 0.04),
        ]

    def painted_mr(self, codes: torch.Tensor) -> torch.Tensor:
        """MR brightness of every fine cell."""
        slow, mid = self.field(4)[0], self.field(14)[0]
        values = self.contrast()
        value = torch.tensor(values, device=self.device)[codes.int()]
        bone = is_in(codes, ALL_BONE)
        value = value * (1.0 + self.uniform(0.0, 0.12) * mid + self.uniform(0.0, 0.12) * self.field(40)[0])
        loose = is_in(codes, (SOFT, MUSCLE))
        streaks = self.field((24, 24, 6))[0]
        value = torch.where(loose & (0.6 * slow + streaks > self.uniform(0.3, 2.5)), values[FAT], value)
        value = torch.where((codes == FAT) & (streaks > self.uniform(1.0, 3.0)), values[MUSCLE], value)
        value = self.with_disc(value, codes, values, slow)
        value = self.with_sac(value, codes, values, mid)
        if self.chance(0.35):
            marrow = bone & (slow + 0.6 * mid > self.uniform(0.8, 2.0))
            value = torch.where(marrow, self.uniform(0.0, 1.3), value)
        if self.chance(0.3):
            joint = grown(codes == SUPERIOR, 3) & grown(codes == INFERIOR, 3) & is_in(codes, (SOFT, FAT, MUSCLE))
            value = torch.where(joint, values[SAC] * self.uniform(0.5, 1.0), value)
        rim = bone & grown(~bone, 1 if self.chance(0.6) else 2)
        dark = self.uniform(0.0, 0.12) if self.chance(0.9) else self.uniform(0.0, 0.5)
        value = torch.where(rim & (self.field(20)[0] > self.uniform(-3.0, -0.8)), dark, value)
        if self.chance(0.35):
            value = self.shifted_fat(value, codes)
        return value.clamp(min=0.0)

    def with_disc(
        self, value: torch.Tensor, codes: torch.Tensor, values: list[float], slow: torch.Tensor
    ) -> torch.Tensor:
        """Discs with a nucleus of its own brightness in each, or none."""
        disc = codes == DISC
        depth = cored(disc, 0.45, 0.75)
        bright = self.uniform(0.1, 1.0) * (0.5 + 0.5 * torch.tanh(2.0 * self.field((2, 2, 6))[0] + self.uniform(-1, 1)))
        nucleus = values[DISC] + depth * bright * (1.0 + 0.2 * slow)
        return torch.where(disc, nucleus, value)

    def with_sac(
        self, value: torch.Tensor, codes: torch.Tensor, values: list[float], mid: torch.Tensor
    ) -> torch.Tensor:
        """The sac with rootlets along it, crowded or few, the cord above a height, and the fluid's own flow."""
        sac = codes == SAC
        rootlets = self.field((64, 64, 5))[0] > self.uniform(-0.6, 1.6)
        flowing = value * torch.where(sac, 1.0 + self.uniform(0, 0.2) * mid, 1.0)
        value = torch.where(sac & rootlets, values[ROOT], flowing)
        if self.chance(0.65):
            value = self.with_settled_roots(value, sac, values)
        elif self.chance(0.5):
            _, _, z = self.axes_mm()
            cord = sac & (cored(sac, 0.5, 0.9) > self.uniform(0.2, 0.7)) & (z > self.uniform(-50, 40))
            value = torch.where(cord, values[ROOT] * self.uniform(0.8, 1.4), value)
        return value

    def with_settled_roots(self, value: torch.Tensor, sac: torch.Tensor, values: list[float]) -> torch.Tensor:
        """Roots that lie on the back of the sac, as in a patient on the back: dark up to a level that changes along
        the spine, thinly or densely, over the whole width or, as the cord does, in the middle of it.

        Without these a network takes the fluid for the sac: on a real T2 half of the cord lay outside it.
        """
        x, y, z = self.axes_mm()
        back, front = torch.where(sac, y, 1e3).amin((0, 1)), torch.where(sac, y, -1e3).amax((0, 1))
        share = (self.uniform(0.1, 0.75) + 0.15 * self.field((2, 2, 7))[0].mean((0, 1))).clamp(0.0, 0.95)
        level = back + share * (front - back)  # where there is no sac, of no matter
        ripple = self.uniform(0.0, 1.2) * self.field((20, 20, 6))[0]
        settled = sac & (y < level[None, None] + ripple)
        if self.chance(0.3):
            middle = (torch.where(sac, x, 0.0).sum((0, 1)) / sac.sum((0, 1)).clamp(min=1))[None, None]
            settled = settled & ((x - middle).abs() < self.uniform(2.5, 6.0) + ripple)
        if self.chance(0.4):
            settled = settled & (z > self.uniform(-50, 40))
        dense = self.field((64, 64, 5))[0] > self.uniform(-2.5, 0.3)
        return torch.where(settled & dense, values[ROOT] * self.uniform(0.4, 1.3), value)

    def shifted_fat(self, value: torch.Tensor, codes: torch.Tensor) -> torch.Tensor:
        """Chemical shift: the fat's part of the image lies a little aside along one axis."""
        share = torch.zeros(len(CLASS_OF), device=self.device)
        share[[FAT, CANAL]] = 0.9
        share[list(ALL_BONE)] = 0.5
        fatty = value * share[codes.int()]
        steps = int(self.uniform(1, 5)) * (1 if self.chance(0.5) else -1)
        return value - fatty + torch.roll(fatty, steps, self.pick((1.0, 1.0, 1.0)))

    def scanned_mr(self, value: torch.Tensor) -> torch.Tensor:
        """Coil, slices, motion, voids, noise and gain at WORK_MM."""
        value = value * torch.exp(self.uniform(0.0, 0.45) * self.field(3, PATCH)[0])
        line = torch.linspace(-1.0, 1.0, PATCH, device=self.device) * PATCH / 2
        x, y, z = torch.meshgrid(line, line, line, indexing="ij")
        if self.chance(0.12):
            value = torch.where(y > self.uniform(5.0, 48.0), value * self.uniform(0.03, 0.4), value)
        if self.chance(0.05):
            off = (
                torch.sqrt(
                    (x - self.uniform(-40, 40)) ** 2
                    + (y - self.uniform(-40, 20)) ** 2
                    + (0.6 * (z - self.uniform(-40, 40))) ** 2
                )
                / self.uniform(6.0, 16.0)
                + 0.2 * self.field(6, PATCH)[0]
            )
            value = torch.where(off < 1.0, 0.0, torch.where(off < 1.15, value * 1.8, value))
        if self.chance(0.12):
            ghost = torch.roll(value, int(self.uniform(8, 40)), self.pick((1.0, 1.0, 1.0)))
            value = value + self.uniform(0.03, 0.15) * ghost
        spacing = [self.uniform(0.5, 1.2)] * 3
        kind = self.pick((0.72, 0.2, 0.08))
        if kind == 0:
            spacing[self.pick((0.5, 0.1, 0.4))] = self.uniform(1.5, 5.0)
        elif kind == 1:
            spacing = [self.uniform(0.8, 1.8)] * 3
        else:
            spacing = [self.uniform(1.8, 3.2)] * 3
        value = self.sliced(value, spacing)
        level = self.uniform(0.005, 0.06) if self.chance(0.85) else self.uniform(0.05, 0.13)
        real, other = (level * torch.randn(value.shape, generator=self.generator, device=self.device) for _ in range(2))
        value = torch.hypot(value + real, other)
        value = F.interpolate(value[None, None], size=[PATCH] * 3, mode="trilinear", align_corners=False)[0, 0]
        return value.clamp(min=1e-4) ** self.uniform(0.75, 1.3)


def is_in(codes: torch.Tensor, wanted: Sequence[int]) -> torch.Tensor:
    """Mask of the codes that are among some."""
    table = torch.zeros(len(CLASS_OF), dtype=torch.bool, device=codes.device)
    table[list(wanted)] = True
    return table[codes.int()]


def grown(mask: torch.Tensor, steps: int) -> torch.Tensor:
    """A mask grown by a number of cells along each axis."""
    for axis, size in enumerate(mask.shape):
        out = mask.clone()
        for n in range(1, steps + 1):
            out.narrow(axis, n, size - n).logical_or_(mask.narrow(axis, 0, size - n))
            out.narrow(axis, 0, size - n).logical_or_(mask.narrow(axis, n, size - n))
        mask = out
    return mask


def cored(mask: torch.Tensor, low: float, high: float) -> torch.Tensor:
    """0 at a mask's border, 1 deep inside: its local mean between two values."""
    mean = F.avg_pool3d(mask[None, None].float(), 4)
    for _ in range(2):
        mean = F.avg_pool3d(mean, 3, stride=1, padding=1)
    mean = F.interpolate(mean, scale_factor=4, mode="trilinear", align_corners=False)[0, 0]
    return ((mean - low) / (high - low)).clamp(0.0, 1.0)


def blurred(value: torch.Tensor, sigma: Sequence[float]) -> torch.Tensor:
    """A Gaussian blur with a standard deviation per axis, in voxels."""
    out = value[None, None]
    for axis, s in enumerate(sigma):
        if s < 0.15:
            continue
        reach = max(int(3 * s + 0.5), 1)
        kernel = torch.exp(-0.5 * (torch.arange(-reach, reach + 1, device=value.device) / s) ** 2)
        shape, pad = [1] * 5, [0] * 6
        shape[2 + axis] = 2 * reach + 1
        pad[4 - 2 * axis] = pad[5 - 2 * axis] = reach
        out = F.conv3d(F.pad(out, pad, mode="replicate"), (kernel / kernel.sum()).reshape(shape))
    return out[0, 0]


def by_number(hu: torch.Tensor) -> torch.Tensor:
    """HU as the network takes a CT; `recon.segmentation.network` does the same."""
    return hu.clamp(*CT_RANGE_HU) / CT_SCALE_HU


def scaled(value: torch.Tensor, low: torch.Tensor, high: torch.Tensor) -> torch.Tensor:
    """Values as the network takes them of any scan; `recon.segmentation.network` does the same."""
    return ((value - low) / (high - low)).clamp(*SCALED_RANGE) * SCALED_GAIN
