"""The public surface, pinned: names, commands, exit statuses, files.

A change here is a change for users: it needs a line in CHANGELOG.md.
"""

from __future__ import annotations

import dataclasses
import inspect
import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import calibkit
from calibkit import cli, errors
from calibkit.channels import Channel
from calibkit.joined import options
from calibkit.kept.recording import Recording
from calibkit.kept.recording_file import TARGET_DTYPE

NAMES = {
    "CalibkitError",
    "Mapping",
    "Presented",
    "Recording",
    "SharedMapping",
    "__version__",
    "assess",
    "fit",
    "follow",
    "learn_shared",
    "present",
    "usable_keys",
}
COMMANDS = {
    "apply",
    "assess",
    "batch",
    "calibrate",
    "demo",
    "export",
    "fit",
    "import",
    "profiles",
    "publish",
    "record",
    "replay",
    "report",
    "share",
    "simulate",
    "streams",
    "validate",
}
PROTOCOLS = {
    "offset": 1,
    "quick": 3,
    "standard": 6,
    "full": 9,
    "wide": 16,
}
OTHER_PROTOCOLS = {"short-attention", "glide", "off-grid"}


def calibkit_program(
    *arguments: str, **settings: str
) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "calibkit", *arguments],
        capture_output=True,
        text=True,
        stdin=subprocess.DEVNULL,
        env={**os.environ, **settings},
        timeout=120,
        check=False,
    )


def test_public_names() -> None:
    assert set(calibkit.__all__) == NAMES
    for name in NAMES:
        assert getattr(calibkit, name) is not None
    with pytest.raises(AttributeError):
        calibkit.nothing  # noqa: B018


def test_signatures() -> None:
    fit = inspect.signature(calibkit.fit).parameters
    assert list(fit)[:4] == ["rec", "shared", "eyes", "extra"]
    assert (fit["shared"].default, fit["eyes"].default) == (None, "both")
    assert fit["extra"].default == ()
    assess = inspect.signature(calibkit.assess).parameters
    assert assess["role"].default == "validation"
    keys = inspect.signature(calibkit.usable_keys).parameters
    assert list(keys) == ["result", "setup", "reliability"]
    for found in (fit, assess, keys):  # a call by position and one by name are the same
        for name in ("shared", "eyes", "extra", "role", "setup", "reliability"):
            if name in found:
                assert found[name].kind is inspect.Parameter.POSITIONAL_OR_KEYWORD
    assert keys["reliability"].default == 0.95


def test_exit_statuses() -> None:
    found = {
        name: kind.exit_status
        for name, kind in vars(errors).items()
        if inspect.isclass(kind) and issubclass(kind, errors.CalibkitError)
    }
    assert found == {
        "CalibkitError": 1,
        "CallError": 2,
        "InputError": 3,
        "DeviceError": 4,
        "StorageError": 5,
        "NotGoodEnoughError": 6,
        "StoppedError": 7,
    }


def test_commands() -> None:
    assert set(cli.COMMANDS) >= COMMANDS


