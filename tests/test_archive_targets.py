"""Targets of other programs: by a description of their markers, or by a table."""

from __future__ import annotations

import math
import re
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import xdf_writing as xdf
from storing import one_line

import calibkit
from calibkit import cli
from calibkit.archive import marker_targets
from calibkit.archive.xdf import XdfFile, XdfStream
from calibkit.errors import InputError
from calibkit.geometry import Setup
from calibkit.kept.recording import Recording

ROOT = Path(__file__).parent.parent
SETUP = Setup(screen_px=(1000, 500), screen_mm=(500.0, 250.0), distance_mm=600.0)


def stream(*pairs: tuple[float, str], **changes: Any) -> XdfStream:
    times = np.array([t for t, _ in pairs], float)
    fields: dict[str, Any] = {
        "number": 1,
        "name": "stimuli",
        "kind": "Markers",
        "source_id": "s-1",
        "host": "desk",
        "form": "string",
        "nominal_rate": 0.0,
        "channels": (),
        "described": False,
        "setup": {},
        "device": {},
        "read": True,
        "time": times,
        "time_raw": times,
        "clock": np.empty((0, 2)),
        "breaks": np.empty(0, np.int64),
        "samples": None,
        "texts": tuple(w for _, w in pairs),
    }
    return XdfStream(**(fields | changes))


def rows(
    toml: str, *pairs: tuple[float, str], others: tuple[XdfStream, ...] = ()
) -> list[tuple[Any, ...]]:
    import tomllib

    file = XdfFile(path=Path("a.xdf"), created="", streams=(stream(*pairs), *others))
    return marker_targets.signs(tomllib.loads(toml), "a.toml").rows(file, SETUP)


def test_numbers_in_the_text() -> None:
    found = rows(
        '[[shown]]\ntext = "dot {id} at {x} {y}"\n[[gone]]\ntext = "dot {id} off"',
        (1.0, "trial 1"),
        (2.0, "dot a at 100 -2.5e1"),
        (3.5, "dot b off"),  # another one: this one stays
        (4.0, "dot a off"),
        (5.0, "dot c at .5 7."),
        (5.5, "dot c off"),
    )
    assert found == [
        (2.0, 4.0, 100.0, -25.0, "calibration", "timer", 1),
        (5.0, 5.5, 0.5, 7.0, "calibration", "timer", 1),
    ]


def test_places_by_name_in_fractions_with_roles_and_a_length() -> None:
    toml = """
        unit = "fraction"
        lasts_s = 1.5
        advance = "key"
        [[shown]]
        text = "left"
        x = 0.1
        y = 0.5
        [[shown]]
        text = "right ({role})"
        x = 0.9
        y = 0.5
    """
    found = rows(toml, (1.0, "left"), (2.0, "right (validation)"), (9.0, "left"))
    assert found == [
        (1.0, 2.0, 100.0, 250.0, "calibration", "key", 1),
        (2.0, 3.5, 900.0, 250.0, "validation", "key", 1),
        (9.0, 10.5, 100.0, 250.0, "calibration", "key", 1),
    ]


@pytest.mark.parametrize(
    ("origin", "place"),
    [
        ("top-left", (100.0, 50.0)),
        ("bottom-left", (100.0, 450.0)),
        ("center", (600.0, 300.0)),
        ("center-up", (600.0, 200.0)),
    ],
)
def test_origins(origin: str, place: tuple[float, float]) -> None:
    toml = f'origin = "{origin}"\nlasts_s = 1\n[[shown]]\ntext = "{{x}},{{y}}"'
    ((_, _, x, y, *_),) = rows(toml, (1.0, "100,50"))
    assert (x, y) == place


