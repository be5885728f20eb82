"""The recording file: what the contract says, whoever wrote it."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import fields
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from storing import CHANNELS, TEXT, one_line, recording, scaled

from calibkit.channels import Channel
from calibkit.errors import CallError, InputError
from calibkit.kept import recording_file, store
from calibkit.kept.recording import Recording, target_rows


def alike(a: Recording, b: Recording) -> None:
    for field in fields(Recording):
        x, y = getattr(a, field.name), getattr(b, field.name)
        if field.name == "unknown":
            continue
        if isinstance(x, np.ndarray):
            assert y is not None, field.name
            assert (x.dtype, x.shape) == (y.dtype, y.shape), field.name
            for name in x.dtype.names or (...,):
                equal_nan = x[name].dtype.kind == "f"
                assert np.array_equal(x[name], y[name], equal_nan=equal_nan), field.name
        else:
            assert x == y, field.name


def test_save_and_load(tmp_path: Path) -> None:
    rec = recording()
    rec.save(tmp_path / "a.h5")
    back = Recording.load(tmp_path / "a.h5")
    alike(rec, back)
    assert back.unknown is None


numbers = st.floats(allow_nan=True, allow_infinity=False)


@st.composite
def recordings(draw: st.DrawFn) -> Recording:
    n, c = draw(st.integers(0, 6)), draw(st.integers(1, 3))
    labels = st.builds(Channel, label=TEXT, eye=TEXT, type=TEXT, unit=TEXT)
    rows = st.tuples(
        *[numbers] * 4,
        st.sampled_from(recording_file.ROLES),
        st.sampled_from(recording_file.ADVANCES),
        st.integers(0, 1),
    )
    samples = np.array(draw(st.lists(numbers, min_size=n * c, max_size=n * c)))
    kind = draw(st.sampled_from(["f4", "f8"]))
    with np.errstate(over="ignore"):
        samples = samples.reshape(n, c).astype(kind)
    return recording(
        time=np.array(draw(st.lists(numbers, min_size=n, max_size=n)), float),
        samples=samples,
        channels=tuple(draw(labels) for _ in range(c)),
        targets=target_rows(draw(st.lists(rows, max_size=4))),
        events=tuple(draw(st.lists(st.tuples(st.floats(-9, 9), TEXT), max_size=3))),
        protocol=draw(TEXT),
        name=draw(TEXT),
        source_id=draw(TEXT),
        attempt=draw(st.integers(0, 2**31)),
        time_raw=None,
        clock=None,
        target_path=None,
    )


@given(recordings())
@settings(max_examples=scaled(60), deadline=None)
def test_any_recording_comes_back(rec: Recording) -> None:
    parts = {field.name: getattr(rec, field.name) for field in fields(rec)}
    data = recording_file.dump(parts)
    tree = store.parse(data, format="calibkit-recording", max_version=1)
    alike(rec, Recording(**recording_file.from_tree(tree)))


def contract(file: h5py.File) -> None:
    """Write, by the contract's text alone, what another program would write."""
    text = h5py.string_dtype()
    file.attrs.update(
        {"format": "calibkit-recording", "version": 1, "person": "somebody_7"}
    )
    file.attrs.update({"session": "", "attempt": 3, "created": "", "software": "other"})
    file.create_group("setup").attrs.update(
        screen_px=[1280, 720],
        screen_mm=[510.0, 287.0],
        distance_mm=650,
        background=[0, 0, 0],
    )
    file["gaze/time"] = np.arange(4) / 60
    file.create_dataset(
        "gaze/samples", data=np.ones((4, 2), "f4"), compression="gzip", shuffle=True
    )
    rows = [("x", "both", "ScreenX", "normalized"), ("y", "both", "ScreenY", "")]
    kinds = [(n, text) for n in ("label", "eye", "type", "unit")]
    file["gaze/channels"] = np.array(rows, kinds)
    file["gaze"].attrs.update(name="größer", source_id="", nominal_rate=60)
    kinds = [(n, "f8") for n in ("onset", "offset", "x", "y")]
    kinds += [("role", text), ("advance", text), ("kept", "u1")]
    file["targets"] = np.array([(0, 1, 5, 6, "calibration", "key", 1)], kinds)


@pytest.fixture
def foreign(tmp_path: Path) -> Callable[..., Path]:
    def make(change: Callable[[Any], object] = lambda file: None) -> Path:
        path = tmp_path / "ana-3.h5"
        with h5py.File(path, "w") as file:
            contract(file)
            change(file)
        return path

    return make


