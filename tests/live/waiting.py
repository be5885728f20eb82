"""Waiting for what other programs do."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any


def until(check: Callable[[], Any], wait_s: float = 20.0) -> Any:
    """Return the first answer that is true."""
    end_s = time.monotonic() + wait_s
    while time.monotonic() < end_s:
        answer = check()
        if answer:
            return answer
        time.sleep(0.02)
    raise AssertionError(f"nothing in {wait_s} s")
