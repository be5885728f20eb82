"""What is in use is held, and who holds it is named."""

from __future__ import annotations

import os
from pathlib import Path
from types import SimpleNamespace

import pytest

from calibkit.cli import main
from calibkit.errors import CallError
from calibkit.joined import run_live, wiring_claim
from calibkit.kept import lock

CALIBRATE = ("calibrate", "--person", "wren", "--headless", "--seed", "3")


def test_a_lock_tells_its_holder_and_goes_with_it(tmp_path: Path) -> None:
    """Source: flock(2): two open files of one name exclude one another."""
    path = lock.named(tmp_path, "thing", "a b/\u00fc")
    assert path.parent == tmp_path
    assert lock.holder(path) == ""
    held = lock.take(path, 4242)
    assert held is not None
    assert lock.take(path, 4343) is None
    assert lock.holder(path) == "4242"
    held.close()
    held.close()  # a second time closes nothing of somebody else's
    assert lock.holder(path) == ""
    again = lock.take(path, 4343)
    assert again is not None
    assert lock.holder(path) == "4343"
    again.close()


def test_a_lock_needs_nothing_that_windows_lacks(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Source: Python's `os`: pread and pwrite are Unix only. By injection."""
    for name in ("pread", "pwrite"):
        monkeypatch.delattr(os, name)
    held = lock.take(tmp_path / "one.lock", 123456)
    assert held is not None
    lock.note(held.handle, "42 a")
    assert lock.holder(tmp_path / "one.lock") == "42"
    held.close()
    again = lock.take(tmp_path / "one.lock", 7)
    assert again is not None
    assert (tmp_path / "one.lock").read_text() == "7"
    again.close()


def test_what_somebody_talks_by_is_not_deleted(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Source: reliability.md, NEVER (7): never delete a mapping in use."""
    kept: list[lock.Held | None] = []
    take = lock.take
    monkeypatch.setattr(lock, "take", lambda *args: kept.append(take(*args)))
    home = ("--home", str(tmp_path))
    assert main([*CALIBRATE, "--protocol", "quick", *home]) == 0
    wiring_claim.use(tmp_path, "wren", 4242)
    before = sorted(tmp_path.rglob("*"))
    capsys.readouterr()
    assert main(["profiles", "delete", "wren", "--yes", *home]) == 2
    assert "process 4242" in capsys.readouterr().err
    assert sorted(tmp_path.rglob("*")) == before
    assert kept[0] is not None
    kept[0].close()
    assert main(["profiles", "delete", "wren", "--yes", *home]) == 0
    assert not [path for path in tmp_path.rglob("*") if path.is_file()]


def test_a_tracker_has_one_session_at_a_time(tmp_path: Path) -> None:
    """Source: reliability.md, bad input 32: a second instance is told who holds it."""

    def stream(source_id: str, name: str = "eyes") -> run_live.Stream:
        inlet = SimpleNamespace(source_id=source_id, name=name)
        return SimpleNamespace(inlet=inlet)  # type: ignore[return-value]

    first = run_live.alone(tmp_path, stream("tracker-1"))
    assert first is not None
    with pytest.raises(CallError, match=r"process \d+ holds a session"):
        run_live.alone(tmp_path, stream("tracker-1"))
    other = run_live.alone(tmp_path, stream("tracker-2"))
    assert other is not None
    first.close()
    again = run_live.alone(tmp_path, stream("tracker-1"))
    assert again is not None
    for held in (other, again):
        held.close()
    # A disk that cannot be written is the recording's to tell.
    assert run_live.alone(tmp_path / "missing", stream("tracker-1")) is None
