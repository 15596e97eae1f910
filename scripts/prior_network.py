"""The network of `scripts/train_prior.py`: its layers, its loss, and the file it is used from."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import onnx
import torch
from prior_codes import CLASSES
from torch import nn
from torch.nn import functional as F  # noqa: N812


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
        found: torch.Tensor = self.layers(x)
        return found


class Network(nn.Module):
    """A U-shaped network of 4.7 million weights; five scales, 1 to 16 mm.

    Coarser features are brought to a scale's own width before they are enlarged, and added to it rather than set beside
    it: the finest scale costs most of the time, and this halves it.
    """

    WIDTHS = (16, 32, 64, 144, 224)

    def __init__(self) -> None:
        super().__init__()
        w = self.WIDTHS
        self.down = nn.ModuleList(Block(a, b) for a, b in zip((1, *w), w, strict=False))
        coarser = list(reversed(range(len(w) - 1)))
        self.narrow = nn.ModuleList(nn.Conv3d(w[n + 1], w[n], 1) for n in coarser)
        self.up = nn.ModuleList(Block(w[n], w[n]) for n in coarser)
        self.head = nn.Conv3d(w[0], CLASSES, 1)

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        """(N, CLASSES, ...) scores."""
        kept = []
        for n, block in enumerate(self.down):
            x = block(F.max_pool3d(x, 2) if n else x)
            kept.append(x)
        for narrow, block, other in zip(self.narrow, self.up, kept[-2::-1], strict=True):
            x = F.interpolate(narrow(x), scale_factor=2.0, mode="trilinear", align_corners=False)
            x = block(x + other)
        found: torch.Tensor = self.head(x)
        return found


def loss_of(scores: torch.Tensor, classes: torch.Tensor, weight: torch.Tensor) -> torch.Tensor:
    """Cross entropy and soft Dice, halves each."""
    entropy = F.cross_entropy(scores, classes, weight=weight)
    share = scores.softmax(1)
    truth = F.one_hot(classes, CLASSES).movedim(-1, 1).to(share.dtype)
    both, sizes = (share * truth).sum((0, 2, 3, 4)), (share + truth).sum((0, 2, 3, 4))
    dice = (2 * both + 20.0) / (sizes + 20.0)
    return entropy + 1.0 - dice.mean()


def write_network(network: Network, path: Path) -> None:
    """Write the network for use: weights in half precision (half the file), sums in single."""
    free = {0: "n", 2: "x", 3: "y", 4: "z"}
    torch.onnx.export(
        network,
        (torch.zeros(1, 1, 32, 32, 32),),
        str(path),
        dynamo=False,
        input_names=["value"],
        output_names=["scores"],
        dynamic_axes={"value": free, "scores": free},
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
