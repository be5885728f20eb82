"""What the operator's keys do, and which presses count."""

from __future__ import annotations

from collections.abc import Mapping

from calibkit.session.session_words import Key

DEBOUNCE_S = 0.4
# Held keys repeat sooner than this; the fastest fingers tap some 7 times a second (from
# memory).
HELD_S = 0.1
# A target that grows again for attention is a change of light: once a second at most.
CALL_S = 1.0
# What a key may do: "call" draws attention to the target, "omit" leaves it out.
ACTIONS = ("next", "stop", "pause", "again", "omit", "call")
KEYS = {
    "space": "next",
    "escape": "stop",
    "p": "pause",
    "r": "again",
    "x": "omit",
    "a": "call",
}


class Keys:
    """Turns presses into actions; a press soon after one that counted is none.

    Parameters
    ----------
    actions : mapping of str
        What each key does; whatever it says, escape stops.
    """

    def __init__(self, actions: Mapping[str, str] = KEYS) -> None:
        self._actions = {**actions, "escape": "stop"}
        self._pressed_s: dict[str, float] = {}
        self._counted_s: dict[str, float] = {}
        self._called_s = float("-inf")

    def met(self, key: Key) -> str:
        """Return what a press asks for, or "" where it counts for nothing."""
        action = self._actions.get(key.name, "")
        if action == "stop":
            return action
        if self._repeated(key) or action not in ACTIONS:
            return ""
        if action == "call":
            if key.time_s - self._called_s < CALL_S:
                return ""
            self._called_s = key.time_s
        return action

    def _repeated(self, key: Key) -> bool:
        """Whether a press is that of a held key, or too soon after one that counted.

        Somebody who taps fast is heard every second time or so, and not never.
        """
        never = float("-inf")
        since_s = key.time_s - self._pressed_s.get(key.name, never)
        counted_s = key.time_s - self._counted_s.get(key.name, never)
        self._pressed_s[key.name] = key.time_s
        if since_s < HELD_S or counted_s < DEBOUNCE_S:
            return True
        self._counted_s[key.name] = key.time_s
        return False
