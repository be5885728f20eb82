"""Protocols: every shipped file, every refusal, all faults at once.

Outside sources: design numbers by Farrell, Kiefer and Walbran (1967) and Hoel (1958),
recomputed in check values 14, 17, 20 and 22 of the evidence tables; the flash limit of
WCAG 2.3.1 (3 a second, here 2) and its red share of 0.8; TOML 1.0 (a byte order mark
is allowed); JSON Schema 2020-12 by the library `jsonschema` where it is installed.
"""

from __future__ import annotations

import json
import tomllib
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibkit.errors import CallError, InputError
from calibkit.kept import protocol as protocols
from calibkit.kept.protocol_model import Protocol, schema

SHIPPED = Path(protocols.__file__).parents[2] / "protocols"
NAMES = (
    "full glide off-grid offset quick short-attention standard wide".split()  # noqa: SIM905
)
HEAD = '[protocol]\nversion = 1\nname = "mine"\n'


def refusal(text: str) -> str:
    with pytest.raises(InputError) as caught:
        protocols.parse(text)
    assert caught.value.exit_status == 3
    return str(caught.value)


def screen_points(name: str) -> np.ndarray:
    """Points as fractions of the screen, those of a path included."""
    protocol = protocols.load(name)
    points = np.array([*protocol.targets.points, *protocol.path.points]).reshape(-1, 2)
    return 0.5 + (points - 0.5) * protocol.targets.area


def quadratic(points: np.ndarray) -> np.ndarray:
    x, y = (2 * points - 1).T
    return np.column_stack([np.ones_like(x), x, y, x * y, x * x, y * y])


def test_the_contracts_protocols_are_shipped() -> None:
    assert list(protocols.names()) == sorted(NAMES)


@pytest.mark.parametrize("name", NAMES)
def test_shipped_file_loads_and_is_named_for_its_purpose(name: str) -> None:
    text = (SHIPPED / f"{name}.toml").read_text(encoding="utf-8")
    protocol = protocols.load(name)
    assert protocol.name == name
    assert protocol.protocol.purpose
    assert text.startswith("# For ")
    assert protocol.total_s() <= 90.0  # one run, reliability: fatigue


@pytest.mark.parametrize(
    ("name", "count"),
    [("offset", 1), ("quick", 3), ("standard", 6), ("full", 9), ("wide", 16)],
)
def test_point_counts_are_the_contracts(name: str, count: int) -> None:
    assert len(set(protocols.load(name).targets.points)) == count


def test_check_points_are_on_no_calibration_layout() -> None:
    for name in NAMES:
        protocol = protocols.load(name)
        points, area = protocols.check_points(protocol)
        if protocol.protocol.role == "validation":
            assert points == ()
            continue
        assert len(points) >= 4
        check = 0.5 + (np.array(points) - 0.5) * area
        for other in NAMES:
            if protocols.load(other).protocol.role == "calibration":
                apart = check[:, None] - screen_points(other)[None]
                assert np.min(np.linalg.norm(apart, axis=2)) > 0.02, (name, other)


def test_resting_layouts_are_a_tenth_of_the_area_from_the_check_points() -> None:
    check = screen_points("off-grid")
    for name in ("offset", "quick", "standard", "full", "wide", "short-attention"):
        apart = np.linalg.norm(check[:, None] - screen_points(name)[None], axis=2)
        assert apart.min() > 0.86 * 0.1, name


def test_full_is_near_d_optimal() -> None:
    """Check value 20: |M| of the best weighting is 0.011427, efficiency 0.97397."""
    basis = quadratic(np.array(protocols.load("full").targets.points))
    determinant = np.linalg.det(basis.T @ basis / 9)
    assert (determinant / 0.011427) ** (1 / 6) == pytest.approx(0.97397, abs=1e-4)


def test_standard_supports_a_full_quadratic() -> None:
    """Corners and centre have rank 5 (check value 17); six points of ours have 6."""
    corners = np.array([(0, 0), (1, 0), (0, 1), (1, 1), (0.5, 0.5)], float)
    assert np.linalg.matrix_rank(quadratic(corners)) == 5
    ours = quadratic(np.array(protocols.load("standard").targets.points))
    assert np.linalg.matrix_rank(ours) == 6


