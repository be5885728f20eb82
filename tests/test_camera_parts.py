"""The camera's parts without its networks: geometry, sources, preview, models, words.

Outside: OpenCV's perspective fit and suppression of boxes, SciPy's rotations and
interpolation, scikit-image's similarity transform.
"""

from __future__ import annotations

import hashlib
import os
import zipfile
from dataclasses import replace
from pathlib import Path
from typing import Any

import moving_face
import numpy as np
import pytest
from moving_face import cv2
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial.transform import Rotation

from calibkit.camera import (
    finder,
    loop,
    models,
    preview,
    preview_words,
    rigid,
    rows,
    sources,
    vision,
)
from calibkit.camera.face import Eye, Face
from calibkit.camera.preview import Glance, Preview
from calibkit.camera.squares import Square, around
from calibkit.channels import Channel
from calibkit.cli import main
from calibkit.errors import DeviceError, InputError

Array = NDArray[np.float64]
RNG = np.random.default_rng(11)


def rotation(yaw: float, pitch: float, roll: float) -> Array:
    """SciPy's intrinsic rotation: roll first, then pitch, then yaw."""
    turn = Rotation.from_euler("YXZ", [yaw, pitch, roll], degrees=True)
    return np.asarray(turn.as_matrix(), float)


def mesh_of(points: Array) -> Array:
    mesh = np.zeros((468, 3))
    mesh[list(rigid.POINTS)] = points
    return mesh


@pytest.mark.parametrize(
    "angles", [(0, 0, 0), (20, 0, 0), (0, -15, 0), (0, 0, 30), (-25, 18, -12)]
)
def test_head_angles_are_those_of_scipy(angles: tuple[float, float, float]) -> None:
    seen = 80 * rigid.SHAPE @ rotation(*angles).T + [320, 240, 50]
    head = rigid.head_of(mesh_of(seen))
    found = (head.yaw_deg, head.pitch_deg, head.roll_deg)
    np.testing.assert_allclose(found, angles, atol=1e-9)
    assert head.apart_px == pytest.approx(80)


def test_head_angles_agree_with_a_perspective_fit() -> None:
    """OpenCV's solvePnP sees only places in a picture from far away, no depth."""
    turn = rotation(14, -9, 6)
    far, focal = 2000.0, 160_000.0
    world = rigid.SHAPE @ turn.T + [0.0, 0.0, far]
    seen = focal * world[:, :2] / world[:, 2:] + [320, 240]
    camera = np.array([[focal, 0, 320], [0, focal, 240], [0, 0, 1.0]])
    _, vector, _ = cv2.solvePnP(rigid.SHAPE.copy(), seen, camera, None)
    other = cv2.Rodrigues(vector)[0]
    own = rigid.head_of(mesh_of(np.column_stack([seen, 80 * world[:, 2]])))
    other_yaw = np.degrees(np.arctan2(other[0, 2], other[2, 2]))
    other_pitch = np.degrees(np.arcsin(-other[1, 2]))
    other_roll = np.degrees(np.arctan2(other[1, 0], other[1, 1]))
    assert own.yaw_deg == pytest.approx(other_yaw, abs=0.2)
    assert own.pitch_deg == pytest.approx(other_pitch, abs=0.2)
    assert own.roll_deg == pytest.approx(other_roll, abs=0.2)


def test_the_fit_in_the_plane_is_scikit_images() -> None:
    transform = pytest.importorskip("skimage.transform", reason="needs scikit-image")
    shape, seen = RNG.normal(size=(20, 2)), RNG.normal(size=(20, 2)) * 30
    kind = transform.SimilarityTransform
    if hasattr(kind, "from_estimate"):
        other = kind.from_estimate(shape, seen)
    else:
        other = kind()
        other.estimate(shape, seen)
    own = rigid.plane_fit(shape, seen)
    np.testing.assert_allclose(own, other.params[:2], atol=1e-9)


def test_the_heads_frame_undoes_shift_turn_and_scale() -> None:
    seen = 90 * rigid.SHAPE @ rotation(0, 0, 17).T + [100, 50, 0]
    head = rigid.head_of(mesh_of(seen))
    step = rotation(0, 0, 17)[:2, :2] @ np.array([0.1, -0.05]) * 90 * rigid.EYE_WIDTH
    place = head.middle_of(1) + step
    np.testing.assert_allclose(head.in_frame(place, 1), [0.1, -0.05], atol=1e-9)


