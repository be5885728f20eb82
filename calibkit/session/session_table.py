"""All of a session's states and every way from one to another; nothing else does.

A row says: in these states, when this is met, go to that state and do this. What is met
is read from events in `session`; what is done is there too, under the same words.
"""

from __future__ import annotations

from collections.abc import Mapping

OPENING = "opening"
BETWEEN = "between"
ARRIVING = "arriving"
SETTLING = "settling"
MEASURING = "measuring"
GLIDING = "gliding"
JUDGING = "judging"
PAUSED = "paused"
LOST = "lost"
ENDED = "ended"
# Of the pointing trial, which has no table of its own.
CHOOSING = "choosing"

_VISIBLE = (ARRIVING, SETTLING, MEASURING, GLIDING)
_ALIVE = (OPENING, BETWEEN, JUDGING, PAUSED, LOST, *_VISIBLE)

ROWS: tuple[tuple[tuple[str, ...], str, str, str], ...] = (
    ((OPENING,), "begin", BETWEEN, "open"),
    ((OPENING,), "lost", OPENING, "no gaze yet"),
    ((BETWEEN,), "due", ARRIVING, "show"),
    ((BETWEEN,), "to judge", JUDGING, "judge"),
    ((BETWEEN,), "to rest", PAUSED, "rest"),
    ((BETWEEN,), "over", ENDED, "finish"),
    ((BETWEEN,), "again", BETWEEN, "show the last again"),
    ((JUDGING,), "verdict", BETWEEN, "take the verdict"),
    ((JUDGING,), "no verdict", BETWEEN, "nothing"),
    ((ARRIVING,), "shown", SETTLING, "arrive"),
    ((SETTLING,), "drawn in", MEASURING, "measure"),
    ((SETTLING,), "off it goes", GLIDING, "measure"),
    ((SETTLING, MEASURING), "call", SETTLING, "call"),
    ((MEASURING,), "looked", BETWEEN, "done"),
    ((MEASURING,), "restless", BETWEEN, "done, restless"),
    ((MEASURING,), "missed", BETWEEN, "miss"),
    ((MEASURING, GLIDING), "next", BETWEEN, "done"),
    ((GLIDING,), "glide", GLIDING, "move"),
    ((GLIDING,), "shown", GLIDING, "trace"),
    ((GLIDING,), "arrived", BETWEEN, "done"),
    ((SETTLING, MEASURING, GLIDING), "again", BETWEEN, "show again"),
    ((SETTLING, MEASURING, GLIDING), "omit", BETWEEN, "leave out"),
    ((BETWEEN, JUDGING, *_VISIBLE), "pause", PAUSED, "pause"),
    ((PAUSED,), "pause", BETWEEN, "go on"),
    ((PAUSED,), "next", BETWEEN, "go on"),
    ((PAUSED,), "again", BETWEEN, "go on with the last"),
    ((BETWEEN, JUDGING, PAUSED, *_VISIBLE), "lost", LOST, "lose"),
    ((LOST,), "found", BETWEEN, "recover"),
    ((LOST,), "found, paused", PAUSED, "recover"),
    ((LOST,), "gone", ENDED, "give up"),
    (_ALIVE, "stop", ENDED, "stop"),
    (_ALIVE, "closed", ENDED, "close"),
)
TABLE: Mapping[tuple[str, str], tuple[str, str]] = {
    (state, met): (after, action)
    for states, met, after, action in ROWS
    for state in states
}


def diagram() -> str:
    """Draw the table for DEVELOPERS.md, in Mermaid's words; a test holds them equal."""
    ways: dict[tuple[str, str], list[str]] = {}
    for states, met, after, _ in ROWS:
        for state in states:
            if met not in ("stop", "closed"):
                ways.setdefault((state, after), []).append(met)
    lines = [f"    {a} --> {b}: {' / '.join(met)}" for (a, b), met in ways.items()]
    first = f"    [*] --> {OPENING}"
    last = f"    {ENDED} --> [*]: stop and closed lead here from everywhere"
    return "\n".join(["stateDiagram-v2", first, *lines, last])
