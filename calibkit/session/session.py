"""The session: what happens when, as a table of states and what is met in them.

A pure machine: `handle(event)` returns commands. No clock, no window, no stream; each
event carries its time. Every change of state is a row of `session_table`; this file
says how an event is read (`_met`) and what a row's action does.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from calibkit.geometry import angle_between
from calibkit.session import session_marks
from calibkit.session import session_table as table
from calibkit.session import session_words as words
from calibkit.session.session_keys import KEYS, Keys
from calibkit.session.session_look import Looks
from calibkit.session.session_plan import Plan, Target
from calibkit.session.session_queue import Queue

VERDICT_S = 5.0
GONE_S = 60.0
LOOK_EVERY_S = 0.04
# Light changes no faster, however fast the operator's keys are.
APPEAR_S = 1.0


class Session:
    """One session with a person.

    Parameters
    ----------
    plan : Plan
        What to show, and how fast.
    looks : Looks, optional
        Tells from raw gaze when the person looks; needed to advance by gaze.
    keys : mapping of str, optional
        What each key does; `KEYS` by default.
    """

    def __init__(
        self, plan: Plan, looks: Looks | None = None, keys: Mapping[str, str] = KEYS
    ) -> None:
        self.state = table.OPENING
        self.reason = ""
        self._plan, self._looks, self._keys = plan, looks, Keys(keys)
        self._queue = Queue(plan.targets, plan.pace.repeats)
        self._now_s = self._since_s = self._checked_s = float("-inf")
        self._appeared_s = float("-inf")
        self._to_judge = self._held = self._to_rest = False

    @property
    def over(self) -> bool:
        """Whether the session has ended."""
        return self.state == table.ENDED

    def progress(self) -> words.Progress:
        """Where the session is."""
        queue = self._queue
        shown = queue.on or queue.next
        return words.Progress(
            state=self.state,
            target=queue.on.id if queue.on else None,
            role=shown.role if shown else "",
            done=queue.done,
            total=queue.total,
            missed=queue.missed,
        )

    def handle(self, event: words.Event) -> tuple[words.Command, ...]:
        """Take one event and say what to do.

        Parameters
        ----------
        event : Event

        Returns
        -------
        tuple of Command; empty when the event changes nothing
        """
        if self.over:
            return ()
        self._now_s = max(self._now_s, event.time_s)
        if isinstance(event, words.Gaze):
            if self._looks is not None:
                self._looks.feed(event.times, event.samples)
            return ()
        met = self._met(event)
        row = table.TABLE.get((self.state, met))
        if row is None:
            return ()
        after, action = row
        commands = _ACTIONS[action](self, event)
        if after != self.state or action == "call":
            self.state, self._since_s = after, self._now_s
        return tuple(commands)

    # How an event is read.

    def _met(self, event: words.Event) -> str:
        if isinstance(event, words.Tick):
            return self._passed()
        if isinstance(event, words.Key):
            return self._keys.met(event)
        if isinstance(event, words.Shown):
            on = self._queue.on
            return "shown" if on is not None and event.id == on.id else ""
        if isinstance(event, words.StreamFound):
            return "found, paused" if self._held else "found"
        return _PLAIN.get(type(event), "")

    def _passed(self) -> str:
        waiting = _WAITING.get(self.state)
        return waiting(self, self._now_s - self._since_s) if waiting else ""

    def _between(self, waited_s: float) -> str:
        if self._to_judge:
            return "to judge"
        target, fade_s = self._queue.next, self._plan.pace.fade_s
        if target is None:
            return "over" if waited_s >= fade_s else ""
        if self._to_rest:
            return "to rest" if waited_s >= fade_s else ""
        fresh = self._now_s - self._appeared_s >= APPEAR_S
        return "due" if fresh and waited_s >= fade_s + target.gap_s else ""

    def _settling(self, waited_s: float) -> str:
        if waited_s < self._plan.look.draw_in_s:
            return ""
        return "off it goes" if self._on().way else "drawn in"

    def _gliding(self, waited_s: float) -> str:
        way = self._on().way
        return "glide" if way is not None and waited_s < way.lasts_s else "arrived"

    def _measuring(self, waited_s: float) -> str:
        if self._plan.advance == "key":
            return ""
        if self._plan.advance == "timer" or self._looks is None:
            return "looked" if waited_s >= self._plan.pace.hold_s else ""
        if self._now_s - self._checked_s >= LOOK_EVERY_S:
            self._checked_s = self._now_s
            if waited_s >= self._plan.pace.hold_s and self._looks.held(self._now_s):
                return "looked"
        if waited_s < self._plan.pace.limit_s:
            return ""
        return "restless" if self._looks.restless(self._now_s) else "missed"

    # What a row does.

    def _open(self, event: words.Event) -> list[words.Command]:
        return session_marks.start(self._plan, event.time_s)

    def _show(self, event: words.Event) -> list[words.Command]:
        self._queue.take()
        return [self._draw()]

    def _draw(self) -> words.Show:
        target, look = self._on(), self._plan.look
        return words.Show(
            id=target.id,
            x=target.x,
            y=target.y,
            size_deg=look.size_deg,
            start_deg=look.start_deg,
            draw_in_s=look.draw_in_s,
            pulse_hz=look.pulse_hz,
            picture_s=look.picture_s,
        )

    def _arrive(self, event: words.Event) -> list[words.Command]:
        target = self._on()
        self._queue.appeared(target, event.time_s)
        self._appeared_s = event.time_s
        return [session_marks.on(self._plan, target, event.time_s)]

    def _measure(self, event: words.Event) -> list[words.Command]:
        if self._looks is not None:
            target = self._on()
            place = None if target.way else (target.x, target.y)
            self._looks.begin(event.time_s, self._apart_deg(), place)
        return []

    def _apart_deg(self) -> float:
        if self._queue.last is None:
            return float("inf")
        here, there = ((t.x, t.y) for t in (self._on(), self._queue.last))
        return float(angle_between(self._plan.setup, here, there)[0])

    def _move(self, event: words.Event) -> list[words.Command]:
        way = self._on().way
        assert way is not None
        x, y = way.at(self._now_s - self._since_s)
        return [words.Move(id=self._on().id, x=x, y=y)]

    def _trace(self, event: words.Event) -> list[words.Command]:
        assert isinstance(event, words.Shown)
        x, y = event.x, event.y
        mark = session_marks.moved(self._on(), event.time_s, x, y)
        return [words.PathRow(time_s=event.time_s, x=x, y=y), mark]

    def _finish_point(self, event: words.Event) -> list[words.Command]:
        by_key = isinstance(event, words.Key)
        gave = self._gave("moved on" if by_key else "looked")
        if self._looks is not None:
            self._looks.end(event.time_s)
        self._to_judge = self._judges(self._on())
        self._queue.looked(self._on())
        return [gave, *self._off(event.time_s, kept=True), words.Cue()]

    def _restless(self, event: words.Event) -> list[words.Command]:
        gave = self._gave("restless")
        text = f"target {gave.target}: seen, but never at rest"
        note = words.Note(time_s=event.time_s, text=text)
        return [gave, *self._finish_point(event)[1:], note]

    def _miss(self, event: words.Event) -> list[words.Command]:
        target = self._on()
        again = self._queue.returns(target.id)
        gave = self._gave("no look" if again else "missed")
        texts = [f"target {target.id}: no look", self._queue.unseen(target)]
        self._to_judge = not again and self._judges(target)
        off = self._off(event.time_s, kept=not again)
        notes = [words.Note(time_s=event.time_s, text=text) for text in texts if text]
        return [gave, *off, *notes]

    def _repeat(self, event: words.Event) -> list[words.Command]:
        target = self._on()
        commands = self._left_out(event, "shown again")
        self._queue.first(target)
        return commands

    def _reshow(self, event: words.Event) -> list[words.Command]:
        last = self._queue.last
        if last is None or self._queue.next is last:
            return []
        self._queue.first(last)
        self._queue.done -= 1
        return [words.Note(time_s=event.time_s, text=f"target {last.id}: shown again")]

    def _omit(self, event: words.Event) -> list[words.Command]:
        commands = self._left_out(event, "left out")
        self._queue.done += 1
        return commands

    def _left_out(self, event: words.Event, what: str) -> list[words.Command]:
        gave = self._gave("again" if what == "shown again" else "omitted")
        note = words.Note(time_s=event.time_s, text=f"target {gave.target}: {what}")
        return [gave, *self._off(event.time_s, kept=False), note]

    def _call(self, event: words.Event) -> list[words.Command]:
        return [self._draw(), words.Note(time_s=event.time_s, text="attention drawn")]

    def _pause(self, event: words.Event) -> list[words.Command]:
        self._held = True
        note = words.Note(time_s=event.time_s, text="pause")
        return [*self._interrupt(event), note, words.Pause(reason="paused")]

    def _rest(self, event: words.Event) -> list[words.Command]:
        self._held = True
        note = words.Note(time_s=event.time_s, text="rest")
        return [note, words.Pause(reason="between")]

    def _resume(self, event: words.Event) -> list[words.Command]:
        self._held = self._to_rest = False
        return [words.Note(time_s=event.time_s, text="go on")]

    def _lose(self, event: words.Event) -> list[words.Command]:
        note = words.Note(time_s=event.time_s, text="stream lost")
        return [
            *self._interrupt(event),
            note,
            words.Pause(reason="the gaze stream is lost"),
        ]

    def _recover(self, event: words.Event) -> list[words.Command]:
        return [words.Note(time_s=event.time_s, text="stream found")]

    def _no_gaze(self, event: words.Event) -> list[words.Command]:
        return [words.Note(time_s=event.time_s, text="no gaze yet")]

    def _judge(self, event: words.Event) -> list[words.Command]:
        self._to_judge = False
        return [words.Judge(target=self._queue.last.id if self._queue.last else 0)]

    def _judged(self, event: words.Event) -> list[words.Command]:
        assert isinstance(event, words.Verdict)
        if event.enough:
            self._queue.only_checks()
            return [words.Note(time_s=event.time_s, text=words.GOOD_ENOUGH)]
        doubtful = [n for n in event.again if self._queue.may_repeat(n)]
        for number in doubtful:
            self._queue.later(number)
            self._queue.done -= 1
        return [
            words.Note(
                time_s=event.time_s, text=f"target {number}: doubtful, once more"
            )
            for number in doubtful
        ]

    def _end(self, event: words.Event, reason: str) -> list[words.Command]:
        self.reason = reason
        return [*self._interrupt(event), *session_marks.end(reason, event.time_s)]

    # Small things that several rows share.

    def _on(self) -> Target:
        assert self._queue.on is not None
        return self._queue.on

    def _judges(self, target: Target) -> bool:
        """After a calibration's last target, and after each if it may end early."""
        upcoming = self._queue.next
        last = upcoming is None or upcoming.role != target.role
        return target.role == "calibration" and (last or self._plan.pace.ends_early)

    def _interrupt(self, event: words.Event) -> list[words.Command]:
        """Take a shown target away; it is shown again when the session goes on."""
        if self._queue.on is None:
            return []
        target = self._queue.on
        # What a moving target gave until now is good; a resting one begins anew.
        moved = self.state == table.GLIDING
        commands = [self._gave("cut short"), *self._off(event.time_s, kept=moved)]
        self._queue.first(target)
        return commands

    def _gave(self, what: str) -> words.Gave:
        target, queue = self._on(), self._queue
        self._to_rest = self._plan.between
        return words.Gave(
            target=target.id,
            what=what,
            number=queue.done + 1,
            total=queue.total,
            role=target.role,
        )

    def _off(self, time_s: float, *, kept: bool) -> list[words.Command]:
        target = self._on()
        return session_marks.off(
            self._plan, target, self._queue.off(), time_s, kept=kept
        )


