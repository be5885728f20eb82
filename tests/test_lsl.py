"""Streams without the network: configuration, choice, metadata, faults."""

from __future__ import annotations

import json
import math
import subprocess
import sys
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibkit import errors
from calibkit.channels import Channel, feature_sources
from calibkit.streams import lsl_config, lsl_found, lsl_markers, lsl_xml
from calibkit.streams.lsl_found import Arrival, Chunk, Found, candidates, choose

GAZE = Found(
    name="gaze",
    source_id="tracker-1",
    kind="Gaze",
    host="here",
    channel_count=4,
    rate=250.0,
    text=False,
    uid="u1",
)
SETUP = {"screen_px": (1920, 1080), "screen_mm": (520, 290), "distance_mm": (600,)}


def channel(kind: str, eye: str = "left", unit: str = "pixels") -> Channel:
    return Channel(label=f"{eye} {kind}", eye=eye, type=kind, unit=unit)


PUPILS = tuple(
    channel(f"{stem}{axis}") for stem in ("Pupil", "Reflex") for axis in "XY"
)


class Node:
    """The streaming library's XML node, over the standard library's."""

    def __init__(self, element: ET.Element | None, parent: ET.Element | None = None):
        self.element, self.parent = element, parent

    def child(self, name: str) -> Node:
        found = None if self.element is None else self.element.find(name)
        return Node(found, self.element)

    def child_value(self, name: str) -> str:
        return (self.element is not None and self.element.findtext(name)) or ""

    def next_sibling(self, name: str) -> Node:
        assert self.parent is not None
        assert self.element is not None
        rest = [e for e in self.parent if e.tag == name]
        place = rest.index(self.element) + 1
        return Node(rest[place] if place < len(rest) else None, self.parent)

    def empty(self) -> bool:
        return self.element is None

    def append_child(self, name: str) -> Node:
        assert self.element is not None
        return Node(ET.SubElement(self.element, name), self.element)

    def append_child_value(self, name: str, value: str) -> Node:
        made = self.append_child(name)
        assert made.element is not None
        made.element.text = value
        return self


def desc(text: str = "<desc/>") -> Node:
    return Node(ET.fromstring(text))


# Metadata. Source: XDF "Gaze" meta-data page: channels/channel/label, eye, type, unit.


def test_written_metadata_is_the_xdf_pages_structure() -> None:
    node = desc()
    lsl_xml.write(node, PUPILS, SETUP)
    root = node.element
    assert root is not None
    rows = root.findall("channels/channel")
    assert [row.findtext("type") for row in rows] == [
        "PupilX",
        "PupilY",
        "ReflexX",
        "ReflexY",
    ]
    assert {row.findtext("eye") for row in rows} == {"left"}
    assert root.findtext("setup/screen_px") == "1920 1080"
    assert root.findtext("setup/distance_mm") == "600"


def test_metadata_comes_back_as_it_went() -> None:
    node = desc()
    lsl_xml.write(node, PUPILS, SETUP)
    said = lsl_xml.read(node, 4)
    assert said.channels == PUPILS
    assert dict(said.setup) == SETUP
    assert said.described


@pytest.mark.parametrize(
    "text",
    [
        "<desc/>",
        "<desc><channels/></desc>",
        "<desc><channels><channel><label>a</label></channel></channels></desc>",
        "<desc><setup><screen_px>wide</screen_px></setup></desc>",
        "<desc><setup><screen_px>1920</screen_px></setup></desc>",
        "<desc><setup><screen_mm>nan 1</screen_mm></setup></desc>",
        "<desc><setup><distance_mm>-5</distance_mm></setup></desc>",
    ],
)
def test_poor_metadata_gives_numbered_channels_and_no_setup(text: str) -> None:
    said = lsl_xml.read(desc(text), 3)
    assert len(said.channels) == 3
    assert said.channels[2].label == "channel 3"
    assert not said.setup
    assert not said.described


def test_more_channels_described_than_sent_are_ignored() -> None:
    node = desc()
    lsl_xml.write(node, PUPILS)
    assert lsl_xml.read(node, 2).channels == PUPILS[:2]


def test_hostile_text_is_cut_and_stripped() -> None:
    assert lsl_xml.clean("a\nb\x00c" + "d" * 100_000) == "abc" + "d" * 61


# The user's channel map.


