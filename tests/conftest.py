"""Two workers at most: what needs streams, windows or quiet shares one, from the start.

The streaming library reads its settings once a process: a live test after others that
touched it finds no stream. What is held to a time runs last, when little else does.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from xdist.remote import Producer
    from xdist.scheduler import LoadScopeScheduling

HERE = Path(__file__).parent
TIMED = (HERE / "benchmarks", HERE / "live" / "test_faults.py")
LIVE = ("tests/benchmarks/", "tests/live/")


def is_timed(item: pytest.Item) -> bool:
    """Whether a test holds the programs it starts to a time."""
    return any(item.path.is_relative_to(place) for place in TIMED)


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the timed tests at the end."""
    items.sort(key=is_timed)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(
    config: pytest.Config, log: Producer
) -> LoadScopeScheduling:
    """All live tests to one worker, first; of the others a file at a time."""
    from xdist.scheduler import LoadScopeScheduling

    class LiveFirst(LoadScopeScheduling):  # type: ignore[misc]
        def _split_scope(self, nodeid: str) -> str:
            return "live" if nodeid.startswith(LIVE) else nodeid.split("::")[0]

    config.option.loadscopereorder = False
    return LiveFirst(config, log)