_PLAIN: Mapping[type[words.Event], str] = {
    words.Verdict: "verdict",
    words.StreamLost: "lost",
    words.WindowClosed: "closed",
}
_WAITING: Mapping[str, Callable[[Session, float], str]] = {
    table.OPENING: lambda session, waited_s: "begin",
    table.BETWEEN: Session._between,
    table.SETTLING: Session._settling,
    table.MEASURING: Session._measuring,
    table.GLIDING: Session._gliding,
    table.JUDGING: lambda session, waited_s: (
        "no verdict" if waited_s > VERDICT_S else ""
    ),
    table.LOST: lambda session, waited_s: "gone" if waited_s > GONE_S else "",
}
_ACTIONS: Mapping[str, Callable[[Session, words.Event], list[words.Command]]] = {
    "open": Session._open,
    "no gaze yet": Session._no_gaze,
    "show": Session._show,
    "judge": Session._judge,
    "finish": lambda session, event: session._end(event, "done"),
    "show the last again": Session._reshow,
    "take the verdict": Session._judged,
    "nothing": lambda session, event: [],
    "arrive": Session._arrive,
    "measure": Session._measure,
    "call": Session._call,
    "done": Session._finish_point,
    "done, restless": Session._restless,
    "miss": Session._miss,
    "move": Session._move,
    "trace": Session._trace,
    "show again": Session._repeat,
    "leave out": Session._omit,
    "pause": Session._pause,
    "rest": Session._rest,
    "go on": Session._resume,
    "go on with the last": lambda session, event: [
        *session._reshow(event),
        *session._resume(event),
    ],
    "lose": Session._lose,
    "recover": Session._recover,
    "give up": lambda session, event: session._end(event, "lost"),
    "stop": lambda session, event: session._end(event, "stopped"),
    "close": lambda session, event: session._end(event, "closed"),
}