def test_only_the_stream_that_is_named() -> None:
    other = stream((2.0, "7 7"), name="other", source_id="o-1")
    toml = 'stream = "s-1"\nlasts_s = 1\n[[shown]]\ntext = "{x} {y}"'
    assert len(rows(toml, (1.0, "5 5"), others=(other,))) == 1
    assert len(rows(toml.replace("s-1", "o-1"), (1.0, "5 5"), others=(other,))) == 1
    assert len(rows(toml[15:], (1.0, "5 5"), others=(other,))) == 2


def test_the_last_target_lasts_as_long_as_the_others() -> None:
    toml = '[[shown]]\ntext = "{x} {y}"'
    found = rows(toml, (1.0, "1 1"), (3.0, "2 2"), (5.0, "3 3"), (6.0, "4 4"))
    assert [(a, b) for a, b, *_ in found] == [(1, 3), (3, 5), (5, 6), (6, 8)]
    with pytest.raises(InputError, match="lasts_s"):
        rows(toml, (1.0, "1 1"))


@pytest.mark.parametrize(
    ("toml", "word"),
    [
        ("", "[[shown]]"),
        ("shown = 3", "no list"),
        ("[[shown]]", "no text"),
        ('[[shown]]\ntext = ""', "empty"),
        ('[[shown]]\ntext = "dot"', "no place"),
        ('[[shown]]\ntext = "{x}"', "no place"),
        ('[[shown]]\ntext = "{x} {y} {z}"', "{z}"),
        ('[[shown]]\ntext = "{x} {x} {y}"', "twice"),
        ('[[shown]]\ntext = "{x}{y}"', "side by side"),
        ('[[shown]]\ntext = "a"\nx = true\ny = 1', "no number"),
        ('[[shown]]\ntext = "{x} {y}"\nrole = "lunch"', "lunch"),
        ('[[shown]]\ntext = "{x} {y}"\nsize = 3', "'size'"),
        ('[[gone]]\ntext = "off"\nx = 3', "'x'"),
        ('unit = "inches"', "inches"),
        ("lasts_s = 0", "lasts_s"),
        ("lasts_s = nan", "lasts_s"),
        ("colour = 3", "'colour'"),
        ("stream = 3", "stream"),
    ],
)
def test_descriptions_that_are_refused(toml: str, word: str) -> None:
    with pytest.raises(InputError) as caught:
        rows(toml, (1.0, "1 1"))
    assert word in str(caught.value)
    assert all(line.startswith("a.toml: ") for line in str(caught.value).splitlines())


def test_markers_that_mean_nothing_are_shown() -> None:
    with pytest.raises(InputError) as caught:
        rows('[[shown]]\ntext = "dot {x} {y}"', (1.0, "punkt 1 2"), (2.0, "pause"))
    one_line(caught.value, "punkt 1 2", "pause")


def test_no_text_keeps_it_busy() -> None:
    """A pattern of several placeholders against a text that nearly fits."""
    toml = '[[shown]]\ntext = "{id}a{any}a{x}a{y}a{role}"'
    started = time.process_time()
    with pytest.raises(InputError):
        rows(toml, *((float(k), "a" * 400 + "1" * 90) for k in range(20)))
    assert time.process_time() - started < 5.0


def test_the_readmes_description() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    blocks = re.findall(r"```toml\n(.*?)```", readme, flags=re.DOTALL)
    (toml,) = [block for block in blocks if "[[shown]]" in block]
    found = rows(toml, (1.0, "cross a at 0.25 0.5"), (2.0, "cross a off"))
    assert found == [(1.0, 2.0, 250.0, 250.0, "calibration", "timer", 1)]


# Tables.


