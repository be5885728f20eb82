"""Two workers: what needs streams, windows or quiet shares one, in good order."""

from __future__ import annotations

from pathlib import Path

import pytest

HERE = Path(__file__).parent
# These hold times to limits: they run last, when the other worker has little left.
TIMED = (HERE / "benchmarks", HERE / "live" / "test_faults.py")


def is_timed(item: pytest.Item) -> bool:
    """Whether a test holds the programs it starts to a time."""
    return any(item.path.is_relative_to(place) for place in TIMED)


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Keep live and timed tests on one worker, the timed ones at the end."""
    for item in items:
        if is_timed(item) or item.get_closest_marker("live"):
            item.add_marker(pytest.mark.xdist_group("live"))
    items.sort(key=is_timed)