def test_channel_map_names_a_stream_without_metadata() -> None:
    names = lsl_xml.channel_map(PUPILS)
    assert lsl_xml.named(lsl_xml.unnamed(4), names) == PUPILS
    assert "left" in feature_sources(lsl_xml.named(lsl_xml.unnamed(4), names))


def test_channel_map_survives_json() -> None:
    names = json.loads(json.dumps(lsl_xml.channel_map(PUPILS, "bottom-left")))
    assert names["origin"] == "bottom-left"
    assert lsl_xml.named(lsl_xml.unnamed(4), names) == PUPILS


def test_channel_map_of_another_length_is_refused() -> None:
    with pytest.raises(errors.InputError, match="3 channels but the stream has 4"):
        lsl_xml.named(lsl_xml.unnamed(4), lsl_xml.channel_map(PUPILS[:3]))


def test_unknown_origin_is_refused() -> None:
    with pytest.raises(errors.InputError, match="top-left, bottom-left"):
        lsl_xml.named(PUPILS, lsl_xml.channel_map(PUPILS, "middle"))


SCREEN = {
    unit: (channel("ScreenX", "both", unit), channel("ScreenY", "both", unit))
    for unit in ("pixels", "normalized", "mm")
}


# Plain recomputation: the picture's corners, by hand.
@pytest.mark.parametrize(
    ("origin", "unit", "given", "wanted"),
    [
        ("top-left", "pixels", (10, 20), (10, 20)),
        ("bottom-left", "pixels", (10, 20), (10, 1060)),
        ("bottom-left", "normalized", (0.25, 0.9), (0.25, 0.1)),
        ("bottom-left", "mm", (5, 290), (5, 0)),
        ("center", "pixels", (-960, -540.0), (0, 0)),
        ("center-up", "pixels", (960, 540), (1920, 0)),
        ("center-up", "normalized", (-0.5, -0.5), (0, 1)),
    ],
)
def test_origin_is_moved_to_the_top_left(
    origin: str, unit: str, given: tuple[float, float], wanted: tuple[float, float]
) -> None:
    got = lsl_xml.to_top_left(np.array([given], float), SCREEN[unit], origin, SETUP)
    assert got[0] == pytest.approx(wanted)


def test_moving_the_origin_keeps_missing_missing() -> None:
    rows = np.array([[0.0, 0.0], [-1.0, -1.0], [np.nan, 5.0], [0.0, 7.0]])
    got = lsl_xml.to_top_left(rows, SCREEN["pixels"], "bottom-left", SETUP)
    assert np.isnan(got[:3]).any(axis=1).all()
    assert got[3].tolist() == [0, 1073]


def test_moving_the_origin_leaves_other_channels_alone() -> None:
    channels = (*SCREEN["pixels"], channel("Diameter"))
    got = lsl_xml.to_top_left(np.array([[1.0, 2.0, 3.0]]), channels, "center", SETUP)
    assert got[0].tolist() == [961, 542, 3]


def test_moving_the_origin_needs_the_screens_size() -> None:
    with pytest.raises(errors.InputError, match="screen_px is unknown"):
        lsl_xml.to_top_left(np.ones((1, 2)), SCREEN["pixels"], "center", {})


# Which stream.


def test_our_own_output_is_never_a_candidate() -> None:
    # Source: contract, "Streams".
    ours = replace(GAZE, source_id="calibkit:tracker-1", uid="u2")
    raw = replace(GAZE, source_id="calibkit-raw:replay-x", uid="u3")
    assert candidates([ours, GAZE, raw]) == (raw, GAZE)


def test_type_is_matched_in_any_case_and_twins_stay_two() -> None:
    twin = replace(GAZE, kind="gaze", uid="u2")
    other = replace(GAZE, kind="EEG", uid="u3")
    assert len(candidates([GAZE, twin, other, GAZE])) == 2


def test_stream_without_source_id_is_matched_by_name() -> None:
    bare = replace(GAZE, source_id="", uid="u2")
    assert candidates([GAZE, bare], source_id="gaze") == (bare,)
    assert candidates([GAZE, bare], source_id="tracker-1") == (GAZE,)


