"""The report: one content in three forms, self-contained, readable, the same bytes.

A changed page fails against tests/gold and is left beside it as `*.new`; look at it,
then accept it by renaming, or run the test with CALIBKIT_GOLD=accept.
"""

from __future__ import annotations

import json
import os
import re
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from html.parser import HTMLParser
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
from numpy.typing import NDArray

from calibkit import geometry
from calibkit.channels import Channel
from calibkit.cli import main
from calibkit.fitted.mapping import Mapping
from calibkit.fitted.mapping_parts import LOOK_DTYPE
from calibkit.geometry import Setup
from calibkit.joined import options, run_words
from calibkit.judged import coach_evidence
from calibkit.judged.assess_figures import TARGET_FIELDS, Assessment
from calibkit.judged.keys import usable_keys
from calibkit.kept.recording import Recording, target_rows
from calibkit.report import advice, page, plots, terminal, words
from calibkit.report.build import build
from calibkit.report.data import CAUTIONS, Report

GOLD = Path(__file__).parent / "gold"
SETUP = Setup(screen_px=(1920, 1080), screen_mm=(531.0, 299.0), distance_mm=600.0)
OFFSETS = [
    (0.4, -0.2),
    (-0.3, 0.5),
    (0.1, 0.7),
    (-0.6, 0.1),
    (0.2, 0.3),
    (0.9, -0.1),
]
PLACES = [(300, 200), (1600, 220), (960, 540), (320, 860), (1620, 880), (1300, 500)]


def assessment(offsets: list[tuple[float, float]] | None = None) -> Assessment:
    """An assessment by hand: these offsets, precision .2 and .1, 5 % loss."""
    offsets = OFFSETS if offsets is None else offsets
    rows = np.zeros(len(offsets), TARGET_FIELDS)
    rows["x"], rows["y"] = np.array(PLACES[: len(offsets)], float).T
    rows["offset_x_deg"], rows["offset_y_deg"] = np.array(offsets).T
    rows["accuracy_deg"] = np.hypot(*np.array(offsets).T)
    rows["precision_sd_deg"], rows["precision_rms_deg"] = 0.2, 0.1
    rows["loss"], rows["samples"], rows["seconds"] = 0.05, 60, 1.0
    rows["effective_samples"], rows["looked"] = 8.0, True
    rows["variance_x_deg2"], rows["variance_y_deg2"] = 0.03, 0.01
    columns = {name: rows[name].tolist() for name, _ in TARGET_FIELDS}
    empty = {name: [0.0] * len(rows) for name in columns}
    empty["accuracy_deg"] = [None] * len(rows)  # type: ignore[list-item]
    one = {"loss": 0.05, "targets": columns}
    return Assessment.from_snapshot(
        {
            "role": "validation",
            "rate_hz": 60.0,
            "measured_rate_hz": 59.8,
            "reasons": ["looked at for 1.00 s"] * len(rows),
            "setup": {
                name: getattr(SETUP, name)
                for name in ("screen_px", "screen_mm", "distance_mm")
            },
            "eyes": {
                "both": one,
                "left": one,
                "right": {"loss": 1.0, "targets": empty},
            },
        }
    )


@dataclass(frozen=True)
class Made:
    """The part of a mapping that a report shows."""

    setup: Setup = SETUP
    id: int = 4711
    eyes: tuple[str, ...] = ("left", "right")
    people: int = 20
    notes: tuple[str, ...] = ("The prior was made from simulated people.",)
    source: dict[str, str] = field(default_factory=lambda: {"session": "s-1"})

    @property
    def looks(self) -> NDArray[np.void]:
        rows = np.zeros(3, LOOK_DTYPE)
        rows["x"], rows["y"], rows["samples"] = [200, 960, 1700], [540, 540, 100], 55
        rows["weight"] = [1.0, 0.3, 0.01]
        rows["reason"] = ["looked at for 0.90 s", "restless", "looked elsewhere"]
        return rows


