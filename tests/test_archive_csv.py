"""Plain tables: pandas reads back every number as it was.

Outside: pandas, and the standard library's csv module, read the tables.
"""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import calibkit
from calibkit import cli
from calibkit.channels import Channel
from calibkit.kept.recording import Recording, target_rows

pandas = pytest.importorskip("pandas", reason="reads the tables as users do")

ROOT = Path(__file__).parent.parent


def run(*words: object) -> int:
    try:
        return cli.main(list(map(str, words)))
    except SystemExit as end:
        return int(str(end.code or 0))


@pytest.fixture(scope="module")
def rec() -> Recording:
    """A recording with everything: a moving target, odd texts, a key of its own."""
    found = Recording.load(ROOT / "recordings" / "steady.h5")
    samples = np.array(found.samples)
    samples[3] = np.nan
    samples[4, 0] = np.inf
    moving = target_rows([(30.0, 40.0, np.nan, np.nan, "calibration", "timer", 0)])
    return replace(
        found,
        samples=samples,
        targets=np.r_[found.targets, moving],
        target_path=np.column_stack([np.arange(30, 40, 0.1), *np.ones((2, 100))]),
        events=((1.5, 'a "quoted", text'), (2.5, "two\nlines"), (3.5, "größer")),
        time_raw=found.time - 0.25,
        protocol='[protocol]\nname = "x"\n',
        person="heron",
    )


def numbers(path: Path) -> Any:
    """Read a table whose numbers Python itself parses: to the bit; none is empty."""
    words = pandas.read_csv(path, dtype=str, keep_default_na=False)
    plain = [name for name in words if name not in ("role", "advance")]
    parsed = {n: [float(cell) for cell in words[n]] for n in plain}
    return pandas.DataFrame(parsed, columns=plain)


def test_numbers_come_back_to_the_bit(rec: Recording, tmp_path: Path) -> None:
    rec.save(tmp_path / "a.h5")
    assert run("export", "csv", tmp_path / "a.h5", "-o", tmp_path / "t") == 0
    place = tmp_path / "t" / "a"
    samples = numbers(place / "samples.csv")
    np.testing.assert_array_equal(samples["time_s"], rec.time)
    np.testing.assert_array_equal(samples["time_raw_s"], rec.time_raw)
    read = samples.to_numpy()[:, 2:].astype(rec.samples.dtype)
    kept = np.where(np.isfinite(rec.samples), rec.samples, np.nan)
    np.testing.assert_array_equal(read, kept)
    targets = numbers(place / "targets.csv")
    for name, column in (("onset", "onset_s"), ("x", "x_px"), ("kept", "kept")):
        np.testing.assert_array_equal(targets[column], rec.targets[name])
    roles = pandas.read_csv(place / "targets.csv")["role"]
    assert list(roles) == list(rec.targets["role"])
    path = numbers(place / "target_path.csv")
    assert rec.target_path is not None
    np.testing.assert_array_equal(path.to_numpy(), rec.target_path)
    with (place / "events.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.reader(file))
    assert rows == [
        ["time_s", "text"],
        ["1.5", 'a "quoted", text'],
        ["2.5", "two lines"],
        ["3.5", "größer"],
    ]
    setup = json.loads((place / "setup.json").read_text(encoding="utf-8"))
    assert setup["screen_px"] == list(rec.setup.screen_px)
    assert (setup["person"], setup["distance_mm"]) == ("heron", rec.setup.distance_mm)
    assert len(setup["channels"]) == len(rec.channels)
    assert (place / "protocol.toml").read_text(encoding="utf-8") == rec.protocol


def test_every_column_is_explained_and_has_its_unit(
    rec: Recording, tmp_path: Path
) -> None:
    rec.save(tmp_path / "a.h5")
    calibkit.fit(rec).save(tmp_path / "m.h5")
    words = ("--mapping", tmp_path / "m.h5", "-o", tmp_path / "t")
    assert run("export", "csv", tmp_path / "a.h5", *words) == 0
    index = json.loads((tmp_path / "t" / "tables.json").read_text(encoding="utf-8"))
    for name, about in index["recordings"]["a"].items():
        head = (tmp_path / "t" / "a" / name).read_text(encoding="utf-8").split("\n")[0]
        assert head.split(",") == list(about)
        assert all(about.values())
    samples = pandas.read_csv(tmp_path / "t" / "a" / "samples.csv")
    gaze = calibkit.Mapping.load(tmp_path / "m.h5").apply(rec.samples)
    np.testing.assert_allclose(samples["gaze_x_px"], gaze.xy[:, 0], atol=5.1e-5)
    np.testing.assert_allclose(samples["gaze_y_sd_px"], gaze.sd[:, 1], atol=5.1e-5)
    assert list(samples)[:3] == ["time_s", "time_raw_s", "gaze_x_px"]
    assert "left_PupilX_px" in samples
    assert "left_ReflexX_2_px" in samples


def test_odd_channels_and_names_that_repeat(rec: Recording, tmp_path: Path) -> None:
    odd = [
        Channel(label="a b", eye="", type="", unit=""),
        Channel(label='",', eye="left", type='x",', unit="µV"),
        *rec.channels[2:],
    ]
    changed = replace(rec, channels=tuple(odd))
    for folder in ("one", "two"):
        (tmp_path / folder).mkdir()
        changed.save(tmp_path / folder / "a.h5")
    paths = [tmp_path / folder / "a.h5" for folder in ("one", "two")]
    assert run("export", "csv", *paths, "-o", tmp_path / "t", "--json") == 0
    for place in ("a", "a-2"):
        read = pandas.read_csv(tmp_path / "t" / place / "samples.csv")
        assert list(read)[2:4] == ["both_a_b", 'left_x",_µv']
        assert read.shape == (len(rec.time), 2 + len(odd))


def test_what_the_command_refuses(
    rec: Recording, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rec.save(tmp_path / "a.h5")
    words = ("export", "csv", tmp_path / "a.h5", "-o", tmp_path / "t")
    assert run(*words) == 0
    assert run(*words) == 2
    assert run(*words, "--force") == 0
    assert run(*words, "--force", "--shared", "starter-screen") == 2
    (tmp_path / "b.h5").write_bytes(b"nothing")
    bad = ("export", "csv", tmp_path / "a.h5", tmp_path / "b.h5")
    assert run(*bad, "-o", tmp_path / "u") == 3
    assert not (tmp_path / "u").exists()
    assert run(*words[:3], "-o", tmp_path / "no" / "t") == 5
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "a").touch()
    assert run(*words[:3], "-o", tmp_path / "mine", "--force") == 2
    last = capsys.readouterr().err.strip().splitlines()[-1]
    assert "is not replaced" in last
    assert (tmp_path / "mine" / "a").exists()


def test_a_recording_without_targets_or_samples(tmp_path: Path) -> None:
    found = Recording.load(ROOT / "recordings" / "steady.h5")
    bare = replace(
        found,
        time=found.time[:0],
        samples=found.samples[:0],
        targets=found.targets[:0],
        time_raw=None,
    )
    bare.save(tmp_path / "a.h5")
    assert run("export", "csv", tmp_path / "a.h5", "-o", tmp_path / "t") == 0
    assert pandas.read_csv(tmp_path / "t" / "a" / "samples.csv").shape == (0, 15)
    assert pandas.read_csv(tmp_path / "t" / "a" / "targets.csv").shape == (0, 7)
