"""The home of dask: recordings worked on by the workers of a running scheduler.

Each Dask worker has a process of its own do the work (`crew.at_hand`), so that a
recording which crashes or hangs costs neither the worker nor the batch.
"""

from __future__ import annotations

import contextlib
import importlib.util
import logging
import os
import time
from collections.abc import Sequence
from concurrent.futures import Future
from pathlib import Path
from typing import Any

import calibkit
from calibkit.batch.crew import at_hand, put_away
from calibkit.batch.worker import Result, Task
from calibkit.errors import CallError, DeviceError

ANSWER_S = 10.0
WAIT_S = 30.0
COUNT_S = 5.0  # between looks at how many workers there are


class Cluster:
    """A Dask cluster that is running already.

    Parameters
    ----------
    address : str
        Of the scheduler.
    paths : sequence of path
        What every worker must be able to read.
    wait_s : float
        How long to wait for a first worker.

    Raises
    ------
    CallError
        When dask is not installed, a worker cannot see a path, or has another version
        of calibkit or none.
    DeviceError
        When the scheduler does not answer or has no workers.
    """

    def __init__(
        self, address: str, paths: Sequence[Path], wait_s: float = WAIT_S
    ) -> None:
        if importlib.util.find_spec("distributed") is None:
            raise CallError(
                "--scheduler needs Dask; run: pip install 'calibkit[cluster]'"
            )
        self._client = _connected(address)
        try:
            _check(self._client, address, [str(p.absolute()) for p in paths], wait_s)
        except BaseException:
            self._client.close()
            raise
        # Each task is another recording: nothing to remember, nothing to try again.
        self._executor = self._client.get_executor(pure=False, retries=0)
        self._hands, self._counted_s = 0, -COUNT_S

    @property
    def hands(self) -> int:
        """Threads of all workers, as many as there were some seconds ago."""
        if time.monotonic() - self._counted_s > COUNT_S:
            with contextlib.suppress(OSError, TimeoutError):  # soon said by a task
                self._hands = sum(self._client.nthreads().values())
            self._counted_s = time.monotonic()
        return self._hands

    def submit(self, task: Task) -> Future[Result]:
        """Have a task done by some worker."""
        return self._executor.submit(at_hand, task)

    def __enter__(self) -> Cluster:
        return self

    def __exit__(self, *error: object) -> None:
        self._executor.shutdown(wait=False)
        with contextlib.suppress(
            Exception
        ):  # a scheduler that has gone needs no thanks
            self._client.run(put_away, on_error="ignore")
        self._client.close()


def _connected(address: str) -> Any:
    from distributed import Client

    # What it logs with tracebacks when a scheduler goes, we say in one sentence.
    logging.getLogger("distributed.client").setLevel(logging.CRITICAL)
    try:
        return Client(address, timeout=ANSWER_S, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as error:
        raise DeviceError(
            f"the Dask scheduler {address} does not answer ({type(error).__name__}); "
            "check the address and that it runs"
        ) from error


def _check(client: Any, address: str, paths: list[str], wait_s: float) -> None:
    try:
        client.wait_for_workers(1, timeout=wait_s)
    except TimeoutError as error:
        raise DeviceError(
            f"the Dask scheduler {address} has no workers; start some with: dask "
            f"worker {address}"
        ) from error
    here = f"pip install 'calibkit[cluster]=={calibkit.__version__}'"
    try:
        found = client.run(probe, paths)
    except Exception as error:
        raise CallError(
            f"a Dask worker of {address} cannot load calibkit ({type(error).__name__}: "
            f"{error}); run there: {here}"
        ) from error
    for worker, (version, missing) in found.items():
        if version != calibkit.__version__:
            raise CallError(
                f"the Dask worker {worker} has calibkit {version}, here is "
                f"{calibkit.__version__}; run there: {here}"
            )
        if missing:
            raise CallError(
                f"the Dask worker {worker} cannot read {missing[0]}; keep recordings "
                "in a folder that all computers see under the same path"
            )


def probe(paths: list[str]) -> tuple[str, list[str]]:
    """Say which calibkit this is, and which paths cannot be read here."""
    return calibkit.__version__, [p for p in paths if not os.access(p, os.R_OK)]
