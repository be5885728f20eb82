"""A network of its own for each test run, and programs that never outlive a test."""

from __future__ import annotations

import os
import platform
import secrets
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from calibkit.streams import lsl_config

Program = subprocess.Popen[str]


@pytest.fixture(scope="session", autouse=True)
def network(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Streams of this run only: the library reads its settings once a process."""
    path = tmp_path_factory.mktemp("network") / "lsl.cfg"
    text = lsl_config.configuration(platform.system(), f"test-{secrets.token_hex(6)}")
    path.write_text(text)
    before = os.environ.get("LSLAPICFG")
    os.environ["LSLAPICFG"] = str(path)
    yield path
    if before is None:
        del os.environ["LSLAPICFG"]
    else:
        os.environ["LSLAPICFG"] = before


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Callable[..., Program]]:
    """Start `calibkit` with arguments, in a home of the test's own."""
    running: list[Program] = []

    def begin(*arguments: object, code: str = "") -> Program:
        command = [sys.executable, *(["-c", code] if code else ["-m", "calibkit"])]
        program = subprocess.Popen(
            [*command, *map(str, arguments)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            cwd=tmp_path,
            env=os.environ | {"CALIBKIT_HOME": str(tmp_path / "home")},
        )
        running.append(program)
        return program

    yield begin
    for program in running:
        if program.poll() is None:
            if hasattr(signal, "SIGCONT"):
                program.send_signal(signal.SIGCONT)
            program.kill()
        program.communicate(timeout=10)
