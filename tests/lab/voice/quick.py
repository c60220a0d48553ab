"""The same model on processors that multiply in bfloat16: OpenVINO, about twice as fast.

The convolutions between the source of the voice and its last layer run in bfloat16, all that sets lengths, pitch and
phase in float32; the sound differs from that of `model` by less than -34 dB. Needs `pip install openvino`.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from tests.lab.voice.model import CACHE, LENGTHS, in_fractions

GENERATOR = "/decoder/decoder/generator/"
MIDDLE = tuple(GENERATOR + part for part in ("resblocks", "ups", "noise_res"))
STYLE = "/decoder/Slice_output_0"


def run(given: dict[str, np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    """Sound and lengths, as the whole model gives them."""
    (first, middle, last), inside = _parts()
    got = [np.array(one) for one in first(given).values()]
    made = [np.array(one) for one in middle(got[:inside]).values()]
    sound = next(iter(last([*made, *got[inside + 1 :]]).values()))
    return np.array(sound), got[inside]


@cache
def _parts() -> tuple[list[Any], int]:
    import openvino

    files = [CACHE / f"kokoro-part-{number}.onnx" for number in range(3)]
    inside = _split(files)
    core = openvino.Core()
    return [
        core.compile_model(
            core.read_model(str(file)), "CPU", {"INFERENCE_NUM_THREADS": 1, "INFERENCE_PRECISION_HINT": kind}
        )
        for file, kind in zip(files, ("f32", "bf16", "f32"), strict=True)
    ], inside


def _split(files: list[Path]) -> int:
    """Write the three parts; how many of the first part's outputs go into the second."""
    import onnx
    from onnx import TensorProto, helper

    model = onnx.load(str(in_fractions()))
    graph = model.graph
    _plain_lstm(graph)
    weights = {one.name for one in graph.initializer}
    maker = {out: node for node in graph.node for out in node.output}
    middle = _between(graph)
    used_by_middle = {name for node in graph.node if node.name in middle for name in node.input if name}
    inputs = sorted(n for n in used_by_middle - weights if n not in maker or maker[n].name not in middle)
    before, stack, seen = set(), [*inputs, LENGTHS], set()
    while stack:
        name = stack.pop()
        if name in maker and name not in seen:
            seen.add(name)
            before.add(maker[name].name)
            stack += list(maker[name].input)
    groups = [
        [node for node in graph.node if node.name in before],
        [node for node in graph.node if node.name in middle],
        [node for node in graph.node if node.name not in before and node.name not in middle],
    ]
    made = [{out for node in group for out in node.output} for group in groups]
    wanted = {name for node in groups[2] for name in node.input if name} - weights - made[2]
    outputs, also = sorted(wanted & made[1]), sorted(wanted & made[0])
    groups[1] = _without_sine(groups[1], graph)
    ends = (
        ([one.name for one in graph.input], [*inputs, LENGTHS, *also]),
        (inputs, outputs),
        ([*outputs, *also], [graph.output[0].name]),
    )
    known = {one.name: one for one in graph.input}

    def value(name: str) -> Any:
        if name in known:
            return known[name]
        shape = [1, 128] if name == STYLE else [1, f"{name}_c", f"{name}_t"]
        return helper.make_tensor_value_info(name, TensorProto.FLOAT, shape)

    for file, nodes, (into, out) in zip(files, groups, ends, strict=True):
        used = {name for node in nodes for name in node.input}
        part = helper.make_graph(
            nodes,
            "part",
            [value(name) for name in into],
            [helper.make_tensor_value_info(name, TensorProto.FLOAT, None) for name in out],
            [one for one in graph.initializer if one.name in used],
        )
        whole = helper.make_model(part, opset_imports=model.opset_import)
        whole.ir_version = model.ir_version
        onnx.save(whole, str(file))
    return len(inputs)


def _between(graph: Any) -> set[str]:
    """Nodes of the middle, and all that lie between two of them."""
    after: set[str] = set()
    before: set[str] = set()
    for node in graph.node:
        if node.name.startswith(MIDDLE) or any(name in after for name in node.input):
            after |= {node.name, *node.output}
    for node in reversed(graph.node):
        if node.name.startswith(MIDDLE) or any(out in before for out in node.output):
            before |= {node.name, *node.input}
    return {node.name for node in graph.node if node.name in after and node.name in before}


def _plain_lstm(graph: Any) -> None:
    """Recurrent layers with their weights in fractions, laid out as the standard has it."""
    from onnx import helper, numpy_helper

    weights = {one.name: one for one in graph.initializer}
    for place, node in enumerate(list(graph.node)):
        if node.op_type != "DynamicQuantizeLSTM":
            continue
        names = list(node.input)
        arrays = [numpy_helper.to_array(weights[names[one]]).astype(np.float32) for one in (1, 2, 8, 9, 10, 11)]
        w, r, w_scale, w_zero, r_scale, r_zero = arrays
        for name, array, scale, zero in (
            (f"{node.name}_w", w, w_scale, w_zero),
            (f"{node.name}_r", r, r_scale, r_zero),
        ):
            whole = (array - zero.reshape(-1, 1, 1)) * scale.reshape(-1, 1, 1)
            graph.initializer.append(numpy_helper.from_array(np.ascontiguousarray(whole.transpose(0, 2, 1)), name))
        given = [names[0], f"{node.name}_w", f"{node.name}_r", *names[3:8]]
        while given and not given[-1]:
            given.pop()
        new = helper.make_node("LSTM", given, list(node.output), name=f"{node.name}_plain")
        new.attribute.extend(node.attribute)
        graph.node.remove(node)
        graph.node.insert(place, new)


def _without_sine(nodes: list[Any], graph: Any) -> list[Any]:
    """The middle's sines, all of which are squared, as a polynomial: the sine itself is not done in bfloat16."""
    from onnx import helper, numpy_helper

    numbers = {"turn": 1 / np.pi, "half": np.pi, "one": 1.0, "third": -1 / 6, "fifth": 1 / 120, "seventh": -1 / 5040}
    for name, number in numbers.items():
        graph.initializer.append(numpy_helper.from_array(np.array(number, np.float32), name))
    found: list[Any] = []
    for node in nodes:
        if node.op_type != "Sin":
            found.append(node)
            continue

        def put(kind: str, *given: str, name: str = node.name) -> str:
            out = f"{name}_{len(found)}"
            found.append(helper.make_node(kind, list(given), [out], name=out))
            return out

        turns = put("Round", put("Mul", node.input[0], "turn"))
        rest = put("Sub", node.input[0], put("Mul", turns, "half"))
        square = put("Mul", rest, rest)
        sum_ = put("Add", put("Mul", square, "seventh"), "fifth")
        sum_ = put("Add", put("Mul", square, sum_), "third")
        sum_ = put("Add", put("Mul", square, sum_), "one")
        found.append(helper.make_node("Mul", [rest, sum_], [node.output[0]], name=f"{node.name}_end"))
    return found
