"""The home folder, and what the operator told once."""

from __future__ import annotations

import os
import re
import stat
import time
import tomllib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from storing import CHANNELS, SETUP, TEXT, one_line, scaled

from calibkit.channels import Channel
from calibkit.errors import InputError, StorageError
from calibkit.kept import home, tomlfile
from calibkit.kept import settings as stored

posix = pytest.mark.skipif(os.name != "posix", reason="Windows keeps no such modes")


def test_where_home_is(tmp_path: Path) -> None:
    given_one, variable = tmp_path / "a", tmp_path / "b"
    environ = {"CALIBKIT_HOME": str(variable)}
    assert home.resolve(given_one, environ) == given_one
    assert home.resolve(None, environ) == variable
    assert home.resolve(tmp_path / "none", {}, create=False) == tmp_path / "none"
    assert not (tmp_path / "none").exists()


def test_the_platforms_folder_is_the_last_resort(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    import platformdirs

    wanted = platformdirs.user_data_path("calibkit", appauthor=False)
    assert home.resolve(None, {}, create=False) == wanted


@posix
def test_it_is_made_private(tmp_path: Path) -> None:
    place = home.resolve(tmp_path / "x" / "y", {})
    assert stat.S_IMODE(place.stat().st_mode) == 0o700


@posix
def test_one_that_anyone_may_change_is_refused(tmp_path: Path) -> None:
    place = tmp_path / "open"
    place.mkdir()
    place.chmod(0o777)
    with pytest.raises(StorageError) as caught:
        home.resolve(place, {})
    one_line(caught.value, str(place), "chmod 700")
    assert caught.value.exit_status == 5
    place.chmod(0o755)
    assert home.resolve(place, {}) == place


@posix
def test_one_of_another_user_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    owner = tmp_path.stat().st_uid
    monkeypatch.setattr(os, "geteuid", lambda: owner + 1)
    with pytest.raises(StorageError) as caught:
        home.resolve(tmp_path, {})
    one_line(caught.value, "another user", "--home")


def test_one_that_cannot_be_made(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    for place in (tmp_path / "file", tmp_path / "file" / "below", Path("a\0b")):
        with pytest.raises(StorageError) as caught:
            home.resolve(place, {})
        one_line(caught.value, "--home")


def test_nothing_is_known_at_first(tmp_path: Path) -> None:
    assert stored.load(tmp_path) == stored.Settings()


def test_the_set_up_comes_back(tmp_path: Path) -> None:
    path = stored.store_setup(tmp_path, SETUP)
    assert stored.load(tmp_path).setup == {
        "screen_px": (1920, 1080),
        "screen_mm": (527.0, 296.0),
        "distance_mm": 600.0,
        "background": (0.5, 0.5, 0.5),
    }
    stored.store_setup(tmp_path, {"distance_mm": 700})
    assert stored.load(tmp_path).setup["distance_mm"] == 700.0
    assert stored.load(tmp_path).setup["screen_px"] == (1920, 1080)
    # Oracle: the standard library's parser.
    assert tomllib.loads(path.read_text(encoding="utf-8"))["version"] == 1
    if os.name == "posix":
        assert stat.S_IMODE(path.stat().st_mode) == 0o600


channel = st.builds(
    Channel,
    label=TEXT,
    eye=st.sampled_from(["left", "right", "both", ""]),
    type=TEXT.filter(bool),
    unit=TEXT,
)


@given(st.dictionaries(TEXT, st.lists(channel, min_size=1, max_size=3), max_size=3))
@settings(max_examples=scaled(40), deadline=None)
def test_channel_maps_come_back(
    tmp_path_factory: pytest.TempPathFactory, maps: dict[str, list[Channel]]
) -> None:
    place = tmp_path_factory.mktemp("home")
    for source, channels in maps.items():
        stored.store_channels(place, source, channels)
    wanted = {source: tuple(channels) for source, channels in maps.items()}
    assert stored.load(place).channel_maps == wanted
    if maps:
        parsed = tomllib.loads((place / "settings.toml").read_bytes().decode())
        assert parsed["streams"].keys() == maps.keys()


def test_comments_and_other_entries_stay(tmp_path: Path) -> None:
    path = tmp_path / "settings.toml"
    path.write_text("# by the window\n[setup]\ndistance_mm = 600 # tape\n", "utf-8")
    stored.store_channels(tmp_path, "a:1", CHANNELS)
    stored.store_setup(tmp_path, {"distance_mm": 650.0})
    text = path.read_text("utf-8")
    assert "# by the window" in text
    assert "650" in text
    assert stored.load(tmp_path).channel_maps == {"a:1": CHANNELS}


def test_all_faults_are_told_each_in_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "settings.toml").write_text(
        """
version = 9
colour = "red"
[setup]
screen_px = [1920]
screen_mm = ["a", "b"]
distance_mm = true
witdh = 5
[streams.a]
channels = [{label = "x", eye = "third", type = 5}, {kind = "x"}, 3]
[streams.b]
"""
    )
    with pytest.raises(InputError) as caught:
        stored.load(tmp_path)
    lines = str(caught.value).split("\n")
    for words in (
        "version is 9",
        "'colour' is unknown",
        "setup.screen_px",
        "setup.screen_mm",
        "setup.distance_mm",
        "setup.witdh is unknown",
        "third",
        "'type' of channel 1",
        "'kind' of channel 2",
        "channel 3",
        "streams.'b' lists no channels",
    ):
        (line,) = [line for line in lines if words in line]
        assert str(tmp_path) in line
        assert ";" in line
    assert len(lines) == 11


@pytest.mark.parametrize(
    "values",
    [
        {"distance_mm": 0.0},
        {"distance_mm": float("nan")},
        {"screen_px": (0, 5)},
        {"screen_mm": (1.0, 2.0)},
        {"unknown": 5},
    ],
    ids=str,
)
def test_what_is_not_plausible_is_not_stored(
    values: dict[str, object], tmp_path: Path
) -> None:
    with pytest.raises(InputError):
        stored.store_setup(tmp_path, values)
    assert not (tmp_path / "settings.toml").exists()


def test_a_damaged_file_is_not_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "settings.toml"
    path.write_text("[setup\n")
    with pytest.raises(InputError):
        stored.store_setup(tmp_path, SETUP)
    assert path.read_text() == "[setup\n"


ROW = '[[channels]]\nlabel = "{0}"\ntype = "Screen{0}"\neye = "{1}"\nunit = "px"\n'
PAIR = ROW.format("X", "both") + ROW.format("Y", "Both")


def test_a_channel_map_of_its_own(tmp_path: Path) -> None:
    path = tmp_path / "map.toml"
    path.write_text(PAIR)
    names = stored.read_channel_map(path)
    assert [c.eye for c in names.channels] == ["both", "both"]
    assert (names.origin, names.missing, names.numbered) == ("top-left", (), False)
    path.write_text("x = 1\n")
    with pytest.raises(InputError, match="'x' is unknown") as caught:
        stored.read_channel_map(path)
    assert "lists no channels" in str(caught.value)


def test_channels_that_are_not_read_need_no_name(tmp_path: Path) -> None:
    path = tmp_path / "map.toml"
    path.write_text(PAIR + '[[channels]]\nlabel = "battery"\n')
    stored.store_channels(tmp_path, "a:1", stored.read_channel_map(path))
    kept = stored.load(tmp_path).channel_maps["a:1"]
    assert [c.type for c in kept] == ["ScreenX", "ScreenY", ""]
    path.write_text(
        PAIR.replace('label = "X"', "number = 7").replace('label = "Y"', "number = 5")
    )
    names = stored.read_channel_map(path).fitted(9)
    assert [c.type for c in names.channels] == [
        *[""] * 4,
        "ScreenY",
        "",
        "ScreenX",
        *[""] * 2,
    ]
    with pytest.raises(InputError, match="names 7 channels but the stream has 6"):
        names = stored.read_channel_map(path).fitted(6)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (ROW.format("X", "both"), "no gaze can be read"),
        (PAIR.replace('"px"', '"cm"', 1), "unit of channel 1 is 'cm'"),
        (PAIR.replace("[[", "number = 2\n[[", 1), "'number' is unknown"),
        (PAIR.replace('label = "X"', "number = 1"), "numbers some channels"),
        (PAIR.replace('label = "X"', "number = 0"), "from 1 to 64"),
        ("missing = ['x']\n" + PAIR, "missing of the file"),
        ("[setup]\ndistance_mm = 0\n" + PAIR, "setup.distance_mm"),
    ],
)
def test_what_is_wrong_in_a_channel_map_is_said(
    text: str, words: str, tmp_path: Path
) -> None:
    path = tmp_path / "map.toml"
    path.write_text(text)
    with pytest.raises(InputError, match=re.escape(words)):
        stored.read_channel_map(path)


