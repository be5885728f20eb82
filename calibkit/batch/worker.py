"""A process that works recordings off: a line with a task in, one with a result out.

Started as a module of ours (never by `multiprocessing`, which would run a caller's
unguarded script again). It ends when nobody can give it work any more.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import signal
import sys
import traceback
import warnings
from functools import lru_cache
from pathlib import Path
from typing import IO, Any

import calibkit
from calibkit import language
from calibkit.batch.columns import Row
from calibkit.batch.settings import Settings
from calibkit.errors import CalibkitError, InputError, StorageError

Task = dict[str, Any]
Result = dict[str, Any]
_OTHER = re.compile(r" is a 'calibkit-(?!recording')[a-z]+' file")
KNOWN = (0, 3)  # what a file gives once it gives again; all else may pass


def main() -> None:
    """Answer tasks from standard input until it closes."""
    answers = _quiet()
    language.choose(language.SOURCE)  # rows must not depend on who reads them
    with contextlib.suppress(AttributeError, ValueError):
        signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for who gives work
    for line in sys.stdin.buffer:
        task: Task = json.loads(line)
        _alarm(task["limit_s"] + 30.0)
        result = work(task)
        _alarm(0.0)
        answers.write(json.dumps(result, allow_nan=False).encode() + b"\n")
        answers.flush()


def _quiet() -> IO[bytes]:
    """Keep standard output for answers alone: no library may print into it."""
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    return answers


def _alarm(seconds: float) -> None:
    """End this process, should it hang after whoever watches it has gone."""
    if hasattr(signal, "setitimer"):
        signal.setitimer(signal.ITIMER_REAL, seconds)


def work(task: Task) -> Result:
    """Do one task; whatever happens to it is said in the result.

    Parameters
    ----------
    task : dict
        `path`, `sha256`, `settings`, `version`, `limit_s`.

    Returns
    -------
    dict
        `sha256`, `status`, `exit_status`, `message`, `rows`, `targets`, `detail`, and
        `keep`: whether the same file would give the same again.
    """
    rows: list[Row] = []
    targets: list[list[Any]] = []
    error: Exception | None = None
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        try:
            _work(task, rows, targets)
        except Exception as problem:
            error = problem
    status, message = _said(error, task["path"])
    notes = [_without(str(one.message), task["path"]) for one in caught]
    rows = rows or [{"calibkit": calibkit.__version__}]
    if error is not None and _OTHER.search(str(error)):
        rows[0]["status"] = "other"
    for row in rows:
        row.setdefault("eyes", task["settings"]["eyes"])
        row["status"] = row.get("status", "failed")
        row["exit_status"], row["message"] = status, message
        known = [row["notes"]] if row.get("notes") else []
        row["notes"] = "; ".join([*known, *dict.fromkeys(notes)])
    unforeseen = error is not None and not isinstance(error, CalibkitError)
    return {
        "sha256": task["sha256"],
        "rows": rows,
        "targets": targets,
        "keep": status in KNOWN and not isinstance(error, _Changed),
        "detail": "".join(traceback.format_exception(error)) if unforeseen else "",
    }


class _Changed(InputError):
    """The file is no longer the one that was listed."""


def _work(task: Task, rows: list[Row], targets: list[list[Any]]) -> None:
    from calibkit.batch.judging import judge
    from calibkit.kept.recording import Recording
    from calibkit.kept.store import sha256_of

    settings = Settings.of(task["settings"])
    prior = _prior(settings.shared, settings.shared_sha256)
    rec = Recording.load(task["path"])
    if sha256_of(task["path"]) != task["sha256"]:
        raise _Changed(f"{task['path']} changed while it was read; run the batch again")
    judge(rec, settings, prior, rows, targets)


@lru_cache(maxsize=1)
def _prior(shared: str, sha256: str) -> Any:
    from calibkit.fitted.fitting import load_prior
    from calibkit.kept.store import sha256_of

    if not shared:
        return None
    try:
        same = not sha256 or sha256_of(shared) == sha256
        if same:
            return load_prior(shared)
    except InputError:
        same = False
    raise StorageError(
        f"{shared}, which each fit starts from, changed during the batch or cannot be "
        "read here; run the batch again"
    )


def _said(error: Exception | None, path: str) -> tuple[int, str]:
    if error is None:
        return 0, ""
    if isinstance(error, CalibkitError):
        return error.exit_status, _without(str(error), path)
    kind = "memory ran out" if isinstance(error, MemoryError) else type(error).__name__
    return 1, (
        f"a defect in calibkit stopped this ({kind}); the details are in the progress "
        "file beside the table"
    )


def _without(text: str, path: str) -> str:
    """Say it of any copy of the file: rows must not depend on where it lies."""
    return text.replace(str(Path(path)), "the recording")


if __name__ == "__main__":
    main()
