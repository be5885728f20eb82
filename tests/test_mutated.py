"""Damaged files of every kind: refused in one sentence, or read exactly as written.

500 by default, 5,000 with CALIBKIT_TEST_SCALE=10. Source: the requirement "0 crashes of
the parent, 0 hangs, 0 silently wrong numbers in files that carry our checksum".
"""

from __future__ import annotations

import random
import time
import warnings
from collections.abc import Callable
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from storing import header, one_line, recording, same, scaled
from test_journal import check_rows, chunk
from test_mapping_live import case

from calibkit.errors import CalibkitError
from calibkit.fitted.mapping import Mapping
from calibkit.kept import journal, journal_contents, protocol, settings, snapshot
from calibkit.kept.recording import Recording

LONGEST_S = 10.0
Reader = Callable[[Path], None]


def mutated(data: bytes, rng: random.Random) -> bytes:
    """Flip bits, change a length, cut, repeat, or splice."""
    out = bytearray(data)
    for _ in range(rng.choice([1, 1, 2, 8])):
        way, at = rng.randrange(6), rng.randrange(len(out))
        if way == 0:
            out[at] ^= 1 << rng.randrange(8)
        elif way == 1:
            size = rng.choice([1, 2, 4, 8])
            value = rng.choice(
                [0, 1, 2**31 - 1, 2**32 - 1, 2**63, rng.randrange(2**16)]
            )
            out[at : at + size] = (value % 256**size).to_bytes(size, "little")
        elif way == 2:
            del out[max(at, 1) :]
        elif way == 3:
            out[at:at] = out[at : at + rng.randrange(1, 64)]
        elif way == 4:
            del out[at : at + rng.randrange(1, 64)]
            out = out or bytearray(b"x")
        else:
            out[at : at + 16] = rng.randbytes(16)
    return bytes(out)


def read_recording(path: Path) -> None:
    """A changed recording is warned of; an unwarned one is to the bit as written."""
    with warnings.catch_warnings(record=True) as told:
        warnings.simplefilter("always")
        rec = Recording.load(path)
    if not told:
        assert same(rec.samples, recording().samples)
        assert same(rec.time, recording().time)


def read_mapping(path: Path) -> None:
    mapping, _ = case("screen")
    assert Mapping.load(path).id == mapping.id


def read_snapshot(path: Path) -> None:
    assert snapshot.read(path) == {"a": [0.1, 2.5], "b": "text"}


def read_journal(path: Path) -> None:
    check_rows(journal_contents.read(path))


def read_protocol(path: Path) -> None:
    protocol.load(str(path))


def read_settings(path: Path) -> None:
    settings.load(path.parent)


@cache
def original(kind: str, folder: Path) -> bytes:
    path = folder / "original"
    if kind == "recording":
        recording().save(path)
    elif kind == "mapping":
        case("screen")[0].save(path)
    elif kind == "snapshot":
        path.write_bytes(snapshot.encode({"a": [0.1, 2.5], "b": "text"}))
    elif kind == "journal":
        with journal.Writer(path, header()) as writer:
            for k in range(20):
                stamps, rows = chunk(5 * k)
                writer.gaze(stamps, rows, stamps - 0.5)
    elif kind == "protocol":
        return protocol.find("standard").read_bytes()
    else:
        screen = {"screen_px": (1920, 1080), "screen_mm": (527.0, 296.0)}
        return settings.store_setup(
            folder, {**screen, "distance_mm": 600.0}
        ).read_bytes()
    return path.read_bytes()


def told(read: Reader, path: Path) -> CalibkitError | None:
    """What a reader says against a file; anything but words of ours is raised."""
    try:
        with np.errstate(all="ignore"):
            read(path)
    except CalibkitError as error:
        return error
    return None


@pytest.mark.parametrize(
    ("kind", "name", "read", "count"),
    [
        ("recording", "a.h5", read_recording, 40),
        ("mapping", "a.h5", read_mapping, 110),
        ("snapshot", "a.json", read_snapshot, 100),
        ("journal", "a.journal", read_journal, 100),
        ("protocol", "a.toml", read_protocol, 80),
        ("settings", "settings.toml", read_settings, 70),
    ],
)
def test_damaged(
    kind: str, name: str, read: Reader, count: int, tmp_path: Path
) -> None:
    whole, rng = original(kind, tmp_path), random.Random(f"seed of {kind}")
    place = tmp_path / "damaged"
    place.mkdir()
    path = place / name
    path.write_bytes(whole)
    read(path)
    refused, longest_s = 0, 0.0
    for _ in range(scaled(count)):
        path.write_bytes(mutated(whole, rng))
        begin_s = time.monotonic()
        error = told(read, path)
        if error is not None:
            refused += 1
            assert error.exit_status == 3
            if kind not in ("protocol", "settings"):  # these list all faults
                one_line(error)
        longest_s = max(longest_s, time.monotonic() - begin_s)
    assert longest_s < LONGEST_S
    print(
        f"{kind}: {scaled(count)} damaged, {refused} refused, longest {longest_s:.2f} s"
    )
    assert refused > scaled(count) // 10
