"""Words in a second language: every one is there, with the same places for figures.

Outside sources: GNU gettext's catalogue form, read by the standard library and by
Babel; the order of LANGUAGE, LC_ALL, LC_MESSAGES and LANG is gettext's.
"""

from __future__ import annotations

import ast
import re
import string
from collections.abc import Iterator
from pathlib import Path

import pytest

import calibkit
from calibkit import language
from calibkit.errors import CallError
from calibkit.language import FOLDER, _, catalogue, decimal, plural
from calibkit.panel import document, phrases
from calibkit.report import words
from calibkit.session.session_keys import KEYS

PACKAGE = Path(calibkit.__file__).parent
MARKS = {"_": 1, "later": 1, "plural": 2}


@pytest.fixture(autouse=True)
def back_to_english() -> Iterator[None]:
    yield
    language.choose(None)


def msgids() -> dict[str, str]:
    """Every text that is marked in the source, with the file that marks it."""
    found = {}
    for path in sorted(PACKAGE.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call) or not isinstance(node.func, ast.Name):
                continue
            for one in node.args[: MARKS.get(node.func.id, 0)]:
                if isinstance(one, ast.Constant) and isinstance(one.value, str):
                    found[one.value] = path.name
    for path in sorted(PACKAGE.glob("*/*.html")):
        template = path.read_text(encoding="utf-8")
        found |= dict.fromkeys(re.findall(r'_\("([^"]*)"\)', template), path.name)
    return found


def plurals() -> list[tuple[str, str]]:
    """Every pair of forms that the source gives to `plural`."""
    calls = [
        node
        for path in sorted(PACKAGE.rglob("*.py"))
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Name)
        and node.func.id == "plural"
    ]
    return [(ast.literal_eval(c.args[0]), ast.literal_eval(c.args[1])) for c in calls]


PLURALS = plurals()


def test_texts_are_marked() -> None:
    files = set(msgids().values())
    assert {"phrases.py", "run_words.py", "words.py"} <= files
    assert len(msgids()) > 150


@pytest.mark.parametrize("code", [c for c in language.known() if c != "en"])
def test_every_text_is_translated(code: str) -> None:
    known = catalogue(code)._catalog  # type: ignore[attr-defined]
    texts = {key if isinstance(key, str) else key[0]: value
             for key, value in known.items()}  # fmt: skip
    many = {second for key in PLURALS for second in key[1:]}
    missing = [
        f"{file}: {text}"
        for text, file in msgids().items()
        if not texts.get(text) and text not in many
    ]
    assert not missing


def fields(text: str) -> set[tuple[str, str]]:
    return {
        (name, form or "")
        for _, name, form, _ in string.Formatter().parse(text)
        if name
    }


@pytest.mark.parametrize("code", [c for c in language.known() if c != "en"])
def test_translations_have_the_same_places_for_figures(code: str) -> None:
    known = catalogue(code)._catalog  # type: ignore[attr-defined]
    for key, value in known.items():
        text = key if isinstance(key, str) else key[0]
        if text:
            assert fields(value) == fields(text), text


def test_compiled_catalogues_are_what_their_texts_say() -> None:
    pofile = pytest.importorskip("babel.messages.pofile", reason="needs Babel")
    paths = list(FOLDER.glob("*/LC_MESSAGES/calibkit.po"))
    assert paths
    for path in paths:
        with path.open("rb") as file:
            read = pofile.read_po(file)
        compiled = catalogue(path.parts[-3])
        for message in read:
            if isinstance(message.id, tuple):
                for number, text in enumerate(message.string, 1):
                    one, many = message.id
                    assert compiled.ngettext(one, many, number) == text
            elif message.id:
                assert compiled.gettext(message.id) == message.string


def test_german_is_spoken_and_english_is_the_source() -> None:
    language.choose("de")
    assert _("seen") == "gesehen"
    assert plural("{number} row", "{number} rows", 1) == "1 Reihe"
    assert plural("{number} row", "{number} rows", 3) == "3 Reihen"
    assert decimal(1.25, 1) == "1,2"
    assert phrases.away(1.04) == "1,0° vom Ziel"
    assert phrases.keys(KEYS)[0]["shown"] == "Leertaste"
    assert words.loss(0.021) == "Der Tracker sah die Augen 2,1 % der Zeit nicht."
    language.choose("en")
    assert _("seen") == "seen"
    assert words.loss(0.021) == "The tracker lost the eyes 2.1 % of the time."


def test_the_page_is_german_as_a_whole() -> None:
    language.choose("de")
    kind, page = document.part("")
    assert kind == "text/html; charset=utf-8"
    assert '<html lang="de">' in page
    shown = re.sub(r"<[^>]*>", " ", page)
    for english in ("screen", "Eyes", "Keys", "Nothing", "target"):
        assert english not in shown
    assert "Was die letzten Ziele ergaben" in page


@pytest.mark.parametrize(
    ("environment", "code"),
    [
        ({}, "en"),
        ({"LANG": "de_DE.UTF-8"}, "de"),
        ({"LANG": "de_AT@euro"}, "de"),
        ({"LANG": "C"}, "en"),
        ({"LANG": "fr_FR.UTF-8"}, "en"),
        ({"LANG": "de_DE", "LC_ALL": "C"}, "en"),
        ({"LANG": "C", "LC_MESSAGES": "de_DE"}, "de"),
        ({"LANG": "C", "LANGUAGE": "de:en"}, "de"),
        ({"LANG": "de_DE", "CALIBKIT_LANGUAGE": "en"}, "en"),
    ],
)
def test_language_of_the_environment(environment: dict[str, str], code: str) -> None:
    assert language.current(environment) == code


def test_unknown_language_is_refused_by_name() -> None:
    with pytest.raises(CallError, match=r"'tlh'.*de, en"):
        language.choose("tlh")
