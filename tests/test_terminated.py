"""SIGTERM at any time ends a command as Ctrl-C does.

Source: reliability, appendix row 31: Ctrl-C or SIGTERM at any phase, 130.
"""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

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