TOML = {
    "byte order mark": (b"\xef\xbb\xbfa = 1\n", None),
    "UTF-16": ("a = 1".encode("utf-16"), "UTF-8"),
    "Latin-1": (b'a = "\xe4"', "byte 5"),
    "deep": (b"a = " + b"[" * 4000, "nested"),
    "deep tables": (b"a = " + b"{a=" * 1300, "nested"),
    "long key": (b"a." * 30_000, "line of 60,000"),
    "CR only": (b"a = 1\r" + b"b." * 3000, "line of"),
    "digits": (b"a = " + b"1" * 4090, None),
    "5,000 digits": (b"a = " + b"1" * 5000, "line of"),
    "twice": (b"a = 1\na = 2\n", "line 2"),
    "decimal comma": (b"a = 1,5\n", "line 1"),
    "quotes": ("a = “b”\n".encode(), "line 1"),
    "True": (b"a = True\n", "line 1"),
    "NUL": (b"a = \0\n", "line 1"),
}


@pytest.mark.parametrize("case", TOML)
def test_toml_files(case: str, tmp_path: Path) -> None:
    """Source of the list: tomllib's measured behaviour (bad-input catalogue P3-P15)."""
    data, words = TOML[case]
    path = tmp_path / "a.toml"
    path.write_bytes(data)
    start = time.process_time()
    if words is None:
        assert tomlfile.read(path).keys() == {"a"}
    else:
        with pytest.raises(InputError) as caught:
            tomlfile.read(path)
        one_line(caught.value, str(path), words)
    assert time.process_time() - start < 2.0


def test_numbers_of_a_toml_file() -> None:
    assert tomlfile.number(5) == 5.0
    for value in (True, "5", float("nan"), float("inf"), 10**400, None, [1]):
        assert tomlfile.number(value) is None


def test_the_origin_of_a_stream_comes_back(tmp_path: Path) -> None:
    path = tmp_path / "map.toml"
    path.write_text('origin = "bottom-left"\nmissing = [-9999]\n' + PAIR)
    stored.store_channels(tmp_path, "a:1", stored.read_channel_map(path))
    stored.store_setup(tmp_path, {"screen_px": (1280, 720)})
    kept = stored.load(tmp_path)
    names = kept.names("a:1")
    assert names is not None
    assert names["origin"] == "bottom-left"
    assert names["missing"] == [-9999.0]
    assert names["channels"][0]["type"] == "ScreenX"
    assert names["setup"] == {"screen_px": (1280, 720)}
    assert kept.names("b:2") is None
    path.write_text('origin = "middle"\n' + PAIR)
    with pytest.raises(InputError, match="top-left, bottom-left, center"):
        stored.read_channel_map(path)
