"""Kaldi's and OpenFst's binary files, as far as a model folder needs them.

Source of the layouts: the `Write` methods of Kaldi's TransitionModel,
HmmTopology, CompressedMatrix, nnet3 components and AmNnetSimple, and of
OpenFst's VectorFst. Weights are stored in one byte each ("CM"), which Kaldi
expands when it reads a matrix.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

FST_MAGIC = 2125659606
EXPANDED_MUTABLE = 0x3
OLABEL_SORTED = 0x40000000
ILABEL_SORTED = 0x10000000


@dataclass(frozen=True)
class Arc:
    """One arc: input and output label (0: none), cost, next state."""

    ilabel: int
    olabel: int
    cost: float
    to: int


def token(name: str) -> bytes:
    return name.encode() + b" "


def integer(value: int) -> bytes:
    return struct.pack("<bi", 4, value)


def single(value: float) -> bytes:
    return struct.pack("<bf", 4, value)


def double(value: float) -> bytes:
    return struct.pack("<bd", 8, value)


def integers(values: Sequence[int]) -> bytes:
    return struct.pack("<bi", 4, len(values)) + np.asarray(values, dtype="<i4").tobytes()


def vector(values: Sequence[float] | np.ndarray) -> bytes:
    data = np.asarray(values, dtype="<f4")
    return token("FV") + integer(len(data)) + data.tobytes()


def matrix(values: np.ndarray) -> bytes:
    """One byte a weight: each column in 64, 128 and 63 even steps between its least, lower quartile, upper quartile and
    greatest, which are themselves stored in two bytes."""
    marks, low, spread = _marks(values)
    edges = low + marks * (spread / 65535)
    steps = np.empty(values.shape)
    for column, (at, edge) in enumerate(zip(values.T, edges, strict=True)):
        steps[:, column] = np.interp(at, edge, STEPS)
    packed = np.round(steps).astype("u1").T.tobytes()
    return token("CM") + struct.pack("<ffii", low, spread, *values.shape) + marks.astype("<u2").tobytes() + packed


STEPS = (0, 64, 192, 255)
"""What stands for a column's least, quartiles and greatest."""


def _marks(values: np.ndarray) -> tuple[np.ndarray, np.float32, np.float32]:
    """Of each column the least, the quartiles and the greatest, in 65,535 even steps of the whole matrix's span."""
    data = np.asarray(values, dtype=np.float64)
    low = np.float32(data.min())
    spread = np.float32(max(float(data.max()) - float(low), 1e-10))
    found = np.quantile(data, (0, 0.25, 0.75, 1), axis=0).T
    marks = np.clip(np.round((found - low) / spread * 65535), 0, 65532)
    for later in (1, 2, 3):  # Kaldi divides by the distances
        marks[:, later] = np.maximum(marks[:, later], marks[:, later - 1] + 1)
    return marks, low, spread


def unpacked(data: bytes, at: int) -> tuple[np.ndarray, int]:
    """The weights of a matrix as Kaldi reads them back, and where the next thing begins. at: of its first sign.

    Reads one byte a weight ("CM") and two ("CM2"). Raises ValueError.
    """
    kind = data[at : at + 4]
    if kind == b"CM2 ":
        low, spread, rows, columns = struct.unpack_from("<ffii", data, at + 4)
        steps = np.frombuffer(data, "<u2", rows * columns, at + 20).reshape(rows, columns)
        return np.float64(low) + steps * (float(spread) / 65535), at + 20 + 2 * rows * columns
    if kind[:3] != b"CM ":
        raise ValueError("no packed matrix begins there")
    low, spread, rows, columns = struct.unpack_from("<ffii", data, at + 3)
    marks = np.frombuffer(data, "<u2", 4 * columns, at + 19).reshape(columns, 4)
    edges = np.float64(low) + marks * (float(spread) / 65535)
    at += 19 + 8 * columns
    steps = np.frombuffer(data, "u1", rows * columns, at).reshape(columns, rows)
    return np.stack([np.interp(*pair) for pair in zip(steps, [STEPS] * columns, edges, strict=True)], axis=1), (
        at + rows * columns
    )


