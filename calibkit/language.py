"""Words for people in their own language, by gettext; catalogues lie in `languages/`.

Only what an operator or a client reads is translated. What programs read (JSON keys,
files, events of a recording, refusals with their flags) stays English. The language is
the environment's (`CALIBKIT_LANGUAGE`, else `LANGUAGE`, `LC_ALL`, `LC_MESSAGES`,
`LANG`, as gettext reads them) until `choose` is called.
"""

from __future__ import annotations

import gettext
import os
import string
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from functools import lru_cache
from pathlib import Path

from calibkit.errors import CallError

DOMAIN = "calibkit"
FOLDER = Path(__file__).resolve().parent / "languages"
SOURCE = "en"
_VARIABLES = ("CALIBKIT_LANGUAGE", "LANGUAGE", "LC_ALL", "LC_MESSAGES", "LANG")
_chosen: list[str] = []


def known() -> tuple[str, ...]:
    """Codes of the languages that there are words in."""
    found = FOLDER.glob(f"*/LC_MESSAGES/{DOMAIN}.mo")
    return tuple(sorted({SOURCE, *(path.parts[-3] for path in found)}))


def choose(code: str | None) -> None:
    """Speak a language from now on; None goes back to the environment's.

    Raises
    ------
    CallError
        When there are no words in it.
    """
    if code is not None and code not in known():
        raise CallError(
            f"there are no words in the language {code!r}; there are words in "
            f"{', '.join(known())}"
        )
    _chosen[:] = [] if code is None else [code]


@contextmanager
def speaking(code: str | None) -> Iterator[None]:
    """Speak a language for a while: what programs read is written in `SOURCE`."""
    before = list(_chosen)
    choose(code)
    try:
        yield
    finally:
        _chosen[:] = before


def current(environ: Mapping[str, str] = os.environ) -> str:
    """Code of the language that is spoken, such as "de"."""
    if _chosen:
        return _chosen[0]
    for name in _VARIABLES:
        for wanted in environ.get(name, "").split(":"):
            code = wanted.split(".")[0].split("@")[0].split("_")[0].lower()
            if code in known():
                return code
            if wanted:
                return SOURCE
    return SOURCE


@lru_cache(maxsize=8)
def catalogue(code: str) -> gettext.NullTranslations:
    """Return the words of one language; English needs no file."""
    return gettext.translation(DOMAIN, FOLDER, [code], fallback=True)


class Said(str):
    """A text in the language that is spoken; `format` writes its numbers so too."""

    __slots__ = ()

    def format(self, *places: object, **fields: object) -> str:
        """Fill in the places, with the language's decimal mark."""
        return _FORMATTER.vformat(self, places, fields)


class _Formatter(string.Formatter):
    def format_field(self, value: object, spec: str) -> str:
        text = str(super().format_field(value, spec))
        return text.replace(".", str(_("."))) if isinstance(value, float) else text


_FORMATTER = _Formatter()


def _(text: str) -> str:
    """Say a text in the language that is spoken."""
    return Said(catalogue(current()).gettext(text))


def plural(one: str, many: str, number: int) -> str:
    """Choose between forms by a number, as the language does; it still has {number}."""
    return catalogue(current()).ngettext(one, many, number).format(number=number)


def decimal(value: float, digits: int) -> str:
    """Write a number with the decimal mark of the language that is spoken."""
    # Translators: the mark between whole and part of a number.
    return f"{value:.{digits}f}".replace(".", _("."))


def later(text: str) -> str:
    """Mark a text in a table for translation; `_` translates it where it is said."""
    return text
