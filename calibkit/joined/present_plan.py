"""What a session in an experiment is to do, checked before anything is shown."""

from __future__ import annotations

from collections.abc import Mapping as Values
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calibkit.errors import CallError, InputError
from calibkit.kept import protocol as protocols
from calibkit.kept.protocol_model import Protocol

if TYPE_CHECKING:
    from calibkit.fitted.mapping import Mapping
    from calibkit.geometry import Setup
    from calibkit.joined.present_gaze import GazeEnd
    from calibkit.joined.run_attempt import Attempt, Prior
    from calibkit.window.screen import Screen

# What may be done, and the protocol that is usual for it.
USUAL = {"calibrate": "standard", "validate": "off-grid", "one-point": "offset"}
UNNAMED = "unnamed"


@dataclass(frozen=True, kw_only=True, eq=False)
class Wanted:
    """A checked wish.

    `name` is where the protocol came from; `known` the mapping that is checked or
    compared with; `keeps` says whether there is a person to keep anything for.
    """

    protocol: Protocol
    name: str
    fits: bool
    person: str
    keeps: bool
    home: Path
    known: Mapping | None
    prior: Prior
    within_deg: float | None


def chosen(
    protocol: str | Path | Protocol | None,
    do: str,
    person: str | None,
    mapping: Mapping | str | Path | None,
    shared: Any,
    within_deg: float | None,
    home: Path,
) -> Wanted:
    """Check what was asked for, and read what it names.

    Raises
    ------
    CallError
        When parameters are unusable or do not go together.
    InputError
        When a protocol or a mapping is unusable, or there is none to check.
    """
    from calibkit.kept.profile import check_person

    if do not in USUAL:
        raise CallError(f"do is {do!r}; use {', '.join(USUAL)}")
    name, picked = _protocol(USUAL[do] if protocol is None else protocol)
    picked = _fitting(picked, do)
    who = UNNAMED if person is None else check_person(person)
    mine = known(mapping, home, person)
    if mine is None and do != "calibrate":
        raise InputError(
            f"there is no mapping to check for {who} in {home}; give mapping=, or "
            "calibrate this person first"
        )
    _check_limit(within_deg, picked, do)
    return Wanted(
        protocol=picked,
        name=name,
        fits=do == "calibrate",
        person=who,
        keeps=person is not None,
        home=home,
        known=mine,
        prior=_prior(shared, picked, mine) if do == "calibrate" else None,
        within_deg=within_deg,
    )


def attempt(
    wanted: Wanted,
    setup: Setup,
    end: GazeEnd,
    *,
    seed: int | None,
    how: dict[str, Any],
) -> Attempt:
    """Make the attempt that starts now."""
    from calibkit.joined.run_sitting import begun

    return begun(
        wanted.home,
        wanted.person,
        wanted.protocol,
        setup,
        seed=seed,
        how=how,
        **end.about(),
    )


def screen(
    wanted: Wanted, setup: Setup, win: Any, pictures: str | Path | None
) -> Screen:
    """Make the screen: in the window that was given, else in one of our own."""
    from calibkit.joined import run_live

    folder = None if pictures is None else Path(pictures)
    try:
        if folder is not None:
            folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise CallError(
            f"the folder {folder} for pictures cannot be made ({error.strerror}); "
            "name another"
        ) from error
    return run_live.screen_for(
        wanted.name, wanted.protocol, setup, window=win, pictures=folder
    )


def check(wanted: Wanted, begun: Attempt) -> None:
    """Refuse, before anybody is asked to look, what cannot give a result.

    Raises
    ------
    InputError
        When the mapping is for another set-up or stream, or points are too few.
    """
    from calibkit.joined.run import Memory
    from calibkit.joined.run_attempt import check_prior

    if wanted.fits:
        check_prior(begun, wanted.prior)
    elif wanted.known is not None:
        wanted.known.check(
            Memory(channels=begun.channels, setup=begun.setup).recording()
        )


def _protocol(given: str | Path | Protocol) -> tuple[str, Protocol]:
    if not isinstance(given, Protocol):
        return str(given), protocols.load(str(given))
    if given.targets.pictures:
        raise CallError(
            f"the protocol {given.name!r} shows pictures, which lie beside its file; "
            "give the file's path"
        )
    return given.name, given


def _fitting(picked: Protocol, do: str) -> Protocol:
    """The protocol as it is to be used; a check of one point shows its first."""
    if do == "calibrate" and picked.protocol.role != "calibration":
        raise CallError(
            f"the protocol {picked.name!r} only checks a mapping; use it with "
            'do="validate"'
        )
    if do != "one-point":
        return picked
    if not picked.targets.points:
        raise CallError(f"the protocol {picked.name!r} has no point; name another")
    changes: dict[str, Values[str, Any]] = {
        "protocol": {"role": "validation"},
        "targets": {"points": picked.targets.points[:1]},
    }
    tables = {key: getattr(picked, key).model_copy(update=new)
              for key, new in changes.items()}  # fmt: skip
    return picked.model_copy(update=tables)


def known(
    mapping: Mapping | str | Path | None, home: Path, person: str | None
) -> Mapping | None:
    """Return the mapping that is given, else the person's in use, if there is one."""
    from calibkit.fitted.mapping import Mapping
    from calibkit.joined.run_conclude import in_use

    if isinstance(mapping, Mapping):
        return mapping
    if mapping is not None:
        return Mapping.load(mapping)
    return None if person is None else in_use(home, person)


def _prior(shared: Any, picked: Protocol, known: Mapping | None) -> Prior:
    """What the fit starts from: what was given, else the own mapping if it must."""
    from calibkit.fitted.fitting import load_prior

    if shared is None:
        return known if protocols.is_short(picked) else None
    return load_prior(Path(shared)) if isinstance(shared, str | Path) else shared


def _check_limit(within_deg: float | None, picked: Protocol, do: str) -> None:
    if within_deg is None:
        return
    if not within_deg > 0.0:
        raise CallError(f"within_deg is {within_deg:g}; give degrees above 0")
    if do == "calibrate" and not protocols.check_points(picked)[0]:
        raise CallError(
            f"within_deg needs check points, and the protocol {picked.name!r} has none"
        )