def stored(values: np.ndarray) -> np.ndarray:
    """The weights as Kaldi will read them back from `matrix`."""
    return unpacked(matrix(values), 0)[0]


def affine(weights: np.ndarray, bias: np.ndarray) -> bytes:
    return (
        token("<FixedAffineComponent>") + token("<LinearParams>") + matrix(weights)
        + token("<BiasParams>") + vector(bias) + token("</FixedAffineComponent>")
    )  # fmt: skip


def nonlinear(kind: str, size: int) -> bytes:
    """kind: "RectifiedLinearComponent" or "LogSoftmaxComponent"."""
    nothing = vector([])
    return b"".join(
        [token(f"<{kind}>"), token("<Dim>"), integer(size), token("<ValueAvg>"), nothing, token("<DerivAvg>"), nothing,
         token("<Count>"), double(0), token("<OderivRms>"), nothing, token("<OderivCount>"), double(0),
         token("<NumDimsSelfRepaired>"), double(0), token("<NumDimsProcessed>"), double(0), token(f"</{kind}>")]
    )  # fmt: skip


def topology(
    phones: Sequence[int], entry_of: Sequence[int], entries: Sequence[Sequence[tuple[int, Sequence[tuple[int, float]]]]]
) -> bytes:
    """phones: ids from 1. entry_of: for ids 0 to the last, the entry (-1: none).

    entries: states of (pdf class or -1, transitions of (state, chance)).
    """
    out = [token("<Topology>"), integers(phones), integers(entry_of), integer(len(entries))]
    for states in entries:
        out.append(integer(len(states)))
        for pdf_class, transitions in states:
            out += [integer(pdf_class), integer(len(transitions))]
            out += [integer(state) + single(chance) for state, chance in transitions]
    return b"".join([*out, token("</Topology>")])


def transition_model(topo: bytes, tuples: Sequence[tuple[int, int, int, int]], chances: Sequence[float]) -> bytes:
    """tuples: sorted (phone, state, forward pdf, self-loop pdf). chances: of transition ids 1 and up."""
    logs = [0.0, *(math.log(one) for one in chances)]
    rows = b"".join(integer(value) for row in tuples for value in row)
    return (
        token("<TransitionModel>") + topo + token("<Tuples>") + integer(len(tuples)) + rows + token("</Tuples>")
        + token("<LogProbs>") + vector(logs) + token("</LogProbs>") + token("</TransitionModel>")
    )  # fmt: skip


def nnet(
    config: Sequence[str], components: Sequence[tuple[str, bytes]], left: int, right: int, priors: Sequence[float]
) -> bytes:
    """config: nnet3 config lines. components: (name, bytes). left, right: context in frames. priors: may be empty."""
    head = token("<Nnet3>") + ("\n" + "\n".join(config) + "\n\n").encode()
    body = b"".join(token("<ComponentName>") + token(name) + data for name, data in components)
    tail = token("</Nnet3>") + token("<LeftContext>") + integer(left) + token("<RightContext>") + integer(right)
    return head + token("<NumComponents>") + integer(len(components)) + body + tail + token("<Priors>") + vector(priors)


def vector_fst(states: Sequence[Sequence[Arc]], finals: dict[int, float], start: int = 0, by: str = "olabel") -> bytes:
    """A VectorFst over standard arcs. finals: state -> cost. by: the label that arcs are sorted by."""
    properties = EXPANDED_MUTABLE | (OLABEL_SORTED if by == "olabel" else ILABEL_SORTED)
    out = [struct.pack("<i", FST_MAGIC)]
    for name in (b"vector", b"standard"):
        out.append(struct.pack("<i", len(name)) + name)
    out.append(struct.pack("<iiQqqq", 2, 0, properties, start, len(states), sum(len(arcs) for arcs in states)))
    for number, arcs in enumerate(states):
        out.append(struct.pack("<fq", finals.get(number, math.inf), len(arcs)))
        for arc in sorted(arcs, key=lambda one: (getattr(one, by), one.to)):
            out.append(struct.pack("<iifi", arc.ilabel, arc.olabel, arc.cost, arc.to))
    return b"".join(out)