def test_a_table_as_others_write_it(tmp_path: Path) -> None:
    path = tmp_path / "a.tsv"
    path.write_text(
        "onset\tduration\ttrial_type\tx\ty\n"
        "10.5\t2\tcalibration\t5\t6\n"
        "n/a\tn/a\tpause\tn/a\tn/a\n"
        "20\tn/a\tvalidation\t7\t8\n"
        "25\tn/a\tvalidation\t9\t9\n"
    )
    file = XdfFile(path=path, created="", streams=())
    assert marker_targets.read(path)(file, SETUP) == [
        (10.5, 12.5, 5.0, 6.0, "calibration", "timer", 1),
        (20.0, 25.0, 7.0, 8.0, "validation", "timer", 1),
        # As long as the middle one of those before it, 2 and 5 seconds.
        (25.0, 28.5, 9.0, 9.0, "validation", "timer", 1),
    ]


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("", "time, x, y"),
        ("time,x\n1,2\n", "column y"),
        ("time,x,y\n", "0 targets"),
        ("time,x,y\n1,2,3\n", "offset"),
        ("time,x,y,offset\nnoon,2,3,4\n", "'noon'"),
        ("time,x,y,offset\n,2,3,4\n", "row 2"),
        ("time,x,y,offset\n1,inf,3,4\n", "'inf'"),
        ("time;x;y;offset\n1;2,5;3;4\n", "'2,5'"),
        ("time,x,y,role\n1,2,3,lunch\n", "0 targets"),
    ],
)
def test_tables_that_are_refused(text: str, word: str, tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text(text)
    with pytest.raises(InputError) as caught:
        marker_targets.read(path)
    one_line(caught.value, word, str(path))


def test_a_table_that_is_no_text(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(b"time,x,y\n\xff\xfe")
    with pytest.raises(InputError, match="UTF-8"):
        marker_targets.read(path)


def test_another_programs_session_becomes_a_mapping(tmp_path: Path) -> None:
    """Foreign words, then our own table of the same targets: one mapping."""
    pytest.importorskip("pyxdf", reason="needs the extra `archive`")
    rec = Recording.load(ROOT / "recordings" / "steady.h5")
    words = []
    for k, row in enumerate(rec.targets):
        x, y = row["x"] / rec.setup.screen_px[0], row["y"] / rec.setup.screen_px[1]
        part = "learn" if row["role"] == "calibration" else "test"
        words.append((float(row["onset"]), f"{part}: cross {k} <{x:.6f}; {y:.6f}>"))
        words.append((float(row["offset"]), f"cross {k} cleared"))
    path = tmp_path / "a.xdf"
    path.write_bytes(xdf.file_header() + xdf.gaze(rec) + xdf.markers(words))
    description = tmp_path / "their.toml"
    description.write_text(
        'unit = "fraction"\n'
        '[[shown]]\ntext = "learn: cross {id} <{x}; {y}>"\n'
        '[[shown]]\ntext = "test: cross {id} <{x}; {y}>"\nrole = "validation"\n'
        '[[gone]]\ntext = "cross {id} cleared"\n'
    )
    out = tmp_path / "a.h5"
    words_ = ["import", "xdf", path, "-o", out, "--targets", description]
    assert cli.main([*map(str, words_)]) == 0
    found = Recording.load(out)
    for name in ("onset", "offset", "role"):
        assert (found.targets[name] == rec.targets[name]).all()
    for name in ("x", "y"):
        assert found.targets[name] == pytest.approx(rec.targets[name], abs=1e-2)
    theirs = calibkit.assess(calibkit.fit(found), found).accuracy_deg
    ours = calibkit.assess(calibkit.fit(rec), rec).accuracy_deg
    assert theirs == pytest.approx(ours, abs=1e-3)

    tables = tmp_path / "tables"
    assert cli.main(["export", "csv", str(out), "-o", str(tables)]) == 0
    words_ = ["import", "xdf", path, "-o", tmp_path / "b.h5"]
    words_ += ["--targets", tables / "a" / "targets.csv"]
    assert cli.main([*map(str, words_)]) == 0
    again = Recording.load(tmp_path / "b.h5")
    assert (again.targets == found.targets).all()
    assert replace(again, targets=found.targets).setup == found.setup
    assert not math.isnan(theirs)
