"""The networks' runtime: LiteRT, or OpenCV's own reader where that is missing.

The runtimes name and order outputs differently, so an output is known by its size. One
that comes without an output of the expected size is refused at the start: OpenCV 5.0
loses second outputs, and would answer nonsense later.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from calibkit.camera import vision
from calibkit.errors import DeviceError

RUNTIMES = ("litert", "opencv")
Picture = NDArray[np.float32]
Outputs = Mapping[int, NDArray[np.float64]]


class Network(Protocol):
    """A picture (h, w, 3) in, arrays by their number of elements out."""

    def __call__(self, picture: Picture) -> Outputs: ...  # noqa: D102


class _LiteRt:
    def __init__(self, content: bytes) -> None:
        from ai_edge_litert.interpreter import Interpreter

        with _hushed():  # it announces on standard error that it starts
            self._run = Interpreter(model_content=content, num_threads=1)
            self._run.allocate_tensors()
        self._input = self._run.get_input_details()[0]["index"]
        self._outputs = [one["index"] for one in self._run.get_output_details()]

    def __call__(self, picture: Picture) -> Outputs:
        self._run.set_tensor(self._input, picture[None])
        self._run.invoke()
        return _by_size([self._run.get_tensor(index) for index in self._outputs])


class _OpenCv:
    def __init__(self, content: bytes) -> None:
        self._net = vision.network(content)
        self._names = self._net.getUnconnectedOutLayersNames()

    def __call__(self, picture: Picture) -> Outputs:
        self._net.setInput(np.ascontiguousarray(picture.transpose(2, 0, 1)[None]))
        return _by_size(self._net.forward(self._names))


def _by_size(arrays: Sequence[NDArray[Any]]) -> Outputs:
    flat = [np.asarray(array, float).ravel() for array in arrays]
    return {array.size: array for array in flat}


@contextlib.contextmanager
def _hushed() -> Iterator[None]:
    """Keep what a library writes to standard error by itself from the operator."""
    try:
        kept = os.dup(2)
    except OSError:
        yield
        return
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 2)
    try:
        yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)
        os.close(nowhere)


def runtime() -> str:
    """Which runtime is used here: LiteRT where it can be loaded, else OpenCV's."""
    try:
        import ai_edge_litert.interpreter
    except ImportError:
        return "opencv"
    del ai_edge_litert
    return "litert"


def load(
    name: str, content: bytes, side: int, sizes: Sequence[int], kind: str | None = None
) -> Network:
    """Load a network and try it on a grey picture.

    Parameters
    ----------
    name : str
        For messages.
    content : bytes
        The model file.
    side : int
        Of the square input, pixels.
    sizes : sequence of int
        Numbers of elements of the outputs that it must have.
    kind : {"litert", "opencv"}, optional
        The runtime; by default the one that `runtime` names.

    Raises
    ------
    DeviceError
        When it cannot be read, or lacks one of these outputs.
    """
    kind = kind or runtime()
    try:
        net: Network = (_LiteRt if kind == "litert" else _OpenCv)(content)
        answer = net(np.full((side, side, 3), 0.5, np.float32))
    except DeviceError:
        raise
    except Exception as problem:
        raise DeviceError(
            f"the {name} model cannot be read by {kind} ({_first_line(problem)}); run: "
            f"{vision.INSTALL}"
        ) from problem
    missing = sorted(set(sizes) - answer.keys())
    if missing:
        with_version = f"OpenCV {vision.version()}" if kind == "opencv" else kind
        raise DeviceError(
            f"the {name} model gives no output of {missing[0]} numbers with "
            f"{with_version}, which is known to lose outputs; install LiteRT: "
            f"{vision.INSTALL}"
        )
    return net


def _first_line(problem: Exception) -> str:
    return (str(problem).strip().splitlines() or [type(problem).__name__])[0][:120]
