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
from calibkit.window.screen_target import (
    ARM_SHARE,
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
NAMES = ("full", "glide", "off-grid", "offset", "quick", "short-attention", "standard")
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


def rendered(look: Look | None, setup: Setup, px_per_degree: float) -> np.ndarray:
    """Luminance along a diagonal from the target's middle, between the cross's arms."""
    back = luminance(setup.background)
    if look is None:
        return np.full(len(RADII_DEG), back)
    size_deg = look.size_px / px_per_degree
    arm_deg = 0.5 * ARM_SHARE * size_deg
    radii = RADII_DEG.copy()
    dot, disc = radii < arm_deg, radii < 0.5 * size_deg
    arms = radii / np.sqrt(2.0) < arm_deg
    inked = dot | (disc & ~arms)
    return np.where(inked, luminance(look.colour), back)


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


@pytest.mark.parametrize("background", [(0.0,) * 3, (0.5,) * 3, (1.0,) * 3])
@pytest.mark.parametrize("name", NAMES)
def test_no_shipped_protocol_flashes(
    name: str, background: tuple[float, float, float]
) -> None:
    setup = Setup(
        screen_px=(1920, 1080),
        screen_mm=(531.36, 298.89),
        distance_mm=650.0,
        background=background,
    )
    rng = np.random.default_rng(0)
    planned = plan(protocols.load(name), setup, rng, advance="timer")
    session, look, time_s, levels = Session(planned), Appearance(setup), 0.0, []
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
        levels.append(rendered(look.at(time_s), setup, 40.993))
    # Taken as if every target came at the same place: harder than any real one.
    assert flashes(np.array(levels)) <= 2


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