def test_none_and_several_are_refused_with_what_to_do() -> None:
    other = replace(GAZE, source_id="tracker-2", uid="u2")
    with pytest.raises(errors.DeviceError, match="start the tracker"):
        choose([])
    with pytest.raises(errors.DeviceError, match="'gone'"):
        choose([], "gone")
    with pytest.raises(errors.CallError, match="--stream tracker-1"):
        choose([GAZE, other])
    with pytest.raises(errors.CallError, match="share one source_id"):
        choose([GAZE, replace(GAZE, uid="u2")])
    assert choose([GAZE]) is GAZE
    assert choose([GAZE, other], ask=lambda seen: 1) is other


# Stamps.


def test_chunk_time_is_raw_plus_correction() -> None:
    chunk = Chunk(time_raw=np.array([1.0]), samples=np.ones((1, 1)), correction_s=0.5)
    assert chunk.time.tolist() == [1.5]


def test_time_of_day_is_replaced_by_arrival_and_a_sound_clock_is_not() -> None:
    wrong = Arrival()
    assert wrong.shift(1.7e9, 100.0) == pytest.approx(100.0 - 1.7e9)
    assert wrong.shift(1.7e9 + 1, 101.02) == pytest.approx(100.0 - 1.7e9)
    assert wrong.shift(1.7e9 + 3602, 102.0) == pytest.approx(102.0 - 1.7e9 - 3602)
    sound = Arrival()
    assert sound.shift(99.99, 100.0) == 0.0
    assert sound.shift(100.0, 160.0) == 0.0  # a backlog, not another clock


# Configuration.


def test_loopback_is_the_default_and_a_session_separates() -> None:
    text = lsl_config.configuration("Linux", "abc")
    assert "Interfaces={127.0.0.1}" in text
    assert text.count("[lab]") == 1
    assert "SessionID=abc" in text
    assert "ResolveScope=machine" in lsl_config.configuration("Windows", "abc")


def test_looking_leaves_ports_to_outlets() -> None:
    """Source: liblsl's api_config.cpp and resolver_impl.cpp: 32 ports are asked.

    A wave of questions to the group and one to each port alternate; each wave holds a
    port of these until its answers count no more.
    """
    text = lsl_config.configuration("Linux")
    tuning = dict(line.split("=") for line in text.split("[tuning]\n")[1].splitlines())
    got = {name: float(value) for name, value in tuning.items()}
    cycle_s = (
        got["MulticastMinRTT"] + got["UnicastMinRTT"] + got["ContinuousResolveInterval"]
    )
    held = (got["MulticastMaxRTT"] + got["UnicastMaxRTT"]) / cycle_s
    assert held <= 16


def test_a_wait_in_steps_sees_what_came_between_two_and_ends_in_time() -> None:
    now, asked = [0.0], list[float]()

    def call(wait_s: float) -> None:
        asked.append(wait_s)
        now[0] += wait_s
        if now[0] < done_s:
            raise TimeoutError

    done_s = 0.6
    lsl_found.in_steps(call, 5.0, lambda: now[0], TimeoutError)
    assert now[0] <= 0.75
    assert max(asked) <= 0.25
    now[0], done_s = 0.0, 10.0
    with pytest.raises(TimeoutError):
        lsl_found.in_steps(call, 1.1, lambda: now[0], TimeoutError)
    assert now[0] == pytest.approx(1.1)


def test_users_configuration_replaces_ours(tmp_path: Path) -> None:
    # Source: contract: LSLAPICFG, where it is set, replaces any of ours.
    mine = tmp_path / "mine.cfg"
    mine.write_text("[multicast]\nResolveScope=site\n")
    text = lsl_config.chosen_configuration({"LSLAPICFG": str(mine)}, [], "Linux")
    assert "ResolveScope=site" in text
    assert "127.0.0.1" not in text
    assert "level=-3" in text
    own = lsl_config.chosen_configuration({}, [tmp_path / "no.cfg", mine], "Linux")
    assert own == text
    ours = lsl_config.chosen_configuration({}, [tmp_path / "no.cfg"], "Linux")
    assert ours == lsl_config.configuration("Linux")


def test_users_own_log_level_stays(tmp_path: Path) -> None:
    mine = tmp_path / "mine.cfg"
    mine.write_text("[log]\nlevel=2\n")
    text = lsl_config.chosen_configuration({"LSLAPICFG": str(mine)}, [], "Linux")
    assert text == "[log]\nlevel=2\n"


