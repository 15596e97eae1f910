#!/usr/bin/env python3
"""Write a network whose enlarging steps take less time and half the memory, with the same scores but for rounding.

    .venv/bin/python scripts/quicken_network.py IN.onnx OUT.onnx [--steps 2]

Where features of a coarser scale are enlarged, set beside those of the finer one and convolved together, the two may as
well be convolved apart and added. And enlarging before a convolution comes to a convolution at the coarser scale that
gives all eight finer voxels of each at once: a kernel of its own for each of them, with no array of enlarged features.
It is longer along one side, and so runs near the machine's speed, which one of ten outputs does not.

A convolution of the enlarged array meets nothing beyond its ends; at the coarser scale the last voxel goes on there.
What comes of that is taken off again from the six outermost layers, so that the scores are the same up to the ends.
Needs the extra `train` (onnx); `--steps` counts enlargements from the finest, of which all but two cost little.
"""

from __future__ import annotations

import argparse
from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
import onnx
from onnx import helper, numpy_helper

Array = npt.NDArray[np.generic]

ENLARGED = np.array(
    [
        [[0.75, 0.25, 0.0], [0.25, 0.75, 0.0], [0.0, 0.75, 0.25]],
        [[0.25, 0.75, 0.0], [0.0, 0.75, 0.25], [0.0, 0.25, 0.75]],
    ]
)
"""(finer voxel of two, its neighbour before, itself and after, coarser voxel before, at and after): linear shares."""

AXES = (2, 3, 4)
FAR = 2**31 - 1


class _Graph:
    """Nodes and weights to be written, each under a name of its own."""

    def __init__(self) -> None:
        self.nodes: list[onnx.NodeProto] = []
        self.weights: list[onnx.TensorProto] = []

    def weight(self, values: npt.ArrayLike, kind: type = np.int64) -> str:
        """A constant array's name."""
        name = f"quick_weight_{len(self.weights)}"
        self.weights.append(numpy_helper.from_array(np.ascontiguousarray(values, dtype=kind), name))
        return name

    def add(self, kind: str, *inputs: str, out: str = "", **attributes: object) -> str:
        """The name of a new node's output."""
        name = out or f"quick_{len(self.nodes)}"
        self.nodes.append(helper.make_node(kind, list(inputs), [name], **attributes))
        return name

    def part(self, array: str, axis: int, start: int, stop: int) -> str:
        """A slice of an array along an axis."""
        return self.add("Slice", array, *(self.weight([n]) for n in (start, stop, axis)))


def coarse_kernel(kernel: Array) -> Array:
    """(8 outputs, inputs, 3, 3, 3): on coarse features what `kernel` (outputs, inputs, 3, 3, 3) is on enlarged ones."""
    phases = np.einsum("ocxyz,pxi,qyj,rzk->opqrcijk", kernel.astype(np.float64), *[ENLARGED] * 3)
    return np.asarray(phases.reshape(-1, *kernel.shape[1:]))


def enlarged_and_convolved(graph: _Graph, coarse: str, kernel: Array) -> str:
    """Features of the finer scale: those of the coarser one enlarged and convolved."""
    outputs = len(kernel)
    padded = graph.add("Pad", coarse, graph.weight([0, 0, 1, 1, 1] * 2), mode="edge")
    phases = graph.add("Conv", padded, graph.weight(coarse_kernel(kernel), np.float32), kernel_shape=[3, 3, 3])
    size = graph.add("Slice", graph.add("Shape", coarse), *(graph.weight([n]) for n in (2, 5, 0)))
    apart = graph.add("Concat", graph.weight([outputs, 2, 2, 2]), size, axis=0)
    woven = graph.add("Transpose", graph.add("Reshape", phases, apart), perm=[0, 4, 1, 5, 2, 6, 3])
    fine = graph.add("Concat", graph.weight([1, outputs]), graph.add("Mul", size, graph.weight([2, 2, 2])), axis=0)
    found = graph.add("Reshape", woven, fine)
    for axis in AXES:
        first = graph.add("Sub", graph.part(found, axis, 0, 1), _beyond(graph, coarse, kernel, axis, low=True))
        last = graph.add("Sub", graph.part(found, axis, -1, FAR), _beyond(graph, coarse, kernel, axis, low=False))
        found = graph.add("Concat", first, graph.part(found, axis, 1, -1), last, axis=axis)
    return found