HISTORY: list[dict[str, Any]] = [
    {
        "created": "2026-03-01T09:30:00Z",
        "kind": "calibration",
        "protocol": "standard",
        "accuracy_deg": 1.2,
        "loss": 0.12,
        "rows": 3,
        "columns": 4,
        "kept": True,
    },
    {"created": "2026-03-02T09:30:00Z", "kind": "validation", "accuracy_deg": None},
]


def report(result: Assessment | None = None, **parts: Any) -> Report:
    result = assessment() if result is None else result
    given: dict[str, Any] = {
        "title": "Gaze calibration report",
        "made": "2026-03-03 10:00 UTC with calibkit 0.1.0",
        "mapping": cast(Mapping, Made()),
        "result": result,
        "keys": usable_keys(result, setup=SETUP),
        "about": [("Person", "kim-3"), ("Recorded", "2026-03-03 09:58")],
        "technical": [("Recording", "s-1.h5")],
        "history": HISTORY,
    }
    return build(**{**given, **parts})


NOTHING: dict[str, Any] = {
    "title": "Gaze calibration report",
    "made": "today",
    "mapping": None,
    "result": None,
    "keys": None,
}


# Named scrubs: what may change without a change of ours.
SCRUBS = {
    # matplotlib's drawing commands differ between its versions; titles stay.
    "drawing": (re.compile(r"(</desc>).*?(</svg>)", re.DOTALL), r"\1...\2"),
    "svg-head": (
        re.compile(r"<svg [^>]*?(role=[^>]*?)( [a-z:]+=\"[^\"]*\")*>"),
        "<svg>",
    ),
}


def scrubbed(text: str) -> str:
    for pattern, new in SCRUBS.values():
        text = pattern.sub(new, text)
    return text


@pytest.mark.parametrize("name", ["report.html", "report.txt"])
def test_gold(name: str) -> None:
    made = report()
    text = page.render(made) if name.endswith("html") else terminal.text(made)
    text, gold = scrubbed(text), GOLD / name
    if os.environ.get("CALIBKIT_GOLD") == "accept":
        gold.write_text(text, encoding="utf-8")
    if text != gold.read_text(encoding="utf-8"):
        gold.with_name(f"{name}.new").write_text(text, encoding="utf-8")
        pytest.fail(f"{name} changed; compare tests/gold/{name}.new and accept it")


def test_the_same_bytes_twice() -> None:
    assert page.render(report()) == page.render(report())


class Elements(HTMLParser):
    """Collects what a page is made of, and fails where tags do not nest."""

    VOID = ("meta", "br", "link", "img", "hr", "input")

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str, str]] = []
        self.words: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += [(tag, name, value or "") for name, value in attrs]
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += [(tag, name, value or "") for name, value in attrs]

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if not {"style", "svg"} & set(self.open):
            self.words.append(" ".join(data.split()))


def elements(text: str) -> Elements:
    parser = Elements()
    parser.feed(text)
    parser.close()
    assert parser.open == []
    return parser


@pytest.mark.parametrize("large", [False, True])
def test_the_page_stands_alone(large: bool) -> None:
    """No network, no script; language, named pictures (WCAG 1.1.1, 3.1.1)."""
    text = page.render(report(), large=large)
    found = elements(text)
    assert not {"script", "link", "img", "iframe", "object"} & set(found.tags)
    for tag, name, value in found.attributes:
        assert name not in ("src", "action", "onclick", "onload"), tag
        if "href" in name:
            assert value.startswith("#")
    outside = set(re.findall(r"https?://[^\s\"'<)]+", text))
    assert outside <= {"http://www.w3.org/2000/svg", "http://www.w3.org/1999/xlink"}
    assert "@import" not in text
    ids = [value for _, name, value in found.attributes if name == "id"]
    assert len(ids) == len(set(ids))
    assert ("html", "lang", "en") in found.attributes
    assert found.tags.count("svg") == 3
    for tag, name, value in found.attributes:
        if name == "aria-labelledby":
            assert set(value.split()) <= set(ids), tag
    assert ("html", "class", "large") in found.attributes or not large


