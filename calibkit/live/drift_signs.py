"""Signs in the raw signal that a mapping may no longer fit: head, pupil, noise.

A sign is told once when it has held for a while, and again only after it has been away:
a head that sways about a limit gives one notice, not a hundred.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from calibkit.live.drift_reference import Level, Reference

# Common practice without a source, except the pupil's: literature, luminance artefact.
FAR_MM = {"distance": 80.0, "side": 45.0, "height": 45.0}
FAR_SHARE = 0.12  # of the distance
FAR_PICTURE = 0.05
FAR_DEG = 12.0
PUPIL_MM, PUPIL_SHARE = 0.5, 0.10
# At the limit itself a simulated pupil's own slow unrest gives some fifty notices an
# hour (tests/benchmarks/drift.py); half as much again, held for a minute, about two.
PUPIL_FACTOR = 1.5
# Twenty seconds of calibration do not tell a pupil's usual width: the first minutes
# after it are counted in, though never by more than this share of the limit.
LEARNED_SHARE = 1 / 3
NOISE_FACTOR, LOSS_MORE = 3.0, 0.35
BACK = 0.75  # of a limit: below it a sign has gone


@dataclass(frozen=True, kw_only=True)
class Pace:
    """Weight of a new block in the level; blocks until a sign is told, or has gone.

    `own` is how many blocks the calibration counts for, `learn` how many more are
    counted into what is usual.
    """

    weight: float
    hold: int
    forget: int
    own: int = 0
    learn: int = 0


PACE = Pace(weight=0.3, hold=4, forget=15)
SLOW = {
    "pupil": Pace(weight=0.3, hold=36, forget=60, own=10, learn=50),
    "noise": Pace(weight=0.15, hold=8, forget=30),
    "loss": Pace(weight=0.15, hold=8, forget=30),
}


@dataclass(frozen=True, kw_only=True)
class Sign:
    """How one figure stands.

    Parameters
    ----------
    level : float
        Running level, NaN before the first block.
    beyond, within : int
        Blocks in a row over the limit, or clearly below it.
    told : bool
    usual : float
        Mean over the calibration and the blocks that were counted in, NaN before.
    learned : int
        How many these are.
    """

    level: float = math.nan
    beyond: int = 0
    within: int = 0
    told: bool = False
    usual: float = math.nan
    learned: int = 0


@dataclass(frozen=True, kw_only=True)
class Signs:
    """All signs, by name."""

    reference: Reference
    signs: Mapping[str, Sign] = field(default_factory=dict)


def observe(state: Signs, block: Mapping[str, Level]) -> tuple[Signs, tuple[str, ...]]:
    """Take in the levels of one more block.

    Parameters
    ----------
    state : Signs
    block : dict of Level
        As `drift_reference.levels` gives them.

    Returns
    -------
    state : Signs
    told : tuple of str
        One sentence for each sign that has come up or gone.
    """
    signs, told = dict(state.signs), []
    for name, usual in state.reference.levels.items():
        now = block.get(name)
        if now is None or now.unit != usual.unit:
            continue
        signs[name], sentence = _step(signs.get(name, Sign()), name, usual, now.mean)
        if sentence:
            told.append(sentence)
    return replace(state, signs=signs), tuple(told)


def _step(sign: Sign, name: str, usual: Level, now: float) -> tuple[Sign, str]:
    first = math.isnan(sign.level)
    pace = SLOW.get(name.split()[0], PACE)
    level = now if first else sign.level + pace.weight * (now - sign.level)
    sign = _learn(sign, usual, now, pace)
    ratio = far(name, _known(sign, usual), level)
    sign = replace(
        sign,
        level=level,
        beyond=sign.beyond + 1 if ratio > 1 else 0,
        within=sign.within + 1 if ratio < BACK else 0,
    )
    if not sign.told and sign.beyond >= pace.hold:
        return replace(sign, told=True), _words(name, usual, level)
    if sign.told and sign.within >= pace.forget:
        return replace(sign, told=False), f"{_thing(name)} is as it was again"
    return sign, ""


def _learn(sign: Sign, usual: Level, now: float, pace: Pace) -> Sign:
    """Count a block into what is usual, during the first minutes."""
    if sign.learned >= pace.learn:
        return sign
    before = usual.mean if math.isnan(sign.usual) else sign.usual
    count = sign.learned + 1
    mean = before + (now - before) / (pace.own + count)
    return replace(sign, usual=mean, learned=count)


def _known(sign: Sign, usual: Level) -> Level:
    """What is usual by now: by the calibration, and a little by what came after."""
    if math.isnan(sign.usual):
        return usual
    most = LEARNED_SHARE * _pupil_limit(usual)
    mean = min(max(sign.usual, usual.mean - most), usual.mean + most)
    return replace(usual, mean=mean)


def far(name: str, usual: Level, level: float) -> float:
    """How far a level is from the usual one, in limits: 1 is at the limit.

    Parameters
    ----------
    name : str
    usual : Level
        At the calibration.
    level : float
        Now.

    Returns
    -------
    float, 0 or more; 0 where there is no limit
    """
    off = abs(level - usual.mean)
    kind = name.split()[0]
    if kind == "pupil":
        return _pupil(usual, off)
    if kind == "noise":
        return level / (NOISE_FACTOR * max(usual.mean, 1e-12))
    if kind == "loss":
        return max(0.0, level - usual.mean) / LOSS_MORE
    if usual.unit == "degrees":
        return off / max(FAR_DEG, 4 * usual.sd)
    return _head(name, usual, off)


def _pupil(usual: Level, off: float) -> float:
    return off / max(_pupil_limit(usual), 1e-12)


def _pupil_limit(usual: Level) -> float:
    limit = PUPIL_SHARE * usual.mean
    if usual.unit == "mm":
        limit = min(limit, PUPIL_MM)
    return PUPIL_FACTOR * limit


def _head(name: str, usual: Level, off: float) -> float:
    if usual.unit == "relative":
        return off / (FAR_SHARE * usual.mean)
    if usual.unit == "picture":
        return off / max(FAR_PICTURE, 4 * usual.sd)
    mm = 1.0 if usual.unit == "mm" else usual.mm
    return off * mm / FAR_MM[name] if math.isfinite(mm) and name in FAR_MM else 0.0


def _words(name: str, usual: Level, level: float) -> str:
    kind, _, eye = name.partition(" ")
    if kind == "pupil":
        way = "wider" if level > usual.mean else "narrower"
        share = abs(level / usual.mean - 1)
        return (
            f"the pupils are {share:.0%} {way} than at the calibration; make the "
            "light as it was, or look once at a target to see whether gaze still fits"
        )
    if kind == "noise":
        return (
            f"the signal of the eye ({eye}) is {level / usual.mean:.1f} times as noisy "
            "as at the calibration; see light, glasses and distance"
        )
    if kind == "loss":
        return (
            f"{level:.0%} of the samples of the eye ({eye}) are lost; free the "
            "camera's view"
        )
    amount = _amount(usual, level - usual.mean)
    return (
        f"the head is {amount} from where it was calibrated ({name}); move it or the "
        "tracker back, or look once at a target to see whether gaze still fits"
    )


def _amount(usual: Level, off: float) -> str:
    if usual.unit == "degrees":
        return f"turned {abs(off):.0f} degrees"
    if usual.unit == "relative":
        return f"{abs(off) / usual.mean:.0%} of the distance"
    if usual.unit == "picture":
        return f"{abs(off):.0%} of the picture"
    return f"{abs(off) * (1.0 if usual.unit == 'mm' else usual.mm) / 10:.0f} cm"


def _thing(name: str) -> str:
    kind, _, eye = name.partition(" ")
    if kind == "pupil":
        return "the pupils' width"
    return f"the {kind} ({eye})" if eye else f"the head's {name}"