@pytest.mark.parametrize("turn", [0.0, 0.4, -1.1])
def test_cutouts_are_scipys(turn: float) -> None:
    """Against linear interpolation by SciPy, pixels' middles at halves."""
    image = ndimage.gaussian_filter(RNG.uniform(0, 255, (60, 80, 3)), (2, 2, 0))
    image = image.astype(np.uint8)
    square = Square(x=40.0, y=30.0, side=24.0, turn=turn)
    own = vision.cut(image, square.to_image(32), 32)
    v, u = np.mgrid[:32, :32] + 0.5
    x, y = square.places(np.stack([u.ravel(), v.ravel()], axis=1), 32).T - 0.5
    for k in range(3):
        plane = image[:, :, 2 - k].astype(float)
        other = ndimage.map_coordinates(plane, [y, x], order=1)
        np.testing.assert_allclose(own[:, :, k].ravel() * 255, other, atol=2.0)


def test_a_square_around_points_holds_them() -> None:
    points = RNG.normal(size=(30, 2)) * [40, 10] + [100, 200]
    square = around(points, 0.6, 1.2)
    c, s = np.cos(0.6), np.sin(0.6)
    level = (points - [square.x, square.y]) @ np.array([[c, -s], [s, c]])
    assert np.abs(level).max() == pytest.approx(square.side / 2.4)


def test_boxes_of_one_face_become_one_as_in_opencv() -> None:
    """Against OpenCV's suppression: same scores, same boxes, same limit."""
    logits, numbers = np.full(896, -9.0), np.zeros((896, 16))
    rows_ = RNG.choice(512, 40, replace=False)
    logits[rows_] = RNG.uniform(0.1, 5, 40)
    numbers[:, 2:4] = 30.0
    whole = Square(x=64, y=64, side=128)
    own = finder.read(logits, numbers, whole)
    boxes = [(*(finder._PLACES[k] - 15), 30.0, 30.0) for k in range(896)]
    scores = 1 / (1 + np.exp(-logits))
    kept = cv2.dnn.NMSBoxes(boxes, scores.tolist(), finder.LEAST_SCORE, finder._SAME)
    assert sorted(one.score for one in own) == pytest.approx(sorted(scores[kept]))


# Eyes by hand.


def eye_of(iris: tuple[float, float] = (0.0, 0.0), **other: Any) -> Eye:
    """An eye 40 px wide at (100, 50), 16 px open, its nose corner at the right."""
    t = np.linspace(0, 2 * np.pi, 17)[:16]
    lower = [(100 + 20 * np.cos(a), 50 + 8 * np.sin(a)) for a in t[:9]]
    upper = [(100 + 20 * np.cos(a), 50 - 8 * np.sin(a)) for a in t[2:8]]
    rim = np.array([(0, 0), (7, 0), (0, -7), (-7, 0), (0, 7)], float)
    made = {"spread": 0.01, "contrast": 0.7, **other}
    place = np.array([100.0, 50.0]) + iris
    return Eye(outline=np.array([*lower, *upper]), iris=rim + place, **made)


def test_an_iris_in_its_opening_by_hand() -> None:
    eye = eye_of((4.0, -2.0))
    np.testing.assert_allclose(rows.in_opening(eye, 0), [0.1, -0.05], atol=1e-9)
    assert rows.rim(eye.iris) == pytest.approx(7.0)
    assert 0.3 < rows.opening(eye) < 0.4
    turned = rotation(0, 0, 25)[:2, :2]
    other = replace(eye, outline=eye.outline @ turned.T, iris=eye.iris @ turned.T)
    np.testing.assert_allclose(rows.in_opening(other, 0), [0.1, -0.05], atol=1e-9)


def test_confidence_falls_with_each_doubt() -> None:
    sure = rows.confidence(1.0, eye_of())
    assert sure == 1.0
    assert rows.confidence(0.6, eye_of()) == pytest.approx(0.6)
    doubts: list[dict[str, Any]] = [{"spread": 0.09}, {"contrast": 0.25}]
    for doubt in doubts:
        assert 0.2 < rows.confidence(1.0, eye_of(**doubt)) < 0.8
    doubts = [{"spread": 0.2}, {"contrast": 0.1}]
    for doubt in doubts:
        assert rows.confidence(1.0, eye_of(**doubt)) == 0.0