def test_what_comes_first() -> None:
    """First what the person can use, then the picture, the numbers, the annex."""
    text = page.render(report())
    order = [
        "can be used.",
        "<svg",
        "Where gaze fell",
        "The numbers",
        "Technical annex",
    ]
    places = [text.index(part) for part in order]
    assert places == sorted(places)
    assert "@page" in text
    assert "@media print" in text


def luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.2."""
    values = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [
        v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in values
    ]
    return float(np.dot(linear, [0.2126, 0.7152, 0.0722]))


def contrast(a: str, b: str) -> float:
    high, low = sorted([luminance(a), luminance(b)], reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_contrast() -> None:
    """Text 7:1, lines 3:1 (WCAG 1.4.6, 1.4.11); the formula gives published ratios."""
    assert contrast("#ffffff", "#1A1A1A") == pytest.approx(17.4, abs=0.05)
    assert contrast("#0072B2", "#ffffff") == pytest.approx(5.2, abs=0.05)
    assert contrast("#D55E00", "#ffffff") == pytest.approx(3.9, abs=0.05)
    style = page.render(report()).split("<style>")[1].split("</style>")[0]
    colours = dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", style))
    for ground in ("#ffffff", colours["tint"]):
        assert contrast(colours["ink"], ground) >= 7
        assert contrast(colours["soft"], ground) >= 7
    assert contrast(colours["line"], "#ffffff") >= 3
    assert contrast(plots.INK, "#f1f1f1") >= 7
    assert contrast(plots.GAZE, "#ffffff") >= 7
    assert contrast(plots.SOFT, "#ffffff") >= 3


def test_letters_are_large_enough() -> None:
    """12 points at least, on the page and in the pictures; nothing below 1 rem."""
    text = page.render(report())
    style = text.split("<style>")[1].split("</style>")[0]
    assert "html { font-size: 12pt; }" in style
    assert all(float(s) >= 1 for s in re.findall(r"font-size: ([\d.]+)rem", style))
    made = [plots.key_grid(report()), plots.screen_map(report()), plots.aim(report())]
    sizes = [
        float(size)
        for svg in made
        for size in re.findall(r"font-size: ([\d.]+)px", svg)
    ]
    assert sizes
    assert min(sizes) >= 12


def svg_texts(svg: str) -> list[str]:
    tree = ET.fromstring(svg)
    return [
        (element.text or "").strip()
        for element in tree.iter()
        if element.tag.endswith("}text")
    ]


def test_the_pictures_show_the_data() -> None:
    made = report()
    keys = made.keys
    assert keys is not None
    grid = svg_texts(plots.key_grid(made))
    assert len(grid) == keys.rows * keys.columns
    assert str(int(100 * keys.probability)) in grid
    numbers = [str(k + 1) for k in range(len(OFFSETS))]
    assert svg_texts(plots.screen_map(made)) == numbers
    assert sorted(svg_texts(plots.aim(made))) == sorted([*numbers, "1 degree"])


def test_a_drawn_ellipse_holds_its_share() -> None:
    """Draws from the covariance lie inside the outline in 68 of 100 cases."""
    row = replace(report().targets[0], covariance_deg2=(0.09, 0.16, 0.05))
    outline = plots._ellipse(row)
    rng = np.random.default_rng(1)
    draws = rng.multivariate_normal([0, 0], [[0.09, 0.05], [0.05, 0.16]], 40_000)
    from shapely import contains_xy
    from shapely.geometry import Polygon

    inside = contains_xy(Polygon(outline), draws[:, 0], draws[:, 1])
    assert inside.mean() == pytest.approx(0.68, abs=0.01)


def test_keys_too_small_for_numbers_get_none() -> None:
    keys = usable_keys(assessment([(0.01, 0.0)] * 6), setup=SETUP)
    small = replace(keys, rows=20, columns=40, key_mm=(13.3, 15.0))
    made = replace(report(), keys=small, hits=((0.99,) * 40,) * 20)
    assert svg_texts(plots.key_grid(made)) == []
    assert "A number says" not in page.render(made)


def test_the_forms_say_the_same() -> None:
    """Every sentence and figure of the data is on the page, in the text, in JSON."""
    made = report()
    shown = " ".join(elements(page.render(made)).words)
    text = " ".join(terminal.text(made).split())
    for sentence in (made.headline, *made.explained, *made.sentences, *CAUTIONS):
        assert sentence in shown
        assert sentence in text
    for figure in made.figures:
        write = words.percent if figure.form == "share" else words.degrees
        assert figure.name in shown
        assert figure.name in text
        assert write(figure.value) in shown
        assert write(figure.value) in text
    for row in made.targets:
        assert row.direction in shown
        assert row.direction in text
    data = json.loads(json.dumps(options.plain(terminal.plain(made)), allow_nan=False))
    assert data["headline"] == made.headline
    assert data["keys"]["rows"] == (made.keys.rows if made.keys else None)
    assert [row["right_deg"] for row in data["targets"]] == [o[0] for o in OFFSETS]


def test_without_anything_it_says_so() -> None:
    made = build(**NOTHING)
    shown = " ".join(elements(page.render(made)).words)
    assert "It is not yet known which keys can be used." in shown
    assert "There is no mapping here" in shown
    assert "<svg" not in page.render(made)
    assert "There is no mapping here" in terminal.text(made)


def test_a_mapping_without_validation() -> None:
    made = build(**{**NOTHING, "mapping": cast(Mapping, Made())})
    shown = " ".join(elements(page.render(made)).words)
    assert "Run calibkit validate" in shown
    assert "looked elsewhere" in shown
    assert "left out" in shown


def test_no_key_is_possible_and_nobody_is_blamed() -> None:
    far = assessment([(14.0, 9.0), (-13.0, 4.0), (2.0, -12.0), (-9.0, -9.0)])
    made = report(far)
    assert made.headline == "No size of key is reliable enough yet."
    text = terminal.text(made)
    assert "does not describe what the person can do" in " ".join(text.split())
    for word in ("fail ", "unable", "incapable", "poor performance", "your fault"):
        assert word not in text.lower()


def test_names_from_outside_are_escaped() -> None:
    nasty = '<script>alert("x")</script>'
    made = report(about=[("Person", nasty)], title=nasty, technical=[("Note", nasty)])
    text = page.render(made)
    assert "<script" not in text
    assert "&lt;script&gt;" in text
    elements(text)


def sentences(made: Report) -> Iterator[str]:
    for line in (*made.explained, *made.sentences, *made.advice, *made.cautions):
        yield from re.split(r"(?<=[.;])\s+(?=[A-Z])", line)


def test_sentences_are_short() -> None:
    """At most 25 words a sentence, 15 to 20 on average or fewer (ISO 24495-1)."""
    far = assessment([*OFFSETS[:5], (9.0, 6.0)])
    lengths = [
        len(s.split()) for made in (report(), report(far)) for s in sentences(made)
    ]
    assert max(lengths) <= 25
    assert np.mean(lengths) <= 18


@pytest.mark.parametrize(
    ("mm", "picture"),
    [(3, "less than"), (8, "pencil"), (15, "fingertip"), (22, "thumb"), (80, "palm")],
)
def test_lengths_as_pictures(mm: float, picture: str) -> None:
    """Adult body measures, rounded, from memory."""
    assert picture in words.picture(mm)


def test_a_degree_in_millimetres() -> None:
    """Literature 1: 2 D tan(0.5 degrees) is 11.3449 mm at 650 mm."""
    near = replace(SETUP, distance_mm=650.0)
    assert words.mm_on_screen(near, 1.0) == pytest.approx(11.3449, abs=1e-3)


def test_directions_in_words() -> None:
    assert words.direction(0.7, -0.3) == "0.3° above, 0.7° to the right"
    assert words.direction(-0.7, 0.0) == "0.7° to the left"
    assert words.direction(0.01, 0.01) == "on it"
    assert words.place(SETUP, 100, 1000) == "lower left"
    assert words.place(SETUP, 960, 540) == "middle"
    assert words.percent(0.034) == "3.4 %"
    assert words.percent(0.0) == "0 %"


def test_advice_names_what_limits_the_result() -> None:
    result = assessment([*OFFSETS[:5], (9.0, 6.0)])
    keys = usable_keys(result, setup=SETUP)
    far = " ".join(advice.advice(result, keys))
    assert "Target 6" in far
    assert "Without it" in far
    few = assessment(OFFSETS[:2])
    assert "Only 2 check targets" in " ".join(
        advice.advice(few, usable_keys(few, setup=SETUP))
    )
    lost = replace(assessment(), loss=0.4)
    assert "40 % of the samples" in " ".join(advice.advice(lost, keys))
    late = " ".join(advice.advice(replace(lost, absent=0.3), keys))
    assert "Close other programs" in late
    assert "glasses" not in late
    slow = replace(assessment(), measured_rate_hz=30.0)
    assert "promises 60" in " ".join(advice.advice(slow, keys))
    assert "Only the left eye was seen" in far
    eyes = {
        "both": lost.eyes["both"],
        "left": replace(lost.eyes["left"], accuracy_deg=0.1),
        "right": replace(lost.eyes["right"], loss=0.05),
    }
    one = replace(assessment(), eyes=eyes, loss=0.05)
    assert "The left eye alone is closer" in " ".join(advice.advice(one, keys))


@pytest.mark.parametrize("place", PLACES)
def test_coach_and_report_name_a_place_alike(place: tuple[int, int]) -> None:
    """Else the operator looks for two places where there is one."""
    rows = np.array([place], [("x", float), ("y", float)])
    tried = SimpleNamespace(mapping=None, result=assessment())
    (by_coach,) = coach_evidence._places(tried, rows)  # type: ignore[arg-type]
    assert by_coach == words.place(SETUP, *place)


def test_the_operator_is_told_at_once_which_checks_do_not_count() -> None:
    """Common practice, no source: what was left out is said beside the result."""
    rows = assessment().targets.copy()
    rows["samples"][3], rows["accuracy_deg"][3] = 0, np.nan
    result = replace(assessment(), targets=rows)
    keys = usable_keys(result, setup=SETUP)
    said = run_words.validation(result, keys)
    assert "Left out of this: lower left." in said
    assert "more than 5°" not in said
    assert "Left out" not in run_words.validation(assessment(), keys)


def test_gaze_far_from_many_checks_says_that_looking_elsewhere_is_one_reason() -> None:
    """Else a client who looked away is told that their gaze is a palm's width off."""
    third = assessment([*OFFSETS[:4], (9.0, 0.0), (0.0, -9.0)])
    half = assessment([*OFFSETS[:3], (9.0, 0.0), (0.0, -9.0), (7.0, 5.0)])
    keys = usable_keys(half, setup=SETUP)
    told = "more than 5° away from 3 of 6 check targets"
    assert told in run_words.validation(half, keys)
    assert told in " ".join(advice.advice(half, keys))
    assert "more than 5°" not in run_words.validation(third, keys)


