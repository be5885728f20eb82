"""Each rule on streams: broken once, with its figure; a good stream breaks none."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import ArrayLike, NDArray

from calibkit import language
from calibkit.channels import Channel
from calibkit.streams import lsl_report, lsl_xml, rules, rules_said, rules_stamps
from calibkit.streams.lsl_found import Found
from calibkit.streams.rules_values import sentinel
from calibkit.streams.sight import Sight

Array = NDArray[np.float64]
GAZE = Found(
    name="gaze",
    source_id="tracker-1",
    kind="Gaze",
    host="here",
    channel_count=6,
    rate=250.0,
    text=False,
    uid="u1",
    form="float32",
)
SETUP = {"screen_px": (1920, 1080), "screen_mm": (520, 290), "distance_mm": (600,)}
COUNT = 1000


def channel(kind: str, eye: str = "left", unit: str = "pixels") -> Channel:
    return Channel(label=f"{eye} {kind}", eye=eye, type=kind, unit=unit)


SCREEN = tuple(
    channel(f"Screen{axis}", eye) for eye in ("left", "right") for axis in "XY"
)
PUPILS = tuple(
    channel(f"{stem}{axis}") for stem in ("Pupil", "Reflex") for axis in "XY"
)


def walk(columns: int = 4) -> Array:
    """Gaze that jumps between places, with noise, pixels."""
    rng = np.random.default_rng(1)
    places = np.repeat(rng.uniform(200, 900, (10, columns)), COUNT // 10, axis=0)
    return places + rng.normal(0, 4, places.shape)


def sight(**changes: object) -> Sight:
    time = 100 + np.arange(COUNT) / 250
    fine = Sight(
        found=GAZE,
        channels=SCREEN,
        setup=SETUP,
        described=True,
        time=time,
        samples=walk(),
        arrival=time + 0.004,
        watched_s=4.0,
        listed=4,
    )
    return replace(fine, **changes)  # type: ignore[arg-type]


GOOD = sight()
TIME = GOOD.time


def stamped(time: Array, delay_s: float = 0.004, **changes: object) -> Sight:
    """Other stamps of samples that arrive as they always did."""
    return sight(time=time, arrival=TIME + delay_s, **changes)


def kept(rows: NDArray[np.bool_], **changes: object) -> Sight:
    return sight(
        time=TIME[rows], samples=GOOD.samples[rows], arrival=TIME[rows], **changes
    )


def with_values(rows: slice, value: ArrayLike, columns: slice = slice(0, 2)) -> Sight:
    samples = GOOD.samples.copy()
    samples[rows, columns] = np.asarray(value)
    return sight(samples=samples)


def extra(kind: str, values: object, eye: str = "both", form: str = "float32") -> Sight:
    more = np.broadcast_to(np.asarray(values, float), COUNT)[:, None]
    return sight(
        channels=(*SCREEN, channel(kind, eye)),
        samples=np.hstack([GOOD.samples, more]),
        found=replace(GAZE, form=form),
        listed=5,
    )


def renamed(**words: str) -> tuple[Channel, ...]:
    return tuple(replace(c, **words) for c in SCREEN)


def swap(time: Array) -> Array:
    changed = time.copy()
    changed[[10, 11]] = changed[[11, 10]]
    return changed


def holes(*, first: int, last: int) -> NDArray[np.bool_]:
    rows = np.ones(COUNT, bool)
    rows[first:last] = False
    return rows


def lost_marks() -> Sight:
    """-9999 in three stretches of ten samples."""
    samples = GOOD.samples.copy()
    for start in (100, 400, 700):
        samples[start : start + 10, :2] = -9999.0
    return sight(samples=samples)


def directions() -> Sight:
    rng = np.random.default_rng(2)
    values = rng.normal([0, 0, 2], 0.1, (COUNT, 3))
    rows = tuple(channel(f"Direction{axis}", "both", "") for axis in "XYZ")
    return sight(channels=rows, samples=values, listed=3)


BATCHED = np.repeat(TIME[::10], 10) + np.tile(np.arange(10) * 1e-5, COUNT // 10)
JITTER = TIME + np.random.default_rng(3).uniform(-0.0018, 0.0018, COUNT)

# Rule: the stream, and the words that must hold its figure.
CASES: dict[str, tuple[Callable[[], Sight], str]] = {
    "channels-unnamed": (
        lambda: sight(channels=lsl_xml.unnamed(4), listed=0),
        "none of 4 channels",
    ),
    "no-eye-complete": (
        lambda: sight(channels=renamed(type="ScreenX")),
        "no eye is complete; there are left ScreenX",
    ),
    "silent": (
        lambda: sight(
            time=TIME[:1], samples=GOOD.samples[:1], arrival=GOOD.arrival[:1]
        ),
        "1 samples came in 4.0 s",
    ),
    "half-pair": (
        lambda: extra("PupilX", walk(1)[:, 0], "left"),
        "the left eye has 1 PupilX, 0 PupilY",
    ),
    "channels-listed": (lambda: sight(listed=3), "describes 3 of its 4"),
    "unit-absent": (lambda: sight(channels=renamed(unit="")), "has no unit"),
    "unit-unknown": (lambda: sight(channels=renamed(unit="cm")), "is in 'cm'"),
    "source-id-absent": (
        lambda: sight(found=replace(GAZE, source_id="")),
        "no source_id",
    ),
    "source-id-made-up": (
        lambda: sight(found=replace(GAZE, source_id="-2436721537763727927")),
        "drawn anew",
    ),
    "clock-other": (
        lambda: stamped(TIME + 1.7e9, day_s=1.7e9),
        "by -1700000000 s (they are the time of day)",
    ),
    "clock-drift": (
        lambda: stamped(100 + (TIME - 100) * 0.99),
        "10.00 ms a second slow",
    ),
    "stamps-ahead": (lambda: stamped(TIME + 0.05), "stamped 46 ms after they"),
    "late": (
        lambda: stamped(TIME, 0.25),
        "samples arrive 250 ms after their stamps",
    ),
    "rate-wrong": (
        lambda: sight(found=replace(GAZE, rate=60.0)),
        "declares 60 Hz and sends 250.0 Hz",
    ),
    "frames-absent": (
        # one gap of 100 frames: 404 ms from sample to sample
        lambda: kept(holes(first=100, last=200)),
        "10.0% of the frames are absent, the longest gap is 404 ms",
    ),
    "gap": (
        lambda: kept(holes(first=100, last=350), found=replace(GAZE, rate=0.0)),
        "for 1.00 s no sample came",
    ),
    "stamps-repeated": (
        lambda: stamped(np.repeat(TIME[::2], 2), found=replace(GAZE, rate=0.0)),
        "50.1% of the samples repeat",
    ),
    "stamps-backward": (lambda: stamped(swap(TIME)), "0.1% of the stamps run"),
    "stamps-bunched": (
        lambda: stamped(BATCHED, 0.01, found=replace(GAZE, rate=0.0)),
        "90% of the stamps follow within",
    ),
    "stamps-uneven": (lambda: stamped(JITTER), "steps of 4.0 ms vary by"),
    "correction-unsteady": (
        lambda: sight(corrections_s=[1.0, 1.002, 1.012]),
        "changes by 10.0 ms",
    ),
    "sentinel-undeclared": (
        lost_marks,
        "3.0% of the left eye's samples are exactly (-9999, -9999)",
    ),
    "eye-constant": (
        lambda: with_values(slice(None), [300.0, 400.0]),
        "the left eye's positions are the same in 1000",
    ),
    "eye-frozen": (
        lambda: sight(samples=np.repeat(GOOD.samples[::2], 2, axis=0)),
        "50.1% of the samples repeat the left",
    ),
    "eyes-identical": (
        lambda: sight(samples=np.tile(GOOD.samples[:, :2], 2)),
        "same values in 100%",
    ),
    "unit-mismatch": (
        lambda: sight(samples=walk() / 1080),
        "100% of the left eye's positions lie within -0.5 to 1.5, though their unit is "
        "px",
    ),
    "origin-centre": (
        lambda: sight(samples=walk() - [960, 540, 960, 540]),
        "screen positions are negative",
    ),
    "outside": (
        lambda: with_values(slice(500, 600), 9000.0 + walk()[:100, :2]),
        "10.0% of the left eye's positions are far outside",
    ),
    "direction-length": (directions, "the both eye's directions are 2."),
    "confidence-range": (
        lambda: extra("Confidence", np.linspace(0, 100, COUNT)),
        "reaches 100",
    ),
    "float32-epoch": (
        lambda: extra("FrameNumber", 1.7e9 + TIME),
        "1.7e+09, where float32 has steps of 128",
    ),
    "coarse": (
        lambda: sight(
            samples=np.round(walk() / 1080, 1), channels=renamed(unit="norm")
        ),
        "values, 0.1 apart",
    ),
    "eye-absent": (lambda: sight(channels=renamed(eye="")), "4 channels name no eye"),
    "type-unread": (lambda: extra("Lid", walk(1)[:, 0]), "1 channels have a type"),
    "labels-shared": (lambda: sight(channels=renamed(label="x")), "more than once: x"),
    "setup-absent": (lambda: sight(setup={}), "screen_px, screen_mm, distance_mm"),
    "arrive-in-chunks": (
        lambda: sight(arrival=np.repeat(TIME[19::20], 20)),
        "20 samples arrive at once, every 80 ms",
    ),
    "eye-lost": (
        lambda: with_values(slice(0, 100), np.nan),
        "10.0% of the samples have no left eye",
    ),
    "zeros": (
        lambda: with_values(slice(0, 50), 0.0),
        "5.0% of the samples say 0 or -1 for the left eye",
    ),
    "channel-constant": (lambda: extra("Diameter", 3.0), "Diameter never changed"),
}
# What else such a stream rightly breaks.
ALSO = {
    "no-eye-complete": {"half-pair", "labels-shared"},
    "sentinel-undeclared": {"outside"},
    "frames-absent": {"rate-wrong"},
    "eye-absent": {"labels-shared"},
}
ELSEWHERE = {"text-format", "too-many-channels", "source-id-shared", "name-shared"}


def test_every_rule_has_a_case() -> None:
    assert CASES.keys() | ELSEWHERE == rules.RULES.keys()


def test_a_good_stream_breaks_none() -> None:
    assert lsl_report.findings(GOOD) == []
    row = lsl_report.facts(GOOD)
    assert row["measured_rate"] == pytest.approx(250, abs=0.1)
    assert row["age_ms"] == pytest.approx(4.0, abs=0.01)
    assert row["missing"] == []
    assert row["reads"][0]["kind"] == "screen"
    assert "nothing wrong" in lsl_report.text(row, [])


def test_raw_pupils_break_none() -> None:
    assert lsl_report.findings(sight(channels=PUPILS)) == []


@pytest.mark.parametrize("rule", CASES)
def test_each_rule_finds_its_fault_and_shows_the_figure(rule: str) -> None:
    make, words = CASES[rule]
    seen = lsl_report.findings(make())
    mine = [finding for finding in seen if finding.id == rule]
    assert mine, [finding.what for finding in seen]
    assert words in mine[0].what
    assert {f.id for f in seen} <= {rule, *ALSO.get(rule, ())}
    text = lsl_report.text(lsl_report.facts(make()), seen)
    assert f"{rules.RULES[rule].level}  {rule}: " in text
    assert f"costs: {rules.RULES[rule].costs}" in text
    assert f"fix: {rules.RULES[rule].remedy}" in text


# Rules' ids, flags, words of the metadata and names of fields stay as they are.
GIVEN = r"[a-z\d]+-[a-z\d-]+:|--\S+|eye: \S+|unit: \S+|\w+_\w+|(?<=es gibt ).*"


@pytest.mark.parametrize("rule", CASES)
def test_each_rule_speaks_german_as_a_whole(rule: str) -> None:
    seen = CASES[rule][0]()
    english = lsl_report.findings(seen)
    plain = lsl_report.text(lsl_report.facts(seen), english)
    with language.speaking("de"):
        german = lsl_report.findings(seen)
        told = lsl_report.text(lsl_report.facts(seen), german)
    for one, same in zip(german, english, strict=True):
        assert (one.id, one.level, one.unit) == (same.id, same.level, same.unit)
        np.testing.assert_equal(one.value, same.value)
        assert one.what != same.what
        assert one.costs != same.costs
        assert one.remedy != same.remedy
    assert "Abhilfe: " in told
    assert len(told.splitlines()) == len(plain.splitlines())
    found = re.findall(
        r".*\b(?:the|is|are|of|not|and|or|to|no|on|with|eyes?)\b.*",
        re.sub(GIVEN, "", told),
        re.I,
    )
    assert not found, told
    # Nothing of it stays: what programs read is made without a language.
    assert lsl_report.text(lsl_report.facts(seen), lsl_report.findings(seen)) == plain


def test_what_a_german_reads_of_a_stream() -> None:
    with language.speaking("de"):
        seen = sight(corrections_s=[1.0, 1.002, 1.012])
        text = lsl_report.text(lsl_report.facts(seen), lsl_report.findings(seen))
        fine = lsl_report.text(lsl_report.facts(GOOD), [])
    assert text.splitlines()[1:5] == [
        "  auf here, 250 Hz gemessen, 250 Hz angegeben, Kanäle: 4",
        "  linkes Auge: Ort auf dem Bildschirm (left ScreenX, left ScreenY)",
        "  rechtes Auge: Ort auf dem Bildschirm (right ScreenX, right ScreenY)",
        "  Prüfung: Befunde: 1 (sperrt: nicht brauchbar; schadet: schlechterer Blick)",
    ]
    assert (
        "schadet  correction-unsteady: der Unterschied der Uhren springt um 10,0 ms"
        in text
    )
    assert fine.endswith("  Prüfung: nichts Falsches gesehen")


def test_streams_beside_each_other() -> None:
    twin = replace(GAZE, uid="u2")
    namesake = replace(GAZE, uid="u3", source_id="tracker-2")
    for other, rule in ((twin, "source-id-shared"), (namesake, "name-shared")):
        (finding,) = lsl_report.findings(GOOD, [GAZE, other])
        assert (finding.id, finding.value) == (rule, 2.0)


def test_streams_that_cannot_be_opened() -> None:
    ids = [f.id for f in rules_said.refused(replace(GAZE, text=True))]
    assert ids == ["text-format"]
    ids = [f.id for f in rules_said.refused(replace(GAZE, channel_count=65))]
    assert ids == ["too-many-channels"]


def test_another_clock_is_told_from_the_time_of_day() -> None:
    (finding,) = lsl_report.findings(stamped(TIME - 90, day_s=1.7e9))
    assert finding.id == "clock-other"
    assert "time of day" not in finding.what
    assert finding.value == pytest.approx(90.004)


def test_a_stated_delay_counts_as_late() -> None:
    (finding,) = lsl_report.findings(sight(delay_s=0.12))
    assert finding.id == "late"
    assert finding.value == pytest.approx(0.124)
    assert lsl_report.facts(sight(delay_s=0.12))["stated_delay_ms"] == 120.0


def test_what_is_stored_is_not_asked_of_the_stream() -> None:
    seen = sight(setup={}, known=SETUP)
    assert lsl_report.findings(seen) == []
    assert lsl_report.facts(sight(setup={}))["missing"] == list(SETUP)


@settings(max_examples=30, deadline=None)
@given(st.floats(-0.02, 0.02), st.integers(0, 2**32 - 1))
def test_drift_is_measured_through_jittery_delays(drift: float, seed: int) -> None:
    """Source: Cristian (1989): the least of many delays is nearest to the true one."""
    delays = np.random.default_rng(seed).exponential(0.003, COUNT)
    stamps = 50 + TIME * (1 - drift)
    found = rules_stamps.drift_of(stamps, TIME + delays)
    if abs(drift) > 0.004:
        assert found == pytest.approx(drift, abs=2e-3)
    elif abs(drift) < 0.0005:
        assert np.isnan(found)


@pytest.mark.parametrize("busy", [(0.0, 0.35), (0.7, 1.0), (0.4, 1.0), (0.0, 0.1)])
def test_a_busy_computer_is_no_drift(busy: tuple[float, float]) -> None:
    """A clock's drift is a rate and adds evenly (RFC 5905, 2: frequency offset)."""
    share = np.linspace(0.0, 1.0, len(TIME))
    late = (share >= busy[0]) & (share <= busy[1])
    delays = np.random.default_rng(4).exponential(0.002, len(TIME)) + 0.03 * late
    assert np.isnan(rules_stamps.drift_of(50 + TIME, TIME + delays))