def test_distance_comes_only_with_the_view() -> None:
    """A pinhole by hand: 90 degrees across 640 px is a focal length of 320 px."""
    labels = [c.label for c in rows.channels(90.0)]
    assert "headz" in labels
    assert "headz" not in [c.label for c in rows.channels()]
    assert len({c.label for c in rows.channels(90.0)}) == len(labels)
    head = rigid.head_of(mesh_of(80 * rigid.SHAPE + [320, 240, 0]))
    eyes = (eye_of(), eye_of())
    face = Face(score=1.0, faces=1, mesh=np.zeros((468, 3)), head=head, eyes=eyes)
    lens = rows.Lens(size_px=(640, 480), view_deg=90.0)
    row = rows.row(face, 7, lens)
    assert row[labels.index("headz")] == pytest.approx(320 * 11.7 / 14)
    assert row[labels.index("frame")] == 7
    assert len(rows.row(face, 7, rows.Lens(size_px=(640, 480)))) == len(row) - 1
    assert len(rows.row(None, 7, lens)) == len(row)


# Sources.


class Clock:
    """Moves only when somebody sleeps."""

    def __init__(self) -> None:
        self.now = 100.0

    def __call__(self) -> float:
        return self.now

    def sleep(self, wait_s: float) -> None:
        self.now += wait_s


def plain(count: int, size: int = 64) -> list[moving_face.Image]:
    return [np.full((size, size, 3), 20 * k % 255, np.uint8) for k in range(count)]


def test_a_file_keeps_its_own_pace(tmp_path: Path) -> None:
    path = moving_face.write_video(tmp_path / "a.avi", plain(12), 25.0)
    clock = Clock()
    video = sources.VideoFile(path, clock, clock.sleep)
    assert video.fps == pytest.approx(25.0)
    frames = list(sources.frames(video))
    video.close()
    assert [frame.number for frame in frames] == list(range(12))
    times = [frame.time_s for frame in frames]
    np.testing.assert_allclose(times, 100 + np.arange(12) / 25, atol=1e-6)
    assert clock.now == pytest.approx(100 + 11 / 25)


def test_who_is_late_gets_the_newest_and_the_rest_is_counted() -> None:
    queue = sources.Newest(sources.Pictures(plain(6), list(np.arange(6) / 30)))
    queue.fetch()
    frame = queue.get(0.0)
    assert frame is not None
    assert (frame.number, frame.time_s) == (5, 5 / 30)
    assert (queue.fetched, queue.dropped) == (6, 5)
    assert queue.ended
    assert queue.get(0.0) is None


class Flaky:
    """A source that damages a picture and then breaks."""

    name, fps = "flaky", 30.0

    def __init__(self) -> None:
        self.count = 0

    def grab(self) -> float | None:
        self.count += 1
        if self.count > 3:
            raise DeviceError("flaky was lost")
        return self.count / 30

    def picture(self) -> vision.Image | None:
        return None if self.count == 2 else plain(1)[0]

    def close(self) -> None:
        pass


def test_what_ends_a_source_reaches_the_reader() -> None:
    queue = sources.Newest(Flaky())
    queue.start()
    seen, end = [], None
    while end is None:
        try:
            frame = queue.get(5.0)
        except DeviceError as lost:
            end = lost
        else:
            if frame is not None:
                seen.append(frame.number)
    assert str(end) == "flaky was lost"
    assert seen[-1] == 2
    assert 1 <= queue.dropped <= 2


class Nobody:
    """Finds no face."""

    def read(self, image: vision.Image) -> Face | None:
        return None


class Kept:
    """Keeps what is sent."""

    def __init__(self) -> None:
        self.times: list[float] = []
        self.rows: list[Array] = []

    def push(self, time_s: Array, samples: Array) -> None:
        self.times += list(time_s)
        self.rows += list(samples)


class OneByOne(sources.Newest):
    """Hands over every frame: no thread, no hurry."""

    def get(self, wait_s: float) -> sources.Frame | None:
        time_s = self.source.grab()
        image = None if time_s is None else self.source.picture()
        if time_s is None or image is None:
            self._ended = True
            return None
        self.fetched += 1
        return sources.Frame(image=image, time_s=time_s, number=self.fetched - 1)