def test_eyes_are_not_said_to_be_lost_where_nothing_came() -> None:
    assert words.loss(0.2) == words.loss(0.2, 0.02)
    assert "lost the eyes 20 %" in words.loss(0.2, 0.02)
    assert "none came" in words.loss(0.2, 0.15)
    assert "eyes" not in words.loss(0.2, 0.15)
    # A sample or two at the ends of targets are no finding.
    assert "lost the eyes" in words.loss(0.02, 0.02)


def recorded(folder: Path) -> Path:
    """Write a small screen-tracker recording: nine targets, then six to check."""
    rng = np.random.default_rng(3)
    grid = [(x, y) for y in (150, 540, 930) for x in (250, 960, 1670)]
    spots = [(x, y, "calibration") for x, y in grid]
    spots += [(x, y, "validation") for x, y in PLACES]
    per = 60
    middle = np.repeat(np.array([s[:2] for s in spots], float), per, axis=0)
    gaze = rng.normal(middle, 5.0) + np.array([12.0, -8.0])
    rec = Recording(
        setup=SETUP,
        time=np.arange(len(gaze)) / 60.0,
        samples=gaze,
        channels=tuple(
            Channel(label=axis, eye="both", type=f"Screen{axis}", unit="pixels")
            for axis in "XY"
        ),
        targets=target_rows(
            [
                (k * 1.0, (k + 1) * 1.0, x, y, role, "timer", 1)
                for k, (x, y, role) in enumerate(spots)
            ]
        ),
        nominal_rate=60.0,
        session="s-1",
        person="kim-3",
        created="2026-03-03T09:58:00+00:00",
    )
    rec.save(folder / "rec.h5")
    return folder / "rec.h5"