def test_standard_is_as_good_as_a_search_finds() -> None:
    """Plain recomputation: no small shift of any point lowers the average variance."""
    grid = np.linspace(0, 1, 15)
    everywhere = quadratic(np.array([(x, y) for x in grid for y in grid]))

    def variance(points: np.ndarray) -> float:
        basis = quadratic(points)
        cover = np.linalg.inv(basis.T @ basis)
        return float(np.einsum("ij,jk,ik->i", everywhere, cover, everywhere).mean())

    points = np.array(protocols.load("standard").targets.points)
    rng = np.random.default_rng(0)
    for _ in range(200):
        moved = np.clip(points + rng.normal(0, 0.05, points.shape), 0, 1)
        assert variance(moved) > 0.985 * variance(points)


def test_wide_uses_the_best_cubic_places() -> None:
    """Check value 22: nodes of the D-optimal cubic are +-1 and +-0.44721."""
    places = sorted({x for x, _ in protocols.load("wide").targets.points})
    assert 2 * np.array(places) - 1 == pytest.approx([-1, -0.4472, 0.4472, 1], abs=1e-4)


def test_glide_is_mostly_sideways_and_no_faster_than_people_follow() -> None:
    """5 to 8 degrees a second are followed; vertical gain is lower (section 3)."""
    protocol = protocols.load("glide")
    assert 5 <= protocol.path.speed_deg_s <= 8
    across, down = np.abs(np.diff(protocol.path.points, axis=0)).sum(0)
    assert across > 1.5 * down
    assert all(a != b for a, b in pairwise(protocol.path.points))


def test_published_schema_is_the_models() -> None:
    stored = json.loads((SHIPPED / "schema.json").read_text(encoding="utf-8"))
    assert stored == schema()


def test_schema_judges_as_the_reader_does() -> None:
    jsonschema = pytest.importorskip("jsonschema", reason="jsonschema not installed")
    judge = jsonschema.Draft202012Validator(schema())
    for name in NAMES:
        text = (SHIPPED / f"{name}.toml").read_text(encoding="utf-8")
        assert judge.is_valid(tomllib.loads(text))
    for bad in (
        "[target]",
        "[pace]\nrepeats = -1",
        "[targets]\npoints = [[0, 2]]",
        "[targets]\npulse_hz = 3",
    ):
        assert not judge.is_valid(tomllib.loads(HEAD + bad))
        refusal(HEAD + bad)


@pytest.mark.parametrize("name", NAMES)
def test_written_whole_and_read_back(name: str) -> None:
    protocol = protocols.load(name)
    again = protocols.parse(protocols.to_toml(protocol))
    assert again == protocol
    assert "extends" not in protocols.to_toml(protocol)