@pytest.mark.parametrize("name", cli.COMMANDS)
def test_every_command_explains_itself(
    name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as stop:
        cli.main([name, "--help"])
    assert stop.value.code == 0
    text = capsys.readouterr().out
    assert "--home" in text
    module = cli.command_module(name)
    assert module.SUMMARY
    assert module.SUMMARY.split()[0] in ("LSL",) or module.SUMMARY[0].islower()
    assert not module.SUMMARY.endswith(".")
    for action in cli.command_parser(name)._actions:
        assert action.help, f"{name} {action.option_strings} has no help"


@pytest.mark.parametrize(
    ("command", "flags"),
    [
        (
            "calibrate",
            "--person --protocol --advance --window --screen-mm --distance-mm "
            "--headless --seed --stream --json",
        ),
        (
            "validate",
            "--person --protocol --advance --window --screen-mm --distance-mm "
            "--headless --seed --stream --json",
        ),
        ("fit", "--shared --extra --output --force"),
        ("share", "--output --force"),
        ("assess", "--compare --json"),
        ("apply", "--output --force"),
        ("batch", "--shared --eyes --extra --output --force --json --home"),
        ("batch", "--targets --page --workers --scheduler --limit --reliability"),
        ("publish", "--person --mapping --stream --wait --filter"),
        ("report", "--person --output --force"),
        ("export", "--mapping --shared --output --force --json"),
        ("import", "--stream --output --force --json"),
        ("simulate", "--tracker --seed"),
        ("streams", "--check --json"),
        ("record", "--stream"),
    ],
)
def test_flags(command: str, flags: str) -> None:
    known = {
        flag
        for action in cli.command_parser(command)._actions
        for flag in action.option_strings
    }
    assert set(flags.split()) <= known


def test_a_filter_may_stay_unnamed() -> None:
    # Source: contract, "Streams": unfiltered unless `--filter`.
    parser = cli.command_parser("publish")
    whose = ["--person", "p1"]
    assert parser.parse_args(whose).filter is None
    assert parser.parse_args([*whose, "--filter"]).filter == "one-euro"
    assert parser.parse_args(["--filter", "look-mean", *whose]).filter == "look-mean"


def test_help_lists_the_commands() -> None:
    done = calibkit_program("--help")
    assert done.returncode == 0
    for name in COMMANDS:
        assert f"\n  {name}" in done.stdout
    assert calibkit_program("--version").stdout.startswith("calibkit ")


@pytest.mark.parametrize(
    ("arguments", "status", "words"),
    [
        ((), 2, "no command"),
        (("dance",), 2, "'dance' is not a command"),
        (("fit",), 2, "required"),
        (("fit", "no-such-file.h5", "-o", "m.h5"), 3, "no-such-file.h5"),
        (("simulate", "--tracker", "crystal-ball"), 2, "crystal-ball"),
        (("calibrate", "--person", "a/b", "--headless"), 2, "a/b"),
        (("calibrate", "--person", "a", "--protocol", "no-such", "--headless"), 3, ""),
        (
            ("calibrate", "--person", "a", "--screen-mm", "5,2x3", "--headless"),
            2,
            "5,2",
        ),
        (("publish", "--person", "nobody-here"), 3, "nobody-here"),
    ],
)
def test_refusals_are_one_sentence_with_the_right_status(
    arguments: tuple[str, ...], status: int, words: str, tmp_path: Path
) -> None:
    home = ["--home", str(tmp_path)] if arguments[:1] not in ((), ("dance",)) else []
    done = calibkit_program(*arguments, *home)
    last = done.stderr.strip().splitlines()[-1]
    assert done.returncode == status, done.stderr
    assert last.startswith("calibkit: ")
    assert words in last
    assert "Traceback" not in done.stderr
    assert done.stdout == ""


def test_a_defect_leaves_a_log_and_status_1(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def broken(name: str) -> None:
        raise ZeroDivisionError(name)

    monkeypatch.setattr(cli, "command_parser", broken)
    assert cli.main(["fit"]) == 1
    said = capsys.readouterr().err
    log = Path(said.strip().rsplit(" ", 1)[1])
    assert "ZeroDivisionError" in log.read_text(encoding="utf-8")
    assert "Traceback" not in said
    log.unlink()


def test_interruption_is_130(monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupted(name: str) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(cli, "command_parser", interrupted)
    assert cli.main(["fit"]) == 130


def test_recording_fields() -> None:
    names = {field.name for field in dataclasses.fields(Recording)}
    assert names >= {
        "person",
        "session",
        "attempt",
        "created",
        "software",
        "setup",
        "time",
        "samples",
        "channels",
        "name",
        "source_id",
        "nominal_rate",
        "targets",
        "target_path",
        "events",
        "protocol",
    }
    assert TARGET_DTYPE.names == (
        "onset",
        "offset",
        "x",
        "y",
        "role",
        "advance",
        "kept",
    )


def test_shipped_protocols() -> None:
    from calibkit.kept import protocol

    for name, count in PROTOCOLS.items():
        assert len(protocol.load(name).targets.points) == count, name
    for name in OTHER_PROTOCOLS:
        assert protocol.load(name).protocol.name == name


def test_json_holds_no_numbers_that_json_lacks(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Source: RFC 8259, section 6: infinity and NaN are not permitted."""
    options.emit_json({"a": np.array([1.5, np.nan]), "b": float("inf")})
    assert json.loads(capsys.readouterr().out) == {"a": [1.5, None], "b": None}


def test_an_ideal_screen_tracker_needs_no_target() -> None:
    """Source: contract, Python: the prior is then the tracker's own answer."""
    from calibkit.geometry import Setup

    channels = tuple(
        Channel(label=f"{eye} {axis}", eye=eye, type=f"Screen{axis}", unit="pixels")
        for eye in ("left", "right")
        for axis in "XY"
    )
    recording = Recording(
        setup=Setup(screen_px=(1600, 900), screen_mm=(480, 270), distance_mm=600),
        time=np.empty(0),
        samples=np.empty((0, 4)),
        channels=channels,
        targets=np.empty(0, TARGET_DTYPE),
    )
    mapping = calibkit.fit(recording)
    seen = np.array([[400.0, 300, 400, 300], [1200, 500, np.nan, np.nan], [np.nan] * 4])
    gaze = mapping.apply(seen)
    assert gaze.xy[:2] == pytest.approx(np.array([[400, 300], [1200, 500]]), abs=1.0)
    assert np.isfinite(gaze.sd[:2]).all()
    assert np.isnan(gaze.xy[2]).all()
    assert np.isnan(gaze.sd[2]).all()
    assert mapping.apply(np.empty((0, 4))).xy.shape == (0, 2)
    with pytest.raises(ValueError, match="column"):
        mapping.apply(np.zeros((3, 5)))


def test_raw_pixels_without_anything_to_go_by_are_refused() -> None:
    from calibkit.geometry import Setup

    channels = tuple(
        Channel(label=name, eye="left", type=name, unit="pixels")
        for name in ("PupilX", "PupilY", "ReflexX", "ReflexY")
    )
    recording = Recording(
        setup=Setup(screen_px=(1600, 900), screen_mm=(480, 270), distance_mm=600),
        time=np.arange(10) / 60,
        samples=np.ones((10, 4)),
        channels=channels,
        targets=np.empty(0, TARGET_DTYPE),
    )
    with pytest.raises(calibkit.CalibkitError) as refusal:
        calibkit.fit(recording)
    assert refusal.value.exit_status == 3