def test_assess_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rec, mapping = str(recorded(tmp_path)), str(tmp_path / "m.h5")
    assert main(["fit", rec, "-o", mapping]) == 0
    capsys.readouterr()
    assert main(["assess", mapping, rec, "--compare", "affine", mapping]) == 0
    text = capsys.readouterr().out
    assert "Against the first" in text
    assert "the same" in text
    assert main(["assess", mapping, rec, "--json", "--compare", "affine"]) == 0
    data = json.loads(capsys.readouterr().out)
    # White noise of 5 px (0.13 degrees) an axis over a second: the mean is within .1.
    assert data["accuracy_deg"] < 0.1
    px = geometry.px_per_degree(SETUP, (960, 540))[0]
    assert data["precision_sd_deg"] == pytest.approx(np.hypot(*(5 / px)), rel=0.15)
    assert data["compare"][0]["name"] == "affine"
    assert {"left", "right", "both"} == set(data["eyes"])
    assert data["keys"]["rows"] > 3
    assert main(["assess", mapping, rec, "--compare", "nothing"]) == 2
    assert "neither a mapping file nor" in capsys.readouterr().err
    assert main(["assess", mapping, rec, "--role", "pointing"]) == 3
    assert main(["assess", mapping, str(tmp_path / "none.h5")]) == 3