def test_all_faults_at_once_with_dotted_paths() -> None:
    message = refusal(
        HEAD + '[targets]\npointz = []\nsize_deg = "x"\npoints = [[0, 2], [true, 0]]\n'
        '[pace]\nadvance = "gase"\nrepeats = true\n[data]\nweights = {lft = 1}\n'
    )
    for words in (
        "7 faults",
        "targets.pointz is not a key of a protocol; did you mean 'points'?",
        "targets.size_deg is 'x'; it must be a number",
        "targets.points[0][1] is 2; it must be 1 or less",
        "targets.points[1][0] is True; it must be a number",
        "pace.advance is 'gase'; it must be 'gaze', 'timer' or 'key'",
        "pace.repeats is True; it must be a whole number",
        "data.weights.lft is not a key of a protocol; did you mean 'left'?",
    ):
        assert words in message


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "no [protocol]"),
        ('[protocol]\nname = "a"', "protocol.version is missing"),
        ('[protocol]\nversion = 2\nname = "a"', "reads version 1"),
        (HEAD.replace("1", "1" + "0" * 20), "reads version 1"),
        ("version = 1" + "0" * 4095, "longer than 4096"),
        ("a = " + "[" * 3000, "too deeply nested"),
        ("a = 1" + "0" * 4100 + "\n", "longer than 4096"),
        (HEAD + "[targets]\npoints = [[nan, 0]]", "finite"),
        (HEAD + "[targets]\npoints = [[1e400, 0]]", "finite"),
        (HEAD + "[targets]\nsize_deg = -1", "targets.size_deg is -1"),
        (HEAD + "[targets]\nsize_deg = 0", "targets.size_deg is 0"),
        (HEAD + "[targets]\nstart_deg = 0.2", "start_deg is 0.2"),
        (HEAD + "[targets]\nbackground = [0.8, 0.1, 0.1]", "saturated red"),
        (HEAD + "[targets]\npulse_hz = 2.1", "targets.pulse_hz is 2.1"),
        (HEAD + "[targets]\npoints = [0.1, 0.2]", "targets.points[0] is 0.1"),
        (HEAD + "[targets]\npoints = [[0,5, 0,5]]", "targets.points[0]"),
        (HEAD + "[pace]\nhold_s = 3600", "pace.hold_s is 3600"),
        (HEAD + "[pace]\nhold_s = 0", "pace.hold_s is 0"),
        (HEAD + "[pace]\nfade_s = 0.1", "pace.fade_s is 0.1"),
        (HEAD + "[path]\npoints = [[0.5, 0.5]]", "two different points"),
        (HEAD + HEAD, "line 4"),
        (HEAD + "[pace]\nrepeats = True", "written small"),
        (HEAD + "[pace]\nhold_s = 0,5", "a point, not a comma"),
        (HEAD + "[x]\na = \u201cb\u201d", "straight quotes"),
        (HEAD + 'a = "C:\\Users"', "'single quotes'"),
        ("a\r" + HEAD, "CR line ends"),
        (HEAD + "\0", "NUL"),
        (HEAD + '[check]\npoints = "off-grit"', "did you mean 'off-grid'?"),
        (HEAD + '[keys]\nnext = "ctrl-c"', "no single key"),
        (HEAD + '[keys]\nnext = "escape"', "no single key"),
        (HEAD + '[keys]\nnext = "p"', "two things to do"),
        (HEAD.replace("mine", "../mine"), "small letters"),
        (HEAD.replace("mine", "a\u202eb"), "small letters"),
    ],
)
def test_refusals(text: str, words: str) -> None:
    assert words in refusal(text)


@pytest.mark.parametrize("code", ["001b", "0085", "202e", "2066", "200f"])
def test_text_that_steers_a_terminal_or_turns_round_is_refused(code: str) -> None:
    text = HEAD + f'purpose = "for \\u{code} all"'
    assert "protocol.purpose" in refusal(text)
    assert protocols.parse(HEAD + 'purpose = "für alle – 日本"')


def test_too_long_in_all() -> None:
    points = ",\n".join("[0.1, 0.2]" for _ in range(300))
    assert "more than 300 s" in refusal(HEAD + f"[targets]\npoints = [\n{points}]")
    points = ",\n".join("[0.1, 0.2]" for _ in range(501))
    assert "more than 500" in refusal(HEAD + f"[targets]\npoints = [\n{points}]")


def test_none_one_and_repeated_points_are_allowed_with_advice() -> None:
    for text in ("[]", "[[0.5, 0.5]]", "[[0.1, 0.1], [0.5, 0.5], [0.9, 0.9]]"):
        protocol = protocols.parse(HEAD + f"[targets]\npoints = {text}")
        assert protocols.is_short(protocol)
        assert "mapping" in protocols.advice(protocol)[0]
    text = "[[0.1, 0.1], [0.1, 0.1], [0.9, 0.9], [0.1, 0.9]]"
    assert not protocols.advice(protocols.parse(HEAD + f"[targets]\npoints = {text}"))


def test_changes_for_one_session() -> None:
    changed = protocols.load(
        "quick",
        (
            "pace.hold_s=1.5",
            "targets.order = listed",
            "check.points=[[0.4, 0.4]]",
            "keys.next=return",
        ),
    )
    assert changed.pace.hold_s == 1.5
    assert changed.targets.order == "listed"
    assert changed.check.points == ((0.4, 0.4),)
    assert changed.keys.actions()["return"] == "next"
    assert changed.points == protocols.load("quick").points


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ("pace.hold_s", "no KEY=VALUE"),
        ("hold_s=1", "no KEY=VALUE"),
        ("pace.hold_s=", "no KEY=VALUE"),
        ("pace.hold=1", "did you mean 'hold_s'?"),
        ("pace.hold_s=99", "10 or less"),
        ('pace.hold_s="', "no TOML value"),
    ],
)
def test_changes_that_cannot_be_used_are_the_calls_fault(
    change: str, words: str
) -> None:
    with pytest.raises(CallError) as caught:
        protocols.load("quick", (change,))
    assert words in str(caught.value)


