"""Processes of this machine that work recordings off, each watched by one thread.

A recording that ends the process, or takes too long, costs that process and no other:
its row says so, and a new process goes on.
"""

from __future__ import annotations

import contextlib
import json
import os
import queue
import subprocess
import sys
import threading
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from pathlib import Path
from typing import Any, Protocol

import calibkit
from calibkit.batch.worker import Result, Task
from calibkit.errors import StorageError

TRIES = 2  # a process may be ended by something else than the recording
_ONE_THREAD = (
    "OPENBLAS_NUM_THREADS",
    "OMP_NUM_THREADS",
    "MKL_NUM_THREADS",
    "VECLIB_MAXIMUM_THREADS",
    "NUMEXPR_NUM_THREADS",
)


class Engine(Protocol):
    """What gives tasks to whoever works."""

    @property
    def hands(self) -> int:
        """How many tasks are worked on at once, as far as is known."""

    def submit(self, task: Task) -> Future[Result]:
        """Have a task done."""

    def __enter__(self) -> object: ...

    def __exit__(self, *error: object) -> None: ...


class Worker:
    """One process, started when it is first needed.

    Parameters
    ----------
    command : tuple of str
        For tests; this Python on `calibkit.batch.worker` by default.
    """

    def __init__(self, command: tuple[str, ...] = ()) -> None:
        # -P: a module lying in the working folder is never imported.
        ours = (sys.executable, "-P", "-W", "ignore", "-m", "calibkit.batch.worker")
        self._command = command or ours
        self._process: subprocess.Popen[bytes] | None = None
        self._closed = False

    def do(self, task: Task) -> Result:
        """Have a task done, in a new process where the last one did not live.

        Raises
        ------
        StorageError
            When no process can be started.
        """
        why = ""
        for _ in range(TRIES):
            answer, why = self._once(task)
            if answer is not None:
                return answer
            if self._closed or "longer" in why:
                break
        return lost(task, why)

    def close(self) -> None:
        """End the process, whatever it does."""
        self._closed = True
        self._end()

    def _once(self, task: Task) -> tuple[Result | None, str]:
        process = self._process = self._process or self._start()
        if self._closed:  # while it started
            self._end()
            return None, "was left alone: the batch ended"
        late = threading.Event()

        def give_up() -> None:
            late.set()
            process.kill()

        timer = threading.Timer(task["limit_s"], give_up)
        timer.daemon = True
        timer.start()
        try:
            assert process.stdin is not None
            assert process.stdout is not None
            process.stdin.write(json.dumps(task).encode() + b"\n")
            process.stdin.flush()
            return json.loads(process.stdout.readline()), ""
        except (OSError, ValueError):
            self._end()
        finally:
            timer.cancel()
        if late.is_set():
            return None, f"took longer than {task['limit_s']:g} s"
        return None, f"ended the process that worked on it ({_ending(process)})"

    def _start(self) -> subprocess.Popen[bytes]:
        here = str(Path(calibkit.__file__).resolve().parent.parent)
        known = [p for p in sys.path if p]
        paths = known if here in known else [*known, here]
        one = dict.fromkeys(_ONE_THREAD, "1")
        try:
            return subprocess.Popen(
                self._command,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                env=os.environ | one | {"PYTHONPATH": os.pathsep.join(paths)},
            )
        except OSError as error:
            raise StorageError(
                f"no process to work on recordings could be started ({error}); check "
                "the Python installation, or use fewer --workers"
            ) from error

    def _end(self) -> None:
        process, self._process = self._process, None
        if process is None:
            return
        process.kill()
        process.wait()
        for pipe in (process.stdin, process.stdout):
            with contextlib.suppress(OSError):
                if pipe is not None:
                    pipe.close()


class Crew:
    """Some processes of this machine.

    Parameters
    ----------
    count : int
    command : tuple of str
        As for `Worker`.
    """

    def __init__(self, count: int, command: tuple[str, ...] = ()) -> None:
        self.hands = count
        self._workers = [Worker(command) for _ in range(count)]
        self._idle: queue.SimpleQueue[Worker] = queue.SimpleQueue()
        for worker in self._workers:
            self._idle.put(worker)
        self._threads: Executor = ThreadPoolExecutor(count)

    def submit(self, task: Task) -> Future[Result]:
        """Have a task done by the next process that is free."""
        return self._threads.submit(self._do, task)

    def _do(self, task: Task) -> Result:
        worker = self._idle.get()
        try:
            return worker.do(task)
        finally:
            self._idle.put(worker)

    def __enter__(self) -> Crew:
        return self

    def __exit__(self, *error: object) -> None:
        self._threads.shutdown(wait=False, cancel_futures=True)
        for worker in self._workers:
            worker.close()
        self._threads.shutdown(wait=True)


def lost(task: Task, why: str) -> Result:
    """Return the result of a task that nobody could finish; it is not kept."""
    row: dict[str, Any] = {
        "eyes": task["settings"]["eyes"],
        "status": "failed",
        "exit_status": 1,
        "message": f"the recording {why}; look at it alone with calibkit fit",
        "calibkit": calibkit.__version__,
    }
    return {
        "sha256": task["sha256"],
        "rows": [row],
        "targets": [],
        "keep": False,
        "detail": "",
    }


def _ending(process: subprocess.Popen[bytes]) -> str:
    code = process.returncode
    return f"signal {-code}" if code is not None and code < 0 else f"status {code}"


_idle: queue.SimpleQueue[Worker] = queue.SimpleQueue()


def at_hand(task: Task) -> Result:
    """Do a task in a process of this machine: what a far machine is asked for."""
    if task["version"] != calibkit.__version__:
        return lost(
            task,
            f"met a worker with calibkit {calibkit.__version__} instead of "
            f"{task['version']}: install the same version there",
        )
    try:
        worker = _idle.get_nowait()
    except queue.Empty:
        worker = Worker()
    try:
        return worker.do(task)
    finally:
        _idle.put(worker)


def put_away() -> None:
    """End the processes that `at_hand` keeps for the next task; busy ones stay."""
    with contextlib.suppress(queue.Empty):
        while True:
            _idle.get_nowait().close()