def _beyond(graph: _Graph, coarse: str, kernel: Array, axis: int, *, low: bool) -> str:
    """What the voxels past one end of an axis add to the layer at that end; those past two ends count once."""
    end = graph.part(coarse, axis, *((0, 1) if low else (-1, FAR)))
    scales = [1.0 if a in (0, 1, axis) else 2.0 for a in range(5)]
    layer = graph.add(
        "Resize",
        end,
        "",
        graph.weight(scales, np.float32),
        mode="linear",
        coordinate_transformation_mode="half_pixel",
    )
    # Along axes that were done before the array goes on past its ends, along later ones it ends in nothing.
    done = [int(a < axis) for a in AXES]
    layer = graph.add("Pad", layer, graph.weight([0, 0, *done] * 2), mode="edge")
    flat = np.take(kernel, [0 if low else 2], axis=axis)
    ends = [int(a > axis) for a in AXES]
    return graph.add(
        "Conv", layer, graph.weight(flat, np.float32), kernel_shape=list(flat.shape[2:]), pads=[*ends, *ends]
    )


def quickened(model: onnx.ModelProto, steps: int) -> onnx.ModelProto:
    """The model with its last enlargements done at the coarser scale (changed in place)."""
    weights = {w.name.removesuffix("_half"): numpy_helper.to_array(w) for w in model.graph.initializer}
    made_by = {node.output[0]: node for node in model.graph.node}
    joins = [n for n in model.graph.node if n.op_type == "Conv" and _kind(made_by, n.input[0]) == "Concat"]
    graph, dropped = _Graph(), set()
    for node in model.graph.node:
        if node in joins[len(joins) - steps :]:
            join = made_by[node.input[0]]
            enlarged = made_by[join.input[1]]
            kernel, bias = (weights[name].astype(np.float32) for name in node.input[1:3])
            own = _channels(made_by, weights, join.input[0])
            kept = graph.add(
                "Conv",
                join.input[0],
                graph.weight(kernel[:, :own], np.float32),
                graph.weight(bias, np.float32),
                kernel_shape=[3, 3, 3],
                pads=[1] * 6,
            )
            added = enlarged_and_convolved(graph, enlarged.input[0], kernel[:, own:])
            graph.add("Add", kept, added, out=node.output[0])
            dropped |= {join.output[0], enlarged.output[0]} | set(node.input[1:3])
        else:
            graph.nodes.append(node)
    nodes = [node for node in graph.nodes if node.output[0] not in dropped]
    used = {name for node in nodes for name in node.input}
    kept_weights = [w for w in model.graph.initializer if w.name in used]
    del model.graph.node[:], model.graph.initializer[:]
    model.graph.node.extend(nodes)
    model.graph.initializer.extend([*kept_weights, *graph.weights])
    return model


def _kind(made_by: Mapping[str, onnx.NodeProto], name: str) -> str:
    return made_by[name].op_type if name in made_by else ""


def _channels(made_by: Mapping[str, onnx.NodeProto], weights: Mapping[str, Array], name: str) -> int:
    """How many features an activated convolution gives."""
    return len(weights[made_by[made_by[name].input[0]].input[1]])


def main() -> None:
    """Read, change, write."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("network", help="the network to read")
    parser.add_argument("out", help="the file to write")
    parser.add_argument("--steps", type=int, default=2, help="enlargements that are changed, from the finest")
    options = parser.parse_args()
    onnx.save(quickened(onnx.load(options.network), options.steps), options.out)


if __name__ == "__main__":
    main()
