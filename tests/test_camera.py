"""Do the camera's features follow a face that moves as told?

The truth is what moved the packaged photograph (`moving_face`): warps of the irises,
moves of the head, a turned relief. Nothing here is about accuracy with a person: one
photograph, no real eye.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import moving_face
import numpy as np
import pytest
from moving_face import EYE_WIDTH, cv2
from numpy.typing import NDArray

import calibkit
from calibkit.camera import face, models, networks, rows, vision
from calibkit.channels import covariate_columns, feature_sources
from calibkit.errors import DeviceError, InputError
from calibkit.fitted import starter
from calibkit.kept.recording import Recording

Array = NDArray[np.float64]
Image = moving_face.Image
Read = Callable[..., Array]

LENS = rows.Lens(size_px=moving_face.SIZE)
LABELS = [channel.label for channel in rows.channels()]
DEGREE = 0.007  # eye widths: 12 mm of eyeball in an opening of 30 mm


def at(label: str) -> int:
    return LABELS.index(label)


@pytest.fixture(scope="module")
def contents() -> dict[str, bytes]:
    return models.load(moving_face.models_home())


@pytest.fixture(scope="module")
def reader(contents: dict[str, bytes]) -> face.Reader:
    return face.Reader(contents)


@pytest.fixture(scope="module")
def base() -> Image:
    return moving_face.photograph()


@pytest.fixture(scope="module")
def row_of(reader: face.Reader) -> Callable[[Image], Array]:
    return lambda image: rows.row(reader.read(image), 0, LENS)


@pytest.fixture(scope="module")
def rows_of(row_of: Callable[[Image], Array], base: Image) -> Read:
    """Rows (n, c) of pictures that are moved as the keywords of each say."""

    def read(moves: list[dict[str, Any]]) -> Array:
        return np.array([row_of(moving_face.picture(base, **move)) for move in moves])

    return read


def line(known: Array, found: Array) -> tuple[float, float]:
    """Slope and correlation."""
    return float(np.polyfit(known, found, 1)[0]), float(np.corrcoef(known, found)[0, 1])


@pytest.mark.parametrize("eye", ["left", "right"])
def test_irises_are_followed(rows_of: Read, eye: str) -> None:
    """Against the known warp: gains as measured, and next to no scatter.

    Gains below one are the networks': they were trained on eyes whose lids move along.
    """
    across, down = np.linspace(-6, 6, 7), np.linspace(-4, 4, 7)
    aside = rows_of([{"iris": (d, 0.0)} for d in across])
    below = rows_of([{"iris": (0.0, d)} for d in down])
    for end, gains in (("", (0.42, 0.24)), ("_head", (0.67, 0.32))):
        gain, r = line(across / EYE_WIDTH, aside[:, at(f"{eye}_iris_x{end}")])
        assert gain == pytest.approx(gains[0], abs=0.15)
        assert r > 0.98
        gain, r = line(down / EYE_WIDTH, below[:, at(f"{eye}_iris_y{end}")])
        assert gain == pytest.approx(gains[1], abs=0.12)
        assert r > 0.95


def test_each_eye_has_its_own_channels(rows_of: Read) -> None:
    """Only one iris moves: the other one's channels stay."""
    moved = rows_of([{"iris": [(d, 0.0), (0.0, 0.0)]} for d in (-5.0, 5.0)])
    step = np.diff(moved, axis=0)[0]
    assert abs(step[at("left_iris_x")]) > 4 * abs(step[at("right_iris_x")])
    assert step[at("left_iris_x")] > 0  # to the picture's right, as on the screen


def test_irises_lie_where_they_were_put(reader: face.Reader, base: Image) -> None:
    """To a pixel and a half of places read off with a ruler, the head moving."""
    rng = np.random.default_rng(3)
    for _ in range(6):
        move: dict[str, Any] = {
            "iris": rng.uniform([-4, -2], [4, 2]),
            "shift": rng.uniform(-50, 50, 2),
            "scale": float(rng.uniform(0.7, 1.3)),
            "roll_deg": float(rng.uniform(-12, 12)),
        }
        found = reader.read(moving_face.picture(base, **move))
        assert found is not None
        truth = moving_face.places(**move)
        for eye, place in zip(found.eyes, truth, strict=True):
            assert np.hypot(*(eye.iris[0] - place)) < 1.5 * max(1.0, move["scale"])


