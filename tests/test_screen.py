"""How a target looks, as numbers: size, contrast, fading, and no flashes.

Outside sources: WCAG 2.2 contrast (1.4.11 asks 3 : 1; black on white is 21 : 1 and
#767676 on white 4.54 : 1, both widely published); WCAG 2.3.1 (a flash is a pair of
opposing changes of 10 % of the maximum or more, the darker below 0.80; at most 3 in a
second, ours 2); size 2 d tan(a / 2) of a centred disc (check values 1 and 2);
proportions of the shape by Thaler et al. (2013), from memory.
"""

from __future__ import annotations

import numpy as np
import pytest

from calibkit.errors import DeviceError
from calibkit.geometry import Setup
from calibkit.kept import protocol as protocols
from calibkit.session import session_words as words
from calibkit.session.session import Session
from calibkit.session.session_plan import plan
from calibkit.window.screen import Screen
from calibkit.window.screen_forms import ARM_SHARE, FORMS, melting
from calibkit.window.screen_target import (
    Appearance,
    Look,
    contrast,
    ink,
    luminance,
)

SETUP = Setup(screen_px=(1920, 1080), screen_mm=(531.36, 298.89), distance_mm=650.0)
SHOW = words.Show(
    id=1, x=960.0, y=540.0, size_deg=0.6, start_deg=2.0, draw_in_s=0.6, pulse_hz=0.0
)
NAMES = protocols.names()
FRAME_S = 1.0 / 60.0


def test_contrast_is_wcags() -> None:
    black, white = (0.0,) * 3, (1.0,) * 3
    grey = (0x76 / 255,) * 3
    assert contrast(black, white) == pytest.approx(21.0)
    assert contrast(grey, white) == pytest.approx(4.54, abs=0.005)


@pytest.mark.parametrize("level", np.linspace(0, 1, 21))
def test_target_stands_out_on_every_grey(level: float) -> None:
    background = (float(level),) * 3
    assert contrast(ink(background), background) >= 3.0
    red, green, blue = ink(background)
    assert red == green == blue


def test_size_is_the_visual_angle() -> None:
    """1 degree at the centre is 40.993 px (check value 2)."""
    look = Appearance(SETUP)
    look.take(SHOW, 0.0)
    shown = look.at(5.0)
    assert shown is not None
    assert shown.size_px == pytest.approx(0.6 * 40.993, rel=1e-3)
    assert shown.still
    assert pytest.approx(0.2) == ARM_SHARE * 0.6


def test_draws_in_without_a_jump_and_fades_over_300_ms() -> None:
    look = Appearance(SETUP)
    look.take(SHOW, 0.0)
    frames = [look.at(float(t)) for t in np.arange(0.0, 1.0, FRAME_S)]
    sizes = np.array([f.size_px for f in frames if f])
    greys = np.array([f.colour[0] for f in frames if f])
    assert sizes[0] == pytest.approx(2.0 * 40.993, rel=1e-3)
    assert np.all(np.diff(sizes) <= 1e-9)
    assert greys[0] == pytest.approx(0.5)
    assert np.abs(np.diff(greys)).max() < 0.05
    look.take(words.Hide(fade_s=0.3), 1.0)
    assert look.at(1.29) is not None
    assert look.at(1.31) is None


def test_drawing_attention_grows_but_does_not_vanish() -> None:
    look = Appearance(SETUP)
    look.take(SHOW, 0.0)
    look.take(SHOW, 2.0)
    shown = look.at(2.0)
    assert shown is not None
    assert shown.colour == pytest.approx(ink(SETUP.background))
    assert shown.size_px == pytest.approx(2.0 * 40.993, rel=1e-3)


def test_moves_with_its_commands() -> None:
    look = Appearance(SETUP)
    assert look.at(0.0) is None
    look.take(SHOW, 0.0)
    look.take(words.Move(id=1, x=100.0, y=200.0), 1.0)
    shown = look.at(1.0)
    assert shown is not None
    assert (shown.x, shown.y) == (100.0, 200.0)


RADII_DEG = np.linspace(0.02, 2.6, 130)


def rendered(
    look: Look | None, setup: Setup, px_per_degree: float, form: str = "bullseye"
) -> np.ndarray:
    """Luminance along a diagonal from the target's middle, as its parts are piled."""
    back = luminance(setup.background)
    levels = np.full(len(RADII_DEG), back)
    if look is None:
        return levels
    size_deg, step = look.size_px / px_per_degree, RADII_DEG / np.sqrt(2.0)
    for part in FORMS[form]:
        wide, high = 0.5 * part.wide * size_deg, 0.5 * part.high * size_deg
        inside = {
            "disc": wide > RADII_DEG,
            "bar": (step < wide) & (step < high),
            "diamond": step / wide + step / high < 1.0,
        }[part.kind]
        levels[inside] = luminance(look.colour) if part.inked else back
    return levels