def test_a_contract_file_of_another_program(foreign: Callable[..., Path]) -> None:
    rec = Recording.load(foreign())
    assert (rec.person, rec.attempt, rec.name) == ("somebody_7", 3, "größer")
    assert rec.setup.screen_px == (1280, 720)
    assert rec.setup.background == (0.0, 0.0, 0.0)
    assert rec.channels[0] == Channel(
        label="x", eye="both", type="ScreenX", unit="normalized"
    )
    assert rec.samples.dtype == np.float32
    assert (rec.events, rec.protocol, rec.session) == ((), "", "")
    assert rec.targets["advance"].tolist() == ["key"]


def test_what_the_schema_does_not_name_is_kept(
    foreign: Callable[..., Path], tmp_path: Path
) -> None:
    def more(file: h5py.File) -> None:
        file["lab/lux"] = [120.0, 130.0]
        file["lab"].attrs["lamp"] = "on"
        file["setup"].attrs["room"] = "b2"
        file.attrs["note"] = "ü"
        file["gaze/time"].attrs["unit"] = "s"
        file["gaze/extra"] = ["a", "bc"]
        file.create_group("left/empty")

    rec = Recording.load(foreign(more))
    rec.save(tmp_path / "b.h5")
    with h5py.File(tmp_path / "b.h5") as file:
        assert file["lab/lux"][:].tolist() == [120.0, 130.0]
        assert file["lab"].attrs["lamp"] == b"on"
        assert file["setup"].attrs["room"] == b"b2"
        assert file.attrs["note"].decode() == "ü"
        assert file["gaze/time"].attrs["unit"] == b"s"
        assert file["gaze/extra"][:].tolist() == [b"a", b"bc"]
        assert "left/empty" in file
    alike(rec, Recording.load(tmp_path / "b.h5"))


def without(path: str, name: str = "") -> Callable[[h5py.File], None]:
    def change(file: h5py.File) -> None:
        if name:
            del file[path].attrs[name]
        else:
            del file[path]

    return change


def attribute(path: str, name: str, value: Any) -> Callable[[h5py.File], None]:
    def change(file: h5py.File) -> None:
        file[path].attrs[name] = value

    return change


def dataset(path: str, value: Any) -> Callable[[h5py.File], None]:
    def change(file: h5py.File) -> None:
        if path in file:
            del file[path]
        file[path] = value

    return change


def targets(**more: Any) -> Any:
    row = {
        "onset": 0.0,
        "offset": 1.0,
        "x": 1.0,
        "y": 1.0,
        "role": b"calibration",
        "advance": b"key",
        "kept": 1,
    }
    row = {k: v for k, v in (row | more).items() if v is not None}
    kinds = [(k, "S16" if isinstance(v, bytes) else "f8") for k, v in row.items()]
    return np.array([tuple(row.values())], kinds)


BAD = {
    "screen_mm": (without("setup", "screen_mm"), "measure"),
    "screen_px": (without("setup", "screen_px"), "missing in /setup"),
    "distance_mm": (without("setup", "distance_mm"), "missing in /setup"),
    "no set-up": (without("setup"), "screen_px is missing"),
    "zero width": (attribute("setup", "screen_mm", [0.0, 1.0]), "screen_mm"),
    "NaN distance": (attribute("setup", "distance_mm", np.nan), "distance_mm"),
    "text width": (attribute("setup", "screen_mm", "wide"), "screen_mm"),
    "three widths": (attribute("setup", "screen_mm", [1.0, 2.0, 3.0]), "2 numbers"),
    "no time": (without("gaze/time"), "/gaze/time is missing"),
    "no samples": (without("gaze/samples"), "/gaze/samples is missing"),
    "no channels": (without("gaze/channels"), "/gaze/channels is missing"),
    "no targets": (without("targets"), "/targets is missing"),
    "wrong count": (dataset("gaze/samples", np.ones((3, 2))), "found 3 rows of 2"),
    "wrong columns": (dataset("gaze/samples", np.ones((4, 3))), "4 rows of 2 numb"),
    "one axis": (dataset("gaze/samples", np.ones(4)), "found a list of 4 numbers"),
    "two axes": (dataset("gaze/time", np.ones((4, 2))), "instead of a list of numbers"),
    "no axis": (dataset("gaze/time", 1.0), "found a single number"),
    "three axes": (dataset("gaze/time", np.ones((4, 1, 1))), "in 3 dimensions"),
    "text times": (dataset("gaze/time", ["a"] * 4), "numbers"),
    "complex": (dataset("gaze/samples", np.ones((4, 2)) * 1j), "other than numbers"),
    "channel list": (dataset("gaze/channels", ["x", "y"]), "no table"),
    "role": (dataset("targets", targets(role=b"training")), "'training'"),
    "advance": (dataset("targets", targets(advance=b"voice")), "'voice'"),
    "no role": (dataset("targets", targets(role=None)), "'role'"),
    "no kept": (dataset("targets", targets(kept=None)), "'kept'"),
    "text onset": (dataset("targets", targets(onset=b"0")), "'onset'"),
    "path": (dataset("target_path", np.ones((5, 2))), "/target_path"),
    "raw": (dataset("gaze/time_raw", np.ones(3)), "/gaze/time_raw"),
    "clock": (dataset("gaze/clock", np.ones(3)), "/gaze/clock"),
    "protocol": (dataset("protocol", 5.0), "/protocol"),
    "events": (dataset("events", [1.0]), "/events"),
    "rate": (attribute("gaze", "nominal_rate", -5.0), "-5"),
    "rate NaN": (attribute("gaze", "nominal_rate", np.nan), "nan"),
    "person": (attribute("/", "person", "x" * 65), "64"),
    "bell": (attribute("/", "person", "a\x07"), "printable"),
    "format": (attribute("/", "format", "calibkit-mapping"), "calibkit-mapping"),
    "version": (attribute("/", "version", 2), "version 2"),
}