def test_the_head_is_followed_and_hardly_moves_the_iris(rows_of: Read) -> None:
    """Shift, scale and roll against what was done; leakage in degrees as measured."""
    rng = np.random.default_rng(5)
    moves: list[dict[str, Any]] = [
        {
            "shift": rng.uniform(-60, 60, 2),
            "scale": float(rng.uniform(0.7, 1.3)),
            "roll_deg": float(rng.uniform(-12, 12)),
        }
        for _ in range(14)
    ]
    found = rows_of(moves)
    shift = np.array([move["shift"] for move in moves])
    pairs = (
        ("headx", shift[:, 0] / 640, 0.98),
        ("heady", shift[:, 1] / 480, 0.95),
        ("headscale", np.array([move["scale"] for move in moves]), 0.98),
        ("headroll", np.array([move["roll_deg"] for move in moves]), 0.99),
    )
    for label, known, least in pairs:
        assert np.corrcoef(known, found[:, at(label)])[0, 1] > least
    assert line(pairs[3][1], found[:, at("headroll")])[0] == pytest.approx(1.0, abs=0.1)
    gains = {"x": 0.42, "y": 0.24}
    for label in ("left_iris_x", "right_iris_x", "left_iris_y", "right_iris_y"):
        leak_deg = found[:, at(label)].std() / gains[label[-1]] / DEGREE
        assert leak_deg < (3.0 if label[-1] == "x" else 5.0)


def test_a_turned_head_is_followed(
    row_of: Callable[[Image], Array], reader: face.Reader, base: Image
) -> None:
    """Against a relief of the face that was turned; screen-right and down positive."""
    reader.read(base)
    flat = reader.read(base)
    assert flat is not None
    for label, turns in (
        ("headyaw", [(-14, 0), (0, 0), (14, 0)]),
        ("headpitch", [(0, -10), (0, 0), (0, 10)]),
    ):
        made = [moving_face.turned(base, flat.mesh, *turn) for turn in turns]
        found = np.array([row_of(one)[at(label)] for one in made])
        slope, r = line(np.array(turns, float).sum(axis=1), found)
        assert 0.6 < slope < 1.3
        assert r > 0.98


def covered(base: Image, grey: int) -> Image:
    made = base.copy()
    x, y = moving_face.IRISES[0].astype(int)
    cv2.rectangle(made, (x - 40, y - 30), (x + 40, y + 30), (grey, grey, grey), -1)
    return made


def shut(base: Image) -> Image:
    """Lids of the skin's colour below, with a line of lashes."""
    made = base.copy()
    for x, y in moving_face.IRISES.astype(int):
        skin = base[y + 14 : y + 18, x - 6 : x + 6].reshape(-1, 3).mean(axis=0)
        cv2.ellipse(made, (x, y - 1), (19, 10), 0, 0, 360, skin.tolist(), -1)
        cv2.ellipse(made, (x, y), (18, 6), 0, 20, 160, (60, 60, 80), 1)
    return made


def test_a_covered_eye_is_no_eye_and_the_other_stays(
    row_of: Callable[[Image], Array], base: Image
) -> None:
    open_row = row_of(base)
    assert open_row[at("left_confidence")] > 0.9
    for grey in (20, 120, 230):
        found = row_of(covered(base, grey))
        assert found[at("left_confidence")] == 0.0
        assert np.isnan(found[at("left_iris_x") : at("left_iris_y_head") + 1]).all()
        assert found[at("right_confidence")] > 0.9
        assert np.isfinite(found[at("right_iris_x")])


def test_shut_lids_and_dark_glasses_are_no_eyes(
    row_of: Callable[[Image], Array], base: Image
) -> None:
    glasses = base.copy()
    for x, y in moving_face.IRISES.astype(int):
        cv2.ellipse(glasses, (x, y), (30, 22), 0, 0, 360, (20, 20, 20), -1)
    for made in (shut(base), glasses):
        found = row_of(made)
        assert found[[at("left_confidence"), at("right_confidence")]].max() == 0.0
        assert np.isnan(found[[at("left_iris_x"), at("right_iris_x")]]).all()
        assert np.isfinite(found[at("headyaw")])


@pytest.mark.parametrize("kind", ["black", "white", "noise", "no face", "tiny"])
def test_where_no_face_is_nothing_is_said(
    row_of: Callable[[Image], Array], base: Image, kind: str
) -> None:
    shape = (32, 32, 3) if kind == "tiny" else base.shape
    made = np.zeros(shape, np.uint8)
    if kind == "white":
        made += 255
    elif kind == "noise":
        made = np.random.default_rng(0).integers(0, 255, shape, dtype=np.uint8)
    elif kind == "no face":
        made = base[300:, :200].copy()
    found = row_of(made)
    assert found[at("frame")] == 0
    assert found[at("left_confidence")] == found[at("right_confidence")] == 0.0
    rest = np.delete(
        found, [at("frame"), at("left_confidence"), at("right_confidence")]
    )
    assert np.isnan(rest).all()