def flashes(levels: np.ndarray) -> int:
    """Most pairs of opposing changes, at one place, in any one second."""
    worst = 0
    for column in levels.T:
        turns, last, direction = [], column[0], 0
        for frame, level in enumerate(column):
            up = level - last
            if direction * up > 0 or abs(up) >= 0.1:
                if (
                    abs(up) >= 0.1
                    and np.sign(up) != direction
                    and min(level, last) < 0.8
                ):
                    turns.append(frame)
                    direction = int(np.sign(up))
                last = level
        at = np.array(turns) * FRAME_S
        most = max((int(((at >= t) & (at < t + 1.0)).sum()) for t in at), default=0)
        worst = max(worst, most // 2)
    return worst


def test_the_counter_counts() -> None:
    """Ten square flashes a second are ten; a fade in and out is one."""
    time_s = np.arange(0, 2, FRAME_S)
    square = np.where((time_s * 10) % 1.0 < 0.5, 0.2, 0.7)[:, None]
    assert flashes(square) in (9, 10)
    slow = (0.5 + 0.3 * np.cos(np.pi * time_s))[:, None]
    assert flashes(slow) <= 1


def played(name: str, setup: Setup, changes: tuple[str, ...] = ()) -> list[Look | None]:
    """Every frame of a protocol's first twenty seconds, at sixty a second."""
    rng = np.random.default_rng(0)
    planned = plan(protocols.load(name, changes), setup, rng, advance="timer")
    session, look, time_s = Session(planned), Appearance(setup), 0.0
    frames: list[Look | None] = []
    on: tuple[int, float, float] | None = None
    while not session.over and time_s < 20.0:
        time_s += FRAME_S
        events: list[words.Event] = [words.Tick(time_s=time_s)]
        if on:
            events.insert(0, words.Shown(time_s=time_s, id=on[0], x=on[1], y=on[2]))
        for command in (c for e in events for c in session.handle(e)):
            look.take(command, time_s)
            if isinstance(command, words.Show | words.Move):
                on = (command.id, command.x, command.y)
            elif isinstance(command, words.Hide):
                on = None
        frames.append(look.at(time_s))
    return frames


def on_background(level: float) -> Setup:
    return Setup(
        screen_px=(1920, 1080),
        screen_mm=(531.36, 298.89),
        distance_mm=650.0,
        background=(level,) * 3,
    )


def test_every_shipped_protocol_is_rendered() -> None:
    assert {"wide", "standard", "glide", "short-attention"} <= set(NAMES)
    assert len(NAMES) >= 8


@pytest.mark.parametrize("level", [0.0, 0.5, 1.0])
@pytest.mark.parametrize("name", NAMES)
def test_no_shipped_protocol_flashes(name: str, level: float) -> None:
    setup = on_background(level)
    frames = played(name, setup)
    levels = np.array([rendered(frame, setup, 40.993) for frame in frames])
    assert np.ptp(levels) > 0.1  # something was shown
    # Taken as if every target came at the same place: harder than any real one.
    assert flashes(levels) <= 2


@pytest.mark.parametrize("level", [0.0, 0.5, 1.0])
@pytest.mark.parametrize("form", FORMS)
def test_no_form_flashes_even_breathing_at_the_limit(form: str, level: float) -> None:
    """Two a second of breathing is the most that a protocol may ask for."""
    setup = on_background(level)
    changes = ("targets.pulse_hz=2.0", "targets.start_deg=4.0", f"targets.form={form}")
    frames = played("short-attention", setup, changes)
    levels = np.array([rendered(frame, setup, 40.993, form) for frame in frames])
    assert flashes(levels) <= 2


@pytest.mark.parametrize("form", FORMS)
def test_each_form_has_a_dot_to_rest_on_and_is_grey_on_blank(form: str) -> None:
    *_, dot = FORMS[form]
    assert (dot.kind, dot.inked) == ("disc", True)
    assert dot.wide == dot.high == pytest.approx(0.2 / 0.6)
    assert FORMS[form][0].inked
    assert any(not part.inked for part in FORMS[form])


def test_pictures_of_a_sequence_melt_and_never_cut() -> None:
    """Two pictures at the fastest pace: each opacity moves by less than a tenth."""
    before: dict[int, float] = {}
    seen = set()
    for time_s in np.arange(0.0, 4.0, 1.0 / 60.0):
        now = melting(float(time_s) / 0.5, 0.5, 2)
        seen |= set(now)
        top = list(now)[-1]
        if before and top == list(before)[-1]:
            assert abs(now[top] - before[top]) < 0.1
        elif before:
            assert now[top] < 0.1
        before = now
    assert seen == {0, 1}
    assert melting(0.9, 1.0, 1) == {0: 1.0}
    assert melting(7.05, 1.0, 1) == {0: 1.0}
    assert melting(0.01, 1.0, 3) == {0: 1.0}  # it fades in with its target


def test_without_a_display_it_says_what_to_install(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.delenv("DISPLAY", raising=False)
    monkeypatch.setattr("platform.system", lambda: "Linux")
    with pytest.raises(DeviceError, match="xvfb"):
        Screen(SETUP, lambda: 0.0)


def test_without_psychopy_it_names_the_extra(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DISPLAY", ":0")
    monkeypatch.setitem(__import__("sys").modules, "psychopy", None)
    with pytest.raises(DeviceError, match=r"pip install calibkit\[screen\]"):
        Screen(SETUP, lambda: 0.0)
