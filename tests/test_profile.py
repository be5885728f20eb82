"""A mapping once saved is never lost, never wrong silently, and leaves when told to."""

from __future__ import annotations

import errno
import hashlib
import json
import os
import stat
import subprocess
import sys
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from storing import leftovers, one_line, same, scaled

from calibkit.errors import CallError, InputError, StorageError
from calibkit.kept import disk, profile, snapshot, store
from calibkit.kept.profile import Version

WHO = "p-01"


def tree(number: float) -> store.Tree:
    return store.Tree(
        attrs={"/mapping": {"number": number}},
        data={"/mapping/weights": np.full((3, 2), float(number))},
    )


def save(home: Path, number: float, **more: object) -> Version:
    options: dict[str, object] = {
        "created": f"2026-11-{int(number):02d}T00:00:00Z",
        "summary": {"accuracy_deg": number},
        **more,
    }
    return profile.save(home, WHO, tree(number), {"number": number}, **options)  # type: ignore[arg-type]


def in_use(home: Path) -> float:
    return float(profile.current(home, WHO).mapping["number"])


@pytest.fixture
def home(tmp_path: Path) -> Path:
    for number in (1, 2, 3):
        save(tmp_path, number)
    return tmp_path


def test_saved_and_in_use(home: Path) -> None:
    active = profile.current(home, WHO)
    assert (active.mapping, active.notice) == ({"number": 3}, "")
    assert active.version.number == 3
    assert active.version.created == "2026-11-03T00:00:00Z"
    assert active.version.summary == {"accuracy_deg": 3}
    for number in (1, 2, 3):
        found = profile.load_tree(home, WHO, number)
        assert same(found.data["/mapping/weights"], np.full((3, 2), float(number)))
    assert same(
        profile.load_tree(home, WHO).data["/mapping/weights"], np.full((3, 2), 3.0)
    )
    states = [(v.number, v.current, v.fault) for v in profile.versions(home, WHO)]
    assert states == [(1, False, ""), (2, False, ""), (3, True, "")]
    assert profile.people(home) == (WHO,)


@pytest.mark.skipif(os.name != "posix", reason="Windows keeps no such modes")
def test_all_of_it_is_private(home: Path) -> None:
    for path in (home / "profiles").rglob("*"):
        wanted = 0o700 if path.is_dir() else 0o600
        assert stat.S_IMODE(path.stat().st_mode) == wanted, path


def test_a_version_never_changes(home: Path) -> None:
    before = {v.path: v.path.read_bytes() for v in profile.versions(home, WHO)}
    save(home, 4)
    profile.rollback(home, WHO)
    assert all(path.read_bytes() == data for path, data in before.items())


