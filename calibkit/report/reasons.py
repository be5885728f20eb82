"""Reasons and notes that recordings and mappings keep in English, in other words.

A file says the same everywhere; only where a person reads it, it is translated. Each
form here is one that `fitted` or `judged` writes; a test holds them together.
"""

from __future__ import annotations

import re
import string

from calibkit.language import _, later

_FORMS = (
    later("left out by the operator"),
    later("nothing was recorded while it was shown"),
    later("no eye was seen"),
    later("no eye was seen for long enough"),
    later("its path was not recorded"),
    later("the eyes were not still for long enough"),
    later("looked at for {seconds} s"),
    later("followed for {seconds} s"),
    later("hardly counts: gaze seems {away} degrees away"),
    later("counts less: gaze seems {away} degrees away"),
    later("gaze stayed {away} degrees away: not looked at"),
    later("learned from {people} people: wide, and for use where it was made only"),
    later("learned from simulated people"),
    later("learned without {channels}: not every recording has it"),
    later("made from simulated people: wide, only to begin with"),
    later(
        "the shared mapping comes from simulated people; check it before relying on it"
    ),
    later(
        "the shared mapping comes from another set-up; check it before relying on it"
    ),
    later(
        "the shared mapping was learned at several set-ups and there are too few "
        "targets to tell which is like this one; check it before relying on it"
    ),
    later(
        "the eyes take turns in looking, and a sample does not tell which one it is; "
        "cover one of them and use the other alone"
    ),
    later(
        "the looks do not agree with one another: the person may have looked "
        "elsewhere, or the channels are not what they are called; do not rely on this "
        "mapping"
    ),
)


def _part(name: str) -> str:
    return r"[\w., ]+" if name == "channels" else r"\d+(?:\.\d+)?"


def _pattern(form: str) -> re.Pattern[str]:
    parts = string.Formatter().parse(form)
    return re.compile(
        "".join(
            re.escape(text) + (rf"(?P<{name}>{_part(name)})" if name else "")
            for text, name, _form, _kind in parts
        )
    )


_PATTERNS = tuple((_pattern(form), form) for form in _FORMS)


def said(text: str) -> str:
    """Say a stored reason or note in the language that is spoken.

    Parameters
    ----------
    text : str
        As it is stored; parts that are not known stay as they are.
    """
    whole = _known(text)
    if whole is not None:
        return whole
    parts = text.split("; ")
    return "; ".join(_known(part) or part for part in parts)


def _known(text: str) -> str | None:
    for pattern, form in _PATTERNS:
        found = pattern.fullmatch(text)
        if found:
            mark = _(".")
            places = {k: v.replace(".", mark) for k, v in found.groupdict().items()}
            return _(form).format(**places)
    return None