def test_report_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rec, target = str(recorded(tmp_path)), tmp_path / "page.html"
    assert main(["report", rec, rec, "-o", str(target)]) == 0
    out = capsys.readouterr().out
    assert "can be used." in out
    text = target.read_text(encoding="utf-8")
    assert "Results so far" in text
    assert "kim-3" in text
    assert main(["report", rec, "-o", str(target)]) == 2
    assert main(["report", rec, "-o", str(target), "--force", "--json"]) == 0
    capsys.readouterr()
    assert main(["report", rec, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["headline"].endswith("can be used.")
    assert main(["report"]) == 2
    home = ["--home", str(tmp_path / "home")]
    assert main(["report", "--person", "nobody", *home]) == 3
    assert main(["report", "--person", "a/b", *home]) == 2


def test_report_of_a_person(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Earlier results are looked up again: mapping, recording and history at home."""
    from calibkit.fitted.fitting import fit
    from calibkit.kept import profile, records
    from calibkit.kept.plain import to_tree

    home = tmp_path / "home"
    mapping = fit(Recording.load(recorded(tmp_path)))
    plain = mapping.snapshot()
    profile.save(home, "kim-3", to_tree(plain), plain, created="2026-03-03T10:00:00Z")
    records.add_history(home, "kim-3", HISTORY[0])
    base = ["report", "--person", "kim-3", "--home", str(home), "--json"]
    assert main(base) == 0
    empty = json.loads(capsys.readouterr().out)
    assert empty["headline"] == "It is not yet known which keys can be used."
    assert empty["looks"]
    folder = records.folder(home, "recordings", "kim-3")
    recorded(folder)
    assert main(base) == 0
    full = json.loads(capsys.readouterr().out)
    assert full["keys"]["rows"] > 3
    assert full["history"][0]["when"] == "2026-03-01 09:30"
