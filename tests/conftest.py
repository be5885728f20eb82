"""What is held to a time runs last, when other workers have little left."""

from __future__ import annotations

from pathlib import Path

import pytest

HERE = Path(__file__).parent
TIMED = (HERE / "benchmarks", HERE / "live" / "test_faults.py")


def is_timed(item: pytest.Item) -> bool:
    """Whether a test holds the programs it starts to a time."""
    return any(item.path.is_relative_to(place) for place in TIMED)


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the timed tests at the end."""
    items.sort(key=is_timed)