def test_every_key_has_its_reason_in_the_help() -> None:
    lines = protocols.keys_help()
    assert len(lines) >= 28
    assert all(len(line.split()) >= 3 for line in lines)


def test_another_background_in_use_is_warned_of() -> None:
    dark = "[targets]\npoints = [[0, 0], [1, 0], [0, 1]]\nused_on = [0.1, 0.1, 0.1]\n"
    (note,) = protocols.advice(protocols.parse(HEAD + dark))
    assert "brighter than the screen" in note
    same = dark + "background = [0.12, 0.1, 0.1]\n"
    assert not protocols.advice(protocols.parse(HEAD + same))


def test_byte_order_mark_is_accepted(tmp_path: Path) -> None:
    file = tmp_path / "mine.toml"
    file.write_bytes(b"\xef\xbb\xbf" + HEAD.encode())
    assert protocols.load(str(file)).name == "mine"


@pytest.mark.parametrize("encoding", ["utf-16", "latin-1"])
def test_other_encodings_are_named(tmp_path: Path, encoding: str) -> None:
    file = tmp_path / "mine.toml"
    file.write_bytes(("# für wen\n" + HEAD).encode(encoding))
    with pytest.raises(InputError, match="UTF-8"):
        protocols.load(str(file))


def test_no_file_a_folder_and_a_huge_file(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="does not exist"):
        protocols.load(str(tmp_path / "none.toml"))
    with pytest.raises(InputError, match="is not a file"):
        protocols.load(str(tmp_path))
    with pytest.raises(InputError, match="did you mean 'standard'"):
        protocols.load("standart")
    (tmp_path / "huge.toml").write_text("#" * 70_000)
    with pytest.raises(InputError, match="larger than 64 KB"):
        protocols.load(str(tmp_path / "huge.toml"))


def test_extends_changes_only_what_it_names(tmp_path: Path) -> None:
    file = tmp_path / "ours.toml"
    line = '[protocol]\nversion = 1\nname = "ours"\nextends = "short-attention"\n'
    file.write_text(line + "[targets]\npoints = [[0.2, 0.2], [0.8, 0.7]]\n")
    ours, base = protocols.load(str(file)), protocols.load("short-attention")
    assert ours.targets.points == ((0.2, 0.2), (0.8, 0.7))
    assert ours.pace == base.pace
    assert ours.targets.start_deg == base.targets.start_deg
    child = tmp_path / "child.toml"
    child.write_text(HEAD + 'extends = "ours"\n[pace]\nhold_s = 2\n')
    assert protocols.load(str(child)).targets.points == ours.targets.points


def test_extends_in_a_circle_or_out_of_the_folder(tmp_path: Path) -> None:
    (tmp_path / "a.toml").write_text(HEAD + 'extends = "b"')
    (tmp_path / "b.toml").write_text(HEAD + 'extends = "a"')
    with pytest.raises(InputError, match="circle"):
        protocols.load(str(tmp_path / "a.toml"))
    assert "small letters" in refusal(HEAD + 'extends = "../a"')


@given(st.binary(max_size=300))
def test_any_bytes_give_a_protocol_or_one_refusal(data: bytes) -> None:
    text = data.decode("utf-8", "replace")
    assert refusal(text)


JUNK = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(st.sampled_from(["points", "area", "left", "x"]), inner)
    ),
    max_leaves=8,
)


@given(st.sampled_from(["targets", "path", "pace", "data", "check", "z"]), JUNK)
def test_any_values_give_a_protocol_or_a_refusal(table: str, value: object) -> None:
    tables = {"protocol": {"version": 1, "name": "mine"}, table: value}
    refused = ""
    try:
        protocol = protocols._checked(tables, "here")
    except InputError as error:
        refused = str(error)
    assert refused.startswith("here") or isinstance(protocol, Protocol)
