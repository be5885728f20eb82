"""One attempt with one person: run the session and keep its recording.

`calibrate` and `validate` differ in what they show and in whether they fit; all else
is shared here, for real and simulated sessions alike.
"""

from __future__ import annotations

from collections.abc import Callable
from collections.abc import Mapping as Values
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import calibkit
from calibkit.channels import Channel
from calibkit.errors import CalibkitError, DeviceError, InputError, StoppedError
from calibkit.geometry import Setup
from calibkit.joined.run import Markers, Memory, Presenter, Source, run_session
from calibkit.joined.run_verdict import FEWEST_LOOKS, judge
from calibkit.kept import journal, protocol, records
from calibkit.kept.protocol_model import Protocol
from calibkit.session.session import Session
from calibkit.session.session_plan import Plan

if TYPE_CHECKING:
    from calibkit.fitted.mapping import Mapping
    from calibkit.fitted.shared import SharedMapping
    from calibkit.kept.lock import Held
    from calibkit.panel.beside import Beside
    from calibkit.session.session_look import Looks

    Prior = SharedMapping | Mapping | None

ENOUGH_LOOKS = 3  # for any prior that reads the tracker at all


@dataclass(frozen=True, kw_only=True)
class Attempt:
    """Who, what and where, before the first target."""

    home: Path
    person: str
    session: str
    number: int
    created: str
    protocol: Protocol
    plan: Plan
    setup: Setup
    channels: tuple[Channel, ...]
    name: str
    source_id: str
    nominal_rate: float

    def header(self) -> dict[str, Any]:
        """Return the recording's fields that are known at the start."""
        return {
            "person": self.person,
            "session": self.session,
            "attempt": self.number,
            "created": self.created,
            "software": f"calibkit {calibkit.__version__}",
            "name": self.name,
            "source_id": self.source_id,
            "nominal_rate": self.nominal_rate,
            "protocol": protocol.to_toml(self.protocol),
        }


@dataclass(frozen=True, kw_only=True, eq=False)
class Ends:
    """What a session is joined to; `tell` says to the operator how it goes.

    `beside`, the operator's view, outlives the session: it shows the result too.
    `held` keeps other sessions away from the tracker.
    """

    presenter: Presenter
    source: Source
    markers: Markers
    tell: Callable[[str], None] | None = None
    beside: Beside | None = None
    held: Held | None = None

    def close(self) -> None:
        """Let go of screen, stream and markers."""
        for end in (self.presenter, self.source, self.markers):
            end.close()
        if self.held is not None:
            self.held.close()

    def show_gaze(self, mapping: Mapping) -> None:
        """Let the operator see gaze by a mapping."""
        if self.beside is not None:
            self.beside.know(lambda samples: mapping.apply(samples).xy)

    def leave(self) -> None:
        """Take the operator's view away."""
        if self.beside is not None:
            self.beside.close()


def looks_for(attempt: Attempt) -> Looks:
    """Make what tells, from raw gaze, when the person looks."""
    from calibkit.fitted.features import layout
    from calibkit.session.session_look import Looks

    data = attempt.protocol.data
    return Looks(
        layout(attempt.channels, data.eyes),
        attempt.setup,
        hold_s=attempt.protocol.pace.hold_s,
        max_loss=data.max_loss,
        min_confidence=data.min_confidence,
        max_noise_deg=data.max_noise_deg,
    )


def check_prior(attempt: Attempt, prior: Prior) -> None:
    """Refuse, before anybody is asked to look, points that cannot make a mapping.

    Raises
    ------
    InputError
        When camera features meet too few points and nothing to start from, or what
        to start from is of another tracker or set-up.
    """
    from calibkit.fitted import fitting
    from calibkit.fitted.features import layout

    plan = layout(attempt.channels, attempt.protocol.data.eyes)
    short = protocol.is_short(attempt.protocol)
    looks = len(attempt.protocol.points) if short else ENOUGH_LOOKS
    fitting.check_prior(prior, plan, attempt.setup, looks)
    if prior is None and not plan.in_degrees and short:
        raise InputError(
            f"the protocol {attempt.protocol.name!r} has too few points to make a "
            "mapping from this tracker; give --shared FILE, or calibrate with the "
            "protocol standard first"
        )


def perform(
    attempt: Attempt, ends: Ends, prior: Prior = None, known: Mapping | None = None
) -> Path:
    """Run the session and keep its recording, however it ends.

    Parameters
    ----------
    attempt : Attempt
    ends : Ends
    prior : prior, optional
        What the fits of a running session start from.
    known : Mapping, optional
        The mapping that is being checked.

    Returns
    -------
    Path
        Of the finished recording.

    Raises
    ------
    StoppedError
        When it was stopped or the window closed; the recording is kept.
    DeviceError
        When the stream or the display was lost for good; the recording is kept.
    """
    looks = looks_for(attempt)

    def know(mapping: Mapping) -> None:
        looks.know(lambda samples: mapping.apply(samples).xy)
        ends.show_gaze(mapping)

    if known is not None:
        know(known)
    header = attempt.header()
    memory = Memory(channels=attempt.channels, setup=attempt.setup, about=header)
    answer = judge(memory.recording, attempt.protocol, attempt.plan, prior, know)
    session = Session(attempt.plan, looks, attempt.protocol.keys.actions())
    writer = writer_for(attempt, header)
    reason, error = "", None
    try:
        reason = run_session(
            session,
            ends.presenter,
            ends.source,
            [writer, memory],
            ends.markers,
            answer,
            ends.tell,
            ends.beside,
        )
    except CalibkitError as caught:
        error = caught
    finally:
        ends.close()
        writer.close()
        path = journal.finish(writer.path)
    if error is not None:
        raise type(error)(f"{error}; what was recorded is kept in {path}") from error
    shown = memory.recording().targets
    kept = (shown["role"] == "calibration") & (shown["kept"] != 0)
    check_end(reason, path, looks=int(kept.sum()))
    return path


def writer_for(attempt: Attempt, header: Values[str, Any]) -> journal.Writer:
    """Begin the recording of an attempt."""
    folder = records.folder(attempt.home, "recordings", attempt.person)
    started = {**header, "setup": attempt.setup, "channels": attempt.channels}
    return journal.Writer(folder / f"{attempt.session}{journal.SUFFIX}", started)


def check_end(reason: str, path: Path, *, looks: int = 0) -> None:
    """Raise what a session that did not end by itself means.

    Where enough looks of a calibration are done, it says how to use them.
    """
    if reason in ("stopped", "closed"):
        text = (
            f"the session was {reason} before its end; what was recorded is kept in "
            f"{path}, and nothing was replaced"
        )
        if looks >= FEWEST_LOOKS:
            text += f"; calibkit fit {path} -o MAPPING makes a mapping of its looks"
        raise StoppedError(text)
    if reason == "lost":
        raise DeviceError(
            "the gaze stream was lost and did not come back; what was recorded is kept "
            f"in {path}; check the tracker's program and its cable, then start again"
        )