def test_stamps_are_arrivals_less_the_latency() -> None:
    times = [1.0, 1.04, 1.11]
    queue = OneByOne(sources.Pictures(plain(3), times))
    kept = Kept()
    told: list[Preview] = []
    camera = loop.Camera(queue=queue, eyes=Nobody(), latency_s=0.25)
    tally = loop.run(camera, kept, clock=Clock(), stop=lambda: False, tell=told.append)
    np.testing.assert_allclose(kept.times, np.array(times) - 0.25)
    assert [row[-1] for row in kept.rows] == [0, 1, 2]
    assert (tally.frames, tally.faceless) == (3, 3)
    assert told[0].seen == 0


def test_a_silent_camera_is_told() -> None:
    class Silent(sources.Newest):
        def get(self, wait_s: float) -> None:
            clock.sleep(wait_s)

    clock = Clock()
    camera = loop.Camera(queue=Silent(Flaky()), eyes=Nobody())
    with pytest.raises(DeviceError, match="no picture for 5 s"):
        loop.run(camera, None, clock=clock, stop=lambda: False)


@pytest.mark.parametrize("size", [1, 8])
def test_pictures_of_some_pixels_are_refused(size: int) -> None:
    queue = OneByOne(sources.Pictures(plain(2, size), [0.0, 0.1]))
    camera = loop.Camera(queue=queue, eyes=Nobody())
    with pytest.raises(DeviceError, match=f"{size} x {size} pixels"):
        loop.run(camera, None, clock=Clock(), stop=lambda: False)


def test_grey_pictures_become_coloured() -> None:
    for shape in ((40, 40), (40, 40, 1), (40, 40, 4)):
        made = vision.three_channels(np.full(shape, 7, np.uint8))
        assert made.shape == (40, 40, 3)
        assert (made == 7).all()


# Preview.


GOOD = Preview(
    frames=30, seen=1.0, faces=1, fps=30.0, stated_fps=30.0, dropped=0.0,
    brightness=140.0, bright=0.0, dark=0.02, sharpness=0.05, apart_px=90.0,
    iris_px=16.0, distance_mm=550.0, x=0.0, y=-0.1, yaw_deg=3.0, pitch_deg=8.0,
    roll_deg=2.0, opening=0.4, confidence=1.0, sides=0.0, unrest=0.02,
)  # fmt: skip


@pytest.mark.parametrize(
    ("change", "about", "words"),
    [
        ({"seen": 0.0, "faces": 0}, "face", "No face"),
        ({"seen": 0.7}, "face", "70% of the pictures"),
        ({"faces": 2}, "face", "2 faces"),
        ({"brightness": 40.0}, "light", "dark"),
        ({"brightness": 230.0}, "light", "too light"),
        ({"bright": 0.3}, "light", "30% of the picture"),
        ({"iris_px": 9.0}, "distance", "9 pixels wide"),
        ({"distance_mm": 1200.0}, "distance", "120 cm"),
        ({"distance_mm": 250.0}, "distance", "25 cm"),
        ({"x": 0.8}, "place", "edge"),
        ({"yaw_deg": -30.0}, "place", "30 degrees aside"),
        ({"roll_deg": 25.0}, "place", "tilted 25"),
        ({"unrest": 1.0}, "place", "moves a lot"),
        ({"sharpness": 0.005}, "sharpness", "blurred"),
        ({"opening": 0.12}, "eyes", "nearly shut"),
        ({"confidence": 0.3}, "eyes", "unsurely"),
        ({"sides": 0.9}, "eyes", "One eye"),
        ({"fps": 15.0}, "rate", "15 pictures"),
        ({"dropped": 0.4}, "rate", "40% of the pictures"),
    ],
)
def test_each_lack_is_told_with_what_to_do(
    change: dict[str, Any], about: str, words: str
) -> None:
    assert preview_words.judge(GOOD) == []
    found = preview_words.judge(replace(GOOD, **change))
    assert [one.about for one in found][:1] == [about]
    assert words in found[0].words
    assert found[0].move.endswith(".")


