"""SIGTERM at any time ends a command as Ctrl-C does.

Source: reliability, appendix row 31: Ctrl-C or SIGTERM at any phase, 130.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
from pathlib import Path
from typing import NoReturn

import pytest

from calibkit.commands import publish
from calibkit.errors import InputError
from calibkit.joined import wiring_snapshot
from calibkit.joined.wiring_stop import Stop

CODE = """
import os, signal, time
from calibkit import cli

def dispatch(argv):
    try:
        os.kill(os.getpid(), signal.{name})
        time.sleep(30)
    finally:
        print("kept")  # what a session does on its way out

cli._dispatch = dispatch
cli.entry()
"""


@pytest.mark.skipif(os.name != "posix", reason="sends POSIX signals")
@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM"])
def test_told_to_end(name: str) -> None:
    done = subprocess.run(
        [sys.executable, "-c", CODE.format(name=name)],
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.returncode == 130
    assert done.stdout == "kept\n"
    assert done.stderr == "calibkit: interrupted\n"


SOON = """
import sys

class Told:
    def find_spec(self, name, path=None, target=None):
        if name == "calibkit.cli":
            raise KeyboardInterrupt

sys.meta_path.insert(0, Told())
from calibkit import __main__
__main__.entry()
"""


def test_told_to_end_while_the_first_of_it_loads() -> None:
    """Source: contract, command line: 130 interrupted; text is never a traceback."""
    done = subprocess.run(
        [sys.executable, "-c", SOON], capture_output=True, text=True, timeout=60
    )
    assert (done.returncode, done.stderr) == (130, "calibkit: interrupted\n")


READER = """
import json, os, signal
if {dies}:
    os.kill(os.getpid(), signal.SIGTERM)
print(json.dumps({{"session": os.getsid(0)}}))
"""


@pytest.mark.skipif(os.name != "posix", reason="sends POSIX signals")
def test_a_reader_that_was_told_to_end_is_no_damage(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A terminal's or a supervisor's signal to a whole group names no file.

    Source: POSIX, setsid(): a session of its own; systemd.kill(5): every process of
    a service is told to end.
    """
    monkeypatch.syspath_prepend(tmp_path)
    (tmp_path / "reads.py").write_text(READER.format(dies=False), encoding="utf-8")
    (tmp_path / "dies.py").write_text(READER.format(dies=True), encoding="utf-8")
    found = wiring_snapshot.asked("reads", (), "m.h5")
    assert found["session"] != os.getsid(0)
    with pytest.raises(InputError, match="told to end") as refusal:
        wiring_snapshot.asked("dies", (), "m.h5")
    assert "damaged" not in str(refusal.value)


@pytest.mark.parametrize("asked", [True, False])
def test_a_publisher_told_to_stop_while_it_reads_has_no_complaint(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, asked: bool
) -> None:
    """Source: contract, publish: SIGTERM ends it with 0."""

    def read(path: Path) -> NoReturn:
        raise InputError(f"the process that read {path} was told to end; again")

    monkeypatch.setattr(wiring_snapshot, "read", read)
    args = argparse.Namespace(home=tmp_path, person=None, mapping=tmp_path / "m.h5")
    stop = Stop()
    stop.asked = asked
    if asked:
        assert publish._kept(args, stop)[0] is None
    else:
        with pytest.raises(InputError):
            publish._kept(args, stop)