@pytest.mark.parametrize("case", BAD)
def test_what_cannot_be_used_is_said_in_one_sentence(
    case: str, foreign: Callable[..., Path]
) -> None:
    change, words = BAD[case]
    path = foreign(change)
    with pytest.raises(InputError) as caught:
        Recording.load(path)
    one_line(caught.value, words, "ana-3.h5")
    assert caught.value.exit_status == 3


GOOD = {
    "no person": (without("/", "person"), "person", ""),
    "no background": (without("setup", "background"), "background", None),
    "printable person": (attribute("/", "person", "Ö_7 (b)"), "person", "Ö_7 (b)"),
    "bool kept": (dataset("targets", targets(kept=True)), "kept", None),
    "big-endian": (dataset("gaze/samples", np.ones((4, 2), ">f8")), "samples", None),
    "counts": (dataset("gaze/samples", np.ones((4, 2), "i2")), "samples", None),
    "empty events": (
        dataset("events", np.empty(0, [("time", "f8"), ("text", "S1")])),
        "events",
        (),
    ),
    "eye": (attribute("setup", "eye_mm", [10.0, 20.0, 600.0]), "eye_mm", None),
}


@pytest.mark.parametrize("case", GOOD)
def test_what_is_unusual_but_clear_is_read(
    case: str, foreign: Callable[..., Path]
) -> None:
    change, name, value = GOOD[case]
    rec = Recording.load(foreign(change))
    if value is not None:
        assert getattr(rec, name) == value
    if case == "eye":
        assert rec.setup.eye_mm == (10.0, 20.0, 600.0)
    if name == "samples":
        assert rec.samples.dtype == "<f8"
        assert np.all(rec.samples == 1)


def test_damage_is_told_and_a_change_is_warned_of(tmp_path: Path) -> None:
    path = tmp_path / "a.h5"
    recording().save(path)
    with h5py.File(path, "r+") as file:
        file["lab"] = 1.0
    with pytest.warns(store.ChangedFileWarning):
        rec = Recording.load(path)
    assert rec.unknown is not None
    assert rec.unknown.data["/lab"] == 1.0
    rec.save(path)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        Recording.load(path)
    data = path.read_bytes()
    for cut in (0, 10, 700, len(data) - 9):
        path.write_bytes(data[:cut])
        with pytest.raises(InputError) as caught:
            Recording.load(path)
        one_line(caught.value, str(path))
    with pytest.raises(InputError, match="does not exist"):
        Recording.load(tmp_path / "none.h5")


def test_saving_over_a_file(tmp_path: Path) -> None:
    path = tmp_path / "a.h5"
    rec = recording()
    rec.save(path)
    with pytest.raises(CallError):
        rec.save(path, overwrite=False)
    rec.save(path)


def test_the_file_is_laid_out_as_the_contract_says(tmp_path: Path) -> None:
    path = tmp_path / "a.h5"
    recording().save(path)
    with h5py.File(path) as file:
        assert set(file) == {
            "setup",
            "gaze",
            "targets",
            "target_path",
            "events",
            "protocol",
        }
        assert set(file.attrs) == {"format", "version", *recording_file._ROOT}
        assert set(file["gaze"]) == {"time", "samples", "channels", "time_raw", "clock"}
        assert file["gaze/time"].dtype == "<f8"
        assert file["gaze/channels"].dtype.names == ("label", "eye", "type", "unit")
        assert file["targets"].dtype.names == recording_file.TARGET_DTYPE.names
        assert file["targets"].dtype["kept"] == "u1"
        assert file["events"].dtype.names == ("time", "text")
        assert file["protocol"][()].decode() == recording().protocol
        assert file["gaze/channels"].shape == (len(CHANNELS),)