def test_what_is_poor_comes_first_and_news_once() -> None:
    found = preview_words.judge(replace(GOOD, fps=20.0, brightness=20.0))
    assert [one.level for one in found] == ["poor", "fair"]
    told = preview_words.Told()
    assert len(told.news(found)) == 2
    assert told.news(found) == []
    assert told.news([]) == []
    assert len(told.news(found)) == 2


def test_lines_hold_facts_and_advice() -> None:
    assert preview_words.lines(GOOD, []).startswith("will do: 30 pictures a second")
    dim = replace(GOOD, brightness=40.0)
    text = preview_words.lines(dim, preview_words.judge(dim))
    assert text.startswith("to mend: ")
    assert "Put a lamp" in text


def test_glances_are_summed_up() -> None:
    """Medians and shares by hand."""
    base = Glance(
        time_s=0.0, faces=1, brightness=100.0, iris_px=16.0, apart_px=90.0, x=0.1,
        y=0.0, opening=(0.4, 0.4), confidence=(1.0, 0.5), bright=0.0, dark=0.0,
        sharpness=0.05, yaw_deg=0.0, pitch_deg=0.0, roll_deg=0.0,
    )  # fmt: skip
    glances = [replace(base, time_s=k / 20) for k in range(9)]
    glances.append(Glance(time_s=9 / 20, brightness=90.0))
    lens = rows.Lens(size_px=(640, 480), view_deg=90.0)
    seen = preview.summary(glances, lens, 30.0, dropped=10)
    assert seen.seen == 0.9
    assert seen.fps == pytest.approx(19 / 0.45)
    assert seen.dropped == 0.5
    assert seen.distance_mm == pytest.approx(320 * 11.7 / 16)
    assert seen.sides == 0.5
    assert seen.unrest == pytest.approx(0.0)
    nobody = preview.summary([Glance(time_s=0.0, brightness=5.0)], lens, 30.0)
    assert nobody.seen == 0.0
    assert {one.about for one in preview_words.judge(nobody)} == {"face", "light"}


def test_blur_lowers_sharpness_and_darkness_does_not() -> None:
    image = vision.grey(moving_face.photograph()).astype(float)
    sharp = preview.sharpness(image)
    assert preview.sharpness(ndimage.gaussian_filter(image, 4)) < 0.5 * sharp
    assert preview.sharpness(image * 0.5) == pytest.approx(sharp, rel=0.01)


# Models.


@pytest.fixture
def wheel(tmp_path: Path) -> Path:
    """A package with files of the right names and other contents."""
    path = tmp_path / "other.whl"
    with zipfile.ZipFile(path, "w") as archive:
        for model in models.MODELS:
            archive.writestr(model.member, b"x" * (model.size + 9))
    return path


@pytest.mark.parametrize("kind", ["absent", "no zip", "no member", "other"])
def test_a_package_that_is_not_it_is_refused(
    wheel: Path, tmp_path: Path, kind: str, capsys: pytest.CaptureFixture[str]
) -> None:
    path = wheel
    if kind == "absent":
        path = tmp_path / "nowhere.whl"
    elif kind == "no zip":
        path.write_bytes(b"PK nothing")
    elif kind == "no member":
        with zipfile.ZipFile(path, "w") as archive:
            archive.writestr("readme", "nothing")
    home = tmp_path / "home"
    arguments = ["camera", "--models-from", str(path), "--home", str(home)]
    assert main(arguments) == 3
    said = capsys.readouterr().err
    assert path.name in said
    assert "Errno" not in said
    assert len(said.strip().splitlines()) == 1
    assert not models.folder(home).exists()