@settings(max_examples=30, deadline=None)
@given(st.sampled_from([-9999.0, 65535.0, -32768.0, 1e30]), st.integers(2, 6))
def test_a_far_mark_is_found_and_gaze_is_not(mark: float, runs: int) -> None:
    part = walk(2)
    seen = np.ones(COUNT, bool)
    assert sentinel(part, seen) is None
    assert sentinel(np.round(part), seen) is None
    for run in range(runs):
        part[run * 150 : run * 150 + 5] = mark
    answer = sentinel(part, seen)
    assert answer is not None
    assert answer[0].tolist() == [mark, mark]
    assert answer[1] == pytest.approx(5 * runs / COUNT)


@pytest.mark.parametrize("count", [0, 1, 2, 5])
def test_hardly_any_samples_never_fail(count: int) -> None:
    seen = sight(
        time=TIME[:count], samples=GOOD.samples[:count], arrival=GOOD.arrival[:count]
    )
    json.dumps(lsl_report.facts(seen), allow_nan=False)
    lsl_report.text(lsl_report.facts(seen), lsl_report.findings(seen))


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_noise_of_any_kind_never_fails(seed: int) -> None:
    rng = np.random.default_rng(seed)
    odd = np.array([np.nan, np.inf, -np.inf, 0.0, -1.0, 1e308, -1e308, 5.0])
    samples = odd[rng.integers(0, len(odd), (60, 4))]
    seen = sight(time=rng.normal(0, 1e3, 60), samples=samples, arrival=np.arange(60.0))
    for finding in lsl_report.findings(seen):
        assert finding.id in rules.RULES
    json.dumps(lsl_report.facts(seen), allow_nan=False)


def test_the_developers_page_holds_the_table() -> None:
    """CALIBKIT_GOLD=accept writes it anew."""
    path = Path(__file__).parent.parent / "DEVELOPERS.md"
    text = path.read_text(encoding="utf-8")
    start = text.index("| id | level |")
    end = text.index("\n\n", start)
    if text[start:end] != rules.table() and os.environ.get("CALIBKIT_GOLD") == "accept":
        text = text[:start] + rules.table() + text[end:]
        path.write_text(text, encoding="utf-8")
        end = text.index("\n\n", start)
    assert text[start:end] == rules.table()