def test_reading_what_is_in_use_loads_no_hdf5(home: Path) -> None:
    code = (
        "import sys; from pathlib import Path; from calibkit.kept import profile;"
        f"profile.current(Path({str(home)!r}), {WHO!r});"
        "assert 'h5py' not in sys.modules and 'scipy' not in sys.modules"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


def test_roll_back_and_forth(home: Path) -> None:
    assert profile.rollback(home, WHO).number == 2
    assert in_use(home) == 2
    assert profile.rollback(home, WHO).number == 1
    with pytest.raises(InputError) as caught:
        profile.rollback(home, WHO)
    one_line(caught.value, "nothing was changed")
    assert in_use(home) == 1
    assert profile.activate(home, WHO, 3).number == 3
    assert in_use(home) == 3
    assert save(home, 4).number == 4
    with pytest.raises(InputError, match="no version 9"):
        profile.activate(home, WHO, 9)


def test_a_candidate_is_stored_but_never_used_by_itself(home: Path) -> None:
    """Never list, 1: a working mapping is not replaced by one that was not judged."""
    candidate = save(home, 4, activate=False)
    assert in_use(home) == 3
    assert not candidate.current
    damage(home, 3)
    assert in_use(home) == 2  # not the candidate
    (home / "profiles" / WHO / "current").unlink()
    assert in_use(home) == 2
    with pytest.raises(InputError):
        profile.activate(home, WHO, 3)
    profile.activate(home, WHO, 4)
    assert in_use(home) == 4


def test_rolling_back_passes_over_what_was_never_in_use(home: Path) -> None:
    """Never list, 1: what was not judged good enough is nothing to go back to."""
    save(home, 4, activate=False)
    save(home, 5)
    assert profile.rollback(home, WHO).number == 3


def damage(home: Path, number: int, ending: str = "json") -> None:
    path = home / "profiles" / WHO / f"v{number:06d}.{ending}"
    data = bytearray(path.read_bytes())
    data[-5] ^= 1
    path.write_bytes(data)


def test_damage_falls_back_and_says_so(home: Path) -> None:
    damage(home, 3)
    active = profile.current(home, WHO)
    assert active.mapping == {"number": 2}
    for words in ("version 3", "checksum is wrong", "version 2", "is used instead"):
        assert words in active.notice
    faults = [bool(v.fault) for v in profile.versions(home, WHO)]
    assert faults == [False, False, True]
    assert profile.rollback(home, WHO).number == 2
    assert profile.current(home, WHO).notice == ""
    for number in (1, 2):
        damage(home, number)
    with pytest.raises(InputError) as caught:
        profile.current(home, WHO)
    one_line(caught.value, WHO, "calibrate again")


def test_after_a_rollback_what_was_rolled_back_comes_last(home: Path) -> None:
    profile.rollback(home, WHO)
    damage(home, 2)
    assert in_use(home) == 1
    damage(home, 1)
    assert in_use(home) == 3


@pytest.mark.parametrize(
    "text",
    [
        *(b"", b"v000009\n", b"../../etc/passwd", b"v1", b"\xff\xfe", b"v000002" * 50),
        *(b"../p-02/v000001", b"v000001 v000002", b"v000001.json"),
    ],
    ids=repr,
)
def test_a_note_that_names_nothing_good(text: bytes, home: Path) -> None:
    (home / "profiles" / WHO / "current").write_bytes(text)
    active = profile.current(home, WHO)
    assert active.mapping == {"number": 3}
    assert "is used instead" in active.notice


@pytest.mark.skipif(os.name != "posix", reason="links need rights on Windows")
def test_links_to_elsewhere_are_refused(home: Path) -> None:
    place = home / "profiles" / WHO
    elsewhere = home / "elsewhere.json"
    elsewhere.write_bytes((place / "v000003.json").read_bytes())
    (place / "v000003.json").unlink()
    (place / "v000003.json").symlink_to(elsewhere)
    assert in_use(home) == 2


def test_the_snapshot_of_another_person_is_refused(home: Path) -> None:
    profile.save(home, "p-02", tree(9), {"number": 9}, created="")
    other = home / "profiles" / "p-02" / "v000001.json"
    mine = home / "profiles" / WHO / "v000003.json"
    mine.write_bytes(other.read_bytes())
    active = profile.current(home, WHO)
    assert active.mapping == {"number": 2}
    assert "another person" in active.notice


def test_a_damaged_profile_file_is_refused(home: Path) -> None:
    damage(home, 3, "h5")
    with pytest.raises(InputError, match="damaged"):
        profile.load_tree(home, WHO)
    assert in_use(home) == 3  # the snapshot is whole, and the person goes on


def test_nobody(tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        profile.current(tmp_path, WHO)
    one_line(caught.value, "no mapping is stored", WHO, "calibkit calibrate")
    assert profile.versions(tmp_path, WHO) == ()
    assert profile.people(tmp_path) == ()
    assert not (tmp_path / "profiles").exists()


@pytest.mark.parametrize(
    "person",
    [
        "",
        "A",
        "a/b",
        "..",
        "a\0",
        "x" * 33,
        "con",
        "lpt1",
        "nul",
        "ü",
        "a b",
        "😀",
        "a\n",
    ],
)
def test_person_ids(person: str, tmp_path: Path) -> None:
    """Source: the contract's pattern; Windows' reserved device names."""
    with pytest.raises(CallError) as caught:
        profile.current(tmp_path, person)
    one_line(caught.value, "a-z", "never a name")
    assert caught.value.exit_status == 2


@given(st.from_regex(r"[a-z0-9-]{1,32}", fullmatch=True))
def test_ids_of_the_pattern_are_fine(person: str) -> None:
    if person not in ("con", "prn", "aux", "nul"):
        assert profile.check_person(person) == person


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_a_mapping_that_is_not_finite_is_never_stored(value: float, home: Path) -> None:
    with pytest.raises(InputError, match="not finite"):
        profile.save(home, WHO, tree(4), {"weights": [1.0, value]}, created="")
    with pytest.raises(InputError, match="bytes as a snapshot"):
        profile.save(home, WHO, tree(4), {"weights": [0.5] * 50_000}, created="")
    assert in_use(home) == 3
    assert len(profile.versions(home, WHO)) == 3


def test_retention(home: Path) -> None:
    profile.rollback(home, WHO)
    profile.rollback(home, WHO)
    for number in range(4, 9):
        save(home, number, activate=False)
    assert profile.retain(home, WHO) != ()
    assert [v.number for v in profile.versions(home, WHO)] == [1, 4, 5, 6, 7, 8]
    assert in_use(home) == 1
    save(home, 9)
    assert [v.number for v in profile.versions(home, WHO)] == [5, 6, 7, 8, 9]


def test_retention_counts_good_ones_only(home: Path) -> None:
    for number in range(4, 9):
        save(home, number, activate=False)
        damage(home, number)
    profile.retain(home, WHO)
    good = [v.number for v in profile.versions(home, WHO) if not v.fault]
    assert good == [1, 2, 3]


def test_numbers_go_on_after_old_ones_are_gone(home: Path) -> None:
    for number in range(4, 12):
        save(home, number)
    assert [v.number for v in profile.versions(home, WHO)] == [7, 8, 9, 10, 11]


def test_many_savers_at_once_lose_nothing(tmp_path: Path) -> None:
    with ThreadPoolExecutor(8) as pool:
        made = list(pool.map(lambda n: save(tmp_path, n, activate=False), range(1, 25)))
    assert sorted(v.number for v in made) == list(range(1, 25))
    for version in made:
        assert json.loads(version.snapshot_path.read_bytes().split(b"\n", 1)[1])[
            "mapping"
        ] == {"number": version.summary["accuracy_deg"]}


def failing_at(number: int) -> tuple[disk.System, Callable[[], int]]:
    """Make a system whose n-th call of link, replace or fsync fails."""
    calls = [0]

    def wrap(call: Callable[..., None]) -> Callable[..., None]:
        def one(*args: object) -> None:
            calls[0] += 1
            if calls[0] == number:
                raise OSError(errno.ENOSPC, "No space left on device")
            call(*args)

        return one

    system = disk.SYSTEM
    broken = replace(
        system,
        link=wrap(system.link),
        replace=wrap(system.replace),
        fsync=wrap(system.fsync),
    )
    return broken, lambda: calls[0]


def test_a_failure_at_every_step_keeps_the_last_good_one(home: Path) -> None:
    """Never list, 2, 5, 6: "saved" only when the new one loads; one always does."""
    failed = 0
    for number in range(1, 40):
        system, calls = failing_at(number)
        before = in_use(home)
        try:
            save(home, 3 + number, system=system)
        except StorageError as error:
            failed += 1
            one_line(error, "No space left")
            assert in_use(home) in (before, 3 + number)
        else:
            assert in_use(home) == 3 + number
            if calls() < number:
                break
        assert not leftovers(home)
    assert failed >= 8  # several files, each written, moved and flushed


def test_a_number_claimed_by_another_file_system_without_links(tmp_path: Path) -> None:
    def no_links(*_: object) -> None:
        raise OSError(errno.EPERM, "no links here")

    system = disk.System(link=no_links)
    assert [save(tmp_path, n, system=system).number for n in (1, 2)] == [1, 2]
    assert in_use(tmp_path) == 2


def test_a_half_saved_version_is_no_version(home: Path) -> None:
    (home / "profiles" / WHO / "v000004.json").unlink(missing_ok=True)
    (home / "profiles" / WHO / "v000004.h5").write_bytes(b"half")
    assert in_use(home) == 3
    assert profile.versions(home, WHO)[-1].fault
    assert save(home, 5).number == 5


def test_the_snapshot_by_hand() -> None:
    """Oracle: hashlib and json."""
    data = snapshot.encode({"a": [1.5, "ü"]})
    head, body = data.split(b"\n", 1)
    assert head.split()[-1].decode() == hashlib.sha256(body).hexdigest()
    assert json.loads(body) == {"a": [1.5, "ü"]}


def test_every_flipped_bit_of_a_snapshot_is_found() -> None:
    data = snapshot.encode({"weights": [0.1, -2e-300, 3.0], "who": "p"})
    for bit in range(len(data) * 8):
        damaged = bytearray(data)
        damaged[bit // 8] ^= 1 << bit % 8
        with pytest.raises(InputError):
            snapshot.decode(bytes(damaged), "x")
    for cut in range(len(data)):
        with pytest.raises(InputError):
            snapshot.decode(data[:cut], "x")


finite = st.floats(allow_nan=False, allow_infinity=False)


@given(st.dictionaries(st.text(max_size=9), st.lists(finite, max_size=9), max_size=5))
@settings(max_examples=scaled(100), deadline=None)
def test_snapshots_keep_every_number_exactly(content: dict[str, list[float]]) -> None:
    back = snapshot.decode(snapshot.encode(content), "x")
    assert repr(back) == repr(content)


@pytest.mark.parametrize("body", [b"[1]", b'{"a": NaN}', b"{", b"[" * 9000, b"\xff"])
def test_a_right_checksum_does_not_make_it_a_mapping(body: bytes) -> None:
    digest = hashlib.sha256(body).hexdigest().encode()
    with pytest.raises(InputError, match="holds no mapping"):
        snapshot.decode(b"calibkit snapshot 1 sha256 " + digest + b"\n" + body, "x")