@pytest.mark.skipif(os.name != "posix", reason="permissions of POSIX")
def test_models_are_as_private_as_all_that_is_stored(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """`calibkit doctor` would warn of files of ours that others may read."""
    sha256 = hashlib.sha256(b"abc").hexdigest()
    made = tuple(replace(m, size=3, sha256=sha256) for m in models.MODELS)
    monkeypatch.setattr(models, "MODELS", made)
    path = tmp_path / "some.whl"
    with zipfile.ZipFile(path, "w") as archive:
        for model in made:
            archive.writestr(model.member, b"abc")
        archive.writestr(models._LICENCE, b"free")
    place = models.take(path, tmp_path / "home")
    files = list(place.iterdir())
    assert len(files) == len(made) + 1
    assert not any(file.stat().st_mode & 0o077 for file in files)


def test_a_model_that_was_changed_is_told_by_its_checksum(tmp_path: Path) -> None:
    place = models.folder(tmp_path)
    place.mkdir()
    for model in models.MODELS:
        (place / model.file).write_bytes(b"something else")
    assert models.missing(tmp_path) == ["face", "landmark", "iris"]
    with pytest.raises(DeviceError, match=r"SHA-256.*bbff11ce.*--get-models"):
        models.load(tmp_path)


def test_without_pip_the_other_way_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(models, "VERSION", "0.0.0.no-such-version")
    monkeypatch.setenv("PIP_NO_INDEX", "1")
    with pytest.raises(DeviceError, match=r"pip cannot download.*--models-from"):
        models.fetch(tmp_path)


# The command's refusals.


def refusal(
    capsys: pytest.CaptureFixture[str], *arguments: str, home: Path
) -> tuple[int, str]:
    status = main(["camera", *arguments, "--home", str(home)])
    said = capsys.readouterr().err.strip()
    assert "Traceback" not in said
    return status, said


def test_what_is_missing_is_said_first(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    status, said = refusal(capsys, "99", home=tmp_path)
    assert status == 4
    assert "camera 99 cannot be opened" in said
    status, said = refusal(capsys, "no-such.avi", home=tmp_path)
    assert status == 3
    assert "no-such.avi" in said
    text = tmp_path / "notes.avi"
    text.write_text("no video at all")
    status, said = refusal(capsys, str(text), home=tmp_path)
    assert status == 3
    assert "no video that OpenCV can read" in said
    video = moving_face.write_video(tmp_path / "a.avi", plain(3), 30.0)
    status, said = refusal(capsys, str(video), home=tmp_path)
    assert status == 4
    assert "calibkit camera --get-models" in said
    for wrong in (("--latency-s", "9"), ("--looks", "0"), ("--size", "640")):
        assert refusal(capsys, str(video), *wrong, home=tmp_path)[0] == 2


class Capture:
    """A camera that gives some frames and is then pulled out."""

    def __init__(self, count: int, size: int = 64) -> None:
        self.left, self.size = count, size

    def grab(self) -> bool:
        self.left -= 1
        return self.left >= 0

    def retrieve(self) -> tuple[bool, vision.Image]:
        return True, plain(1, self.size)[0]

    def get(self, what: int) -> float:
        return 30.0

    def release(self) -> None:
        pass


def test_a_camera_lost_on_the_way_is_one_sentence(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    home = moving_face.models_home()
    monkeypatch.setattr(vision, "open_camera", lambda *a: Capture(4))
    status, said = refusal(capsys, "0", "--preview", home=home)
    assert status == 4
    assert said.splitlines()[-1] == (
        "calibkit: camera 0 was lost after 4 frames; check its cable and start again"
    )
    monkeypatch.setattr(vision, "open_camera", lambda *a: Capture(4, 1))
    status, said = refusal(capsys, "0", "--preview", home=home)
    assert status == 4
    assert "1 x 1 pixels" in said


def test_without_the_extra_the_line_is_named(
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    import sys

    monkeypatch.setitem(sys.modules, "cv2", None)
    vision._cv2.cache_clear()
    try:
        status, said = refusal(capsys, "0", home=tmp_path)
    finally:
        vision._cv2.cache_clear()
    assert status == 4
    assert 'pip install "calibkit[webcam]"' in said


def test_channels_are_the_standards_as_far_as_it_goes() -> None:
    """Types of the XDF "Gaze" page where it has them; per eye, with units."""
    channels = rows.channels(60.0)
    for eye in ("left", "right"):
        own = [c.type for c in channels if c.eye == eye]
        assert own[:4] == ["PupilX", "PupilY", "PupilX", "PupilY"]
        assert "Confidence" in own
    types = {c.type for c in channels if c.eye == "both"}
    assert types >= {"HeadX", "HeadY", "HeadZ", "HeadYaw", "HeadScale", "FrameNumber"}
    assert all(isinstance(c, Channel) and c.unit for c in channels)


def test_no_input_is_an_input_error_of_ours(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no video file"):
        vision.open_video(tmp_path)
