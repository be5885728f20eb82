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
from calibkit.streams import lsl_config, lsl_markers, lsl_report, lsl_xml
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


# What a stream does wrong.


def sight(**changes: object) -> lsl_report.Sight:
    time = 100 + np.arange(1000) / 250
    rng = np.random.default_rng(1)
    fine = lsl_report.Sight(
        found=GAZE,
        channels=PUPILS,
        setup=SETUP,
        described=True,
        time=time,
        samples=rng.normal(500, 5, (1000, 4)),
        arrival=time + 0.004,
        watched_s=4.0,
    )
    return replace(fine, **changes)  # type: ignore[arg-type]


def told(seen: lsl_report.Sight) -> str:
    return " | ".join(fault.what for fault in lsl_report.faults(seen))


def test_a_good_stream_has_no_fault() -> None:
    assert lsl_report.faults(sight()) == []
    row = lsl_report.facts(sight())
    assert row["measured_rate"] == pytest.approx(250, abs=0.1)
    assert row["missing"] == []
    assert row["reads"][0]["kind"] == "pupil-reflex"
    assert "nothing wrong" in lsl_report.text(row, [])


def test_each_fault_is_named() -> None:
    good = sight()
    holes, zeros = good.samples.copy(), good.samples.copy()
    holes[:100], zeros[:50] = np.nan, 0.0
    frozen = np.repeat(good.samples[::2], 2, axis=0)
    swapped = good.time.copy()
    swapped[[10, 11]] = swapped[[11, 10]]
    cases = {
        "declares 60 Hz and sends 250.0 Hz": sight(found=replace(GAZE, rate=60.0)),
        "no channel says what it is": sight(channels=lsl_xml.unnamed(4)),
        "no source_id": sight(found=replace(GAZE, source_id="")),
        "10.0% of the samples have no left eye": sight(samples=holes),
        "5.0% of the samples say 0 or -1": sight(samples=zeros),
        "repeat the left eye's values exactly": sight(samples=frozen),
        "differ from the LSL clock": sight(arrival=good.arrival + 1e6),
        "arrive 254 ms after": sight(arrival=good.arrival + 0.25),
        "run backward": sight(time=swapped),
        "repeat the stamp before": sight(time=np.repeat(good.time[::2], 2)),
        "1 samples came": sight(
            time=good.time[:1], samples=good.samples[:1], arrival=good.arrival[:1]
        ),
        "name no eye": sight(channels=tuple(replace(c, eye="") for c in PUPILS)),
    }
    for word, seen in cases.items():
        assert word in told(seen), word


def test_absent_frames_are_counted() -> None:
    kept = np.ones(1000, bool)
    kept[100:200] = False  # one gap of 100 frames: 404 ms from sample to sample
    good = sight()
    seen = sight(
        time=good.time[kept], samples=good.samples[kept], arrival=good.arrival[kept]
    )
    assert "10.0% of the frames are absent, the longest gap is 404 ms" in told(seen)


def test_screen_without_unit_is_told() -> None:
    pair = (channel("ScreenX", "both", ""), channel("ScreenY", "both", ""))
    seen = sight(channels=pair, samples=sight().samples[:, :2])
    assert "has no unit" in told(seen)


def test_what_is_not_known_is_listed() -> None:
    row = lsl_report.facts(sight(setup={}), known=("screen_px",))
    assert row["missing"] == ["screen_mm", "distance_mm"]
    assert "not known: screen_mm, distance_mm" in lsl_report.text(row, None)


@pytest.mark.parametrize("count", [0, 1, 2])
def test_hardly_any_samples_never_fail(count: int) -> None:
    good = sight()
    seen = sight(
        time=good.time[:count],
        samples=good.samples[:count],
        arrival=good.arrival[:count],
    )
    json.dumps(lsl_report.facts(seen))
    lsl_report.faults(seen)