def test_configuration_that_is_not_there_is_refused(tmp_path: Path) -> None:
    gone = str(tmp_path / "gone.cfg")
    with pytest.raises(errors.CallError, match="LSLAPICFG"):
        lsl_config.chosen_configuration({"LSLAPICFG": gone}, [], "Linux")


@pytest.mark.parametrize(
    ("system", "word"),
    [
        ("Windows", "Redistributable"),
        ("Darwin", "brew install"),
        ("Linux", "PYLSL_LIB"),
    ],
)
def test_remedy_is_exact_for_each_system(system: str, word: str) -> None:
    assert word in lsl_config.remedy("liblsl", system, "arm64")
    assert "pip install pylsl" in lsl_config.remedy("pylsl", system, "arm64")


@pytest.mark.parametrize("failure", ["ImportError", "RuntimeError"])
def test_missing_library_is_one_sentence_and_status_4(failure: str) -> None:
    code = (
        "import sys, builtins\n"
        "real = builtins.__import__\n"
        "def fail(name, *rest, **more):\n"
        "    if name == 'pylsl': raise " + failure + "('no')\n"
        "    return real(name, *rest, **more)\n"
        "builtins.__import__ = fail\n"
        "from calibkit.cli import main\n"
        "sys.exit(main(['streams', '--wait', '0.1']))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False
    )
    assert done.returncode == 4
    assert len(done.stderr.strip().splitlines()) == 1
    assert "Traceback" not in done.stderr


# Markers.


@pytest.mark.parametrize(
    "text", ["", "{", "[]", "1", '{"x": 1}', '{"event": 3}', "[" * 100_000]
)
def test_text_that_is_no_event_is_ignored(text: str) -> None:
    assert lsl_markers.parse_event(text) is None


@given(st.dictionaries(st.text(), st.floats(allow_nan=False, allow_infinity=False)))
def test_events_come_back_as_they_went(rest: dict[str, float]) -> None:
    event = {**rest, "event": "target_on"}
    assert lsl_markers.parse_event(lsl_markers.event_text(event)) == event


def test_event_with_nan_is_refused() -> None:
    with pytest.raises(ValueError, match="JSON"):
        lsl_markers.event_text({"event": "x", "x": math.nan})


# What the user's channel map mends.


def test_named_numbers_become_nan_and_the_rest_stays() -> None:
    rows = np.array([[1.0, -9999.0], [0.0, np.float32(-999.9)], [np.nan, 2.0]])
    got = lsl_xml.blanked(rows, (-9999.0, -999.9))
    np.testing.assert_array_equal(got, [[1.0, np.nan], [0.0, np.nan], [np.nan, 2.0]])


def test_a_mender_is_there_only_where_there_is_work() -> None:
    plain = lsl_xml.channel_map(SCREEN["pixels"])
    assert lsl_xml.mender(None, SCREEN["pixels"], {}) is None
    assert lsl_xml.mender(plain, SCREEN["pixels"], {}) is None
    names = {**plain, "origin": "bottom-left", "missing": [-9.0]}
    mend = lsl_xml.mender(names, SCREEN["pixels"], SETUP)
    assert mend is not None
    np.testing.assert_array_equal(
        mend(np.array([[5.0, 80.0], [-9.0, -9.0]])), [[5.0, 1000.0], [np.nan, np.nan]]
    )


def test_the_stated_delay_and_the_channels_listed_are_read() -> None:
    desc = ET.fromstring(
        "<desc><channels><channel/><channel/><channel/></channels><synchronization>"
        "<offset_mean>0.08</offset_mean></synchronization></desc>"
    )
    said = lsl_xml.read(Node(desc), 2)
    assert (said.listed, said.delay_s, len(said.channels)) == (3, 0.08, 2)
    assert math.isnan(lsl_xml.read(Node(ET.Element("desc")), 2).delay_s)


@pytest.mark.parametrize(
    ("source_id", "made_up"),
    [
        ("-2436721537763727927", True),
        ("2436721537763727927", True),
        ("123e4567-e89b-12d3-a456-426614174000", True),
        ("serial-20260101", False),
        ("12345678", False),
        ("", False),
    ],
)
def test_ids_that_do_not_stay_are_told(source_id: str, made_up: bool) -> None:
    """Source: pylsl takes `hash()` where no source_id is given; RFC 9562 for UUIDs."""
    found = replace(GAZE, source_id=source_id)
    assert found.made_up == made_up
    assert found.key == (source_id if source_id and not made_up else GAZE.name)