def test_of_two_faces_the_same_one_is_followed(
    contents: dict[str, bytes], base: Image
) -> None:
    own = face.Reader(contents, looks=1)
    half = cv2.resize(base, (320, 240))
    alone = np.concatenate([half, np.full_like(half, 128)], axis=1)
    two = np.concatenate([half, half], axis=1)
    assert own.read(alone) is not None
    found = own.read(two)
    assert found is not None
    assert found.faces == 2
    assert found.head.middle[0] < 320
    fresh = face.Reader(contents, looks=1)
    assert fresh.read(np.ascontiguousarray(alone[:, ::-1])) is not None
    found = fresh.read(two)
    assert found is not None
    assert found.head.middle[0] > 320


def test_a_row_depends_on_its_picture_alone(
    contents: dict[str, bytes], base: Image
) -> None:
    """Whatever was read before, and to the bit."""
    own = face.Reader(contents, looks=1)
    first = rows.row(own.read(base), 0, LENS)
    for move in ({"iris": (5, 0)}, {"shift": (40, 10), "scale": 0.8}):
        assert own.read(moving_face.picture(base, **move)) is not None
        again = rows.row(own.read(base), 0, LENS)
        np.testing.assert_array_equal(again, first)
    own.read(np.zeros_like(base))
    np.testing.assert_array_equal(rows.row(own.read(base), 0, LENS), first)


def test_opencv_runs_the_models_or_is_refused(contents: dict[str, bytes]) -> None:
    """Against LiteRT; OpenCV 5.0 loses second outputs (measured), which is noticed."""
    litert = pytest.importorskip("ai_edge_litert", reason="needs LiteRT")
    assert litert is not None
    args = ("face", contents["face"], 128, (896, 896 * 16))
    if vision.version().startswith("5.0."):
        with pytest.raises(DeviceError, match=r"OpenCV 5\.0.*calibkit\[webcam\]"):
            networks.load(*args, "opencv")
        return
    picture = np.random.default_rng(1).random((128, 128, 3), np.float32)
    one, two = (networks.load(*args, kind)(picture) for kind in networks.RUNTIMES)
    for size in args[3]:
        np.testing.assert_allclose(two[size], one[size], atol=0.05)


def test_a_model_that_cannot_be_read_is_one_sentence() -> None:
    for content in (b"", b"TFL3 and then nothing", bytes(5000)):
        with pytest.raises(DeviceError, match=r"iris model cannot be read"):
            networks.load("iris", content, 64, (213, 15), "opencv")


@pytest.fixture(scope="module")
def recording(row_of: Callable[[Image], Array]) -> Recording:
    """Nine targets and four checks, the head wandering."""
    return moving_face.session(row_of, rows.channels(), head=1.0, frames=9)


def test_a_mapping_is_fitted_to_what_comes(recording: Recording) -> None:
    """A whole session on rendered faces; who answers "the middle" is off by 11."""
    mapping = calibkit.fit(recording)
    result = calibkit.assess(mapping, recording, role="validation")
    assert result.accuracy_deg < 3.5
    sources = feature_sources(recording.channels)
    assert {eye: source.kind for eye, source in sources.items()} == {
        "left": "pupil",
        "right": "pupil",
    }
    assert [LABELS[k] for k in sources["left"].columns] == [
        "left_iris_x",
        "left_iris_y",
    ]
    heads = [LABELS[k] for k in covariate_columns(recording.channels)["head"]]
    assert heads == [name.lower() for name, _ in rows.HEAD_CHANNELS]


def test_the_webcam_starter_serves_these_channels(recording: Recording) -> None:
    """Three targets with it; with none it is refused, and says how many it takes."""
    from dataclasses import replace

    shared = starter.load("starter-webcam")
    kept = recording.targets.copy()
    kept["kept"][[k for k in range(9) if k not in (4, 0, 8)]] = 0
    mapping = calibkit.fit(replace(recording, targets=kept), shared=shared)
    result = calibkit.assess(mapping, recording, role="validation")
    assert result.accuracy_deg < 11.0
    kept["kept"][:9] = 0
    with pytest.raises(InputError, match="at least 2"):
        calibkit.fit(replace(recording, targets=kept), shared=shared)
