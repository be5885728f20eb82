"""No sentence for people is left unmarked, and the German is German as a whole.

Outside source: Python's own grammar (`ast`) reads every text in the modules that speak
to people; a text of words that no `_()`, `later()` or `plural()` holds is a failure.
"""

from __future__ import annotations

import ast
import io
import json
import re
from collections.abc import Iterator
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path
from typing import Any

import batching
import pytest
from test_language import msgids

import calibkit
from calibkit import cli, language
from calibkit.report import reasons

PACKAGE = Path(calibkit.__file__).parent
# What an operator or a client reads comes from these alone.
SPEAKING = (
    *("live/signals_words", "live/signals_measure"),
    *("panel/phrases", "panel/beside", "panel/board"),
    *("report/advice", "report/build", "report/data", "report/page", "report/plots"),
    *("report/reasons", "report/signal_page", "report/terminal", "report/words"),
    *("judged/coach_words", "judged/still_fits", "session/pointing_words"),
    *("joined/run_after", "joined/run_check", "joined/run_coach", "joined/run_words"),
    *("joined/demo", "commands/demo", "commands/report", "commands/check"),
    *("commands/calibrate", "commands/validate", "commands/pointing"),
    *("commands/assess", "batch/summary_page", "camera/preview_words"),
    *("commands/batch", "batch/meter", "commands/profiles", "report/stored_words"),
    *("commands/doctor", "joined/doctor", "joined/doctor_checks"),
    *("joined/doctor_storage", "joined/doctor_ports", "joined/wiring_priority"),
    *("commands/streams", "joined/naming", "streams/lsl_report", "streams/rules"),
    *("streams/rules_said", "streams/rules_stamps", "streams/rules_values"),
    *("streams/rules_table", "streams/rules_table_values"),
)
MARKS = {"_", "later", "plural"}
# For programs, not for people.
CODE = re.compile(
    r"[<>{}\\;=|]|&&|^--|^#|^calibkit[-.]|\.(html|css|conf)$|^(sudo|pip|apt-get) "
)
KNOWN = {
    # Names of findings in JSON, and of rows in a table.
    *("the left eye", "the right eye", "both eyes together"),
    *("not seen", "often lost", "with pauses", "head, stillness", "of the"),
    # Typefaces and matplotlib's words; trackers; a failed step's own English sentence.
    *(
        "sans-serif",
        "DejaVu Sans",
        "offset points",
        "pupil-reflex",
        "it said nothing",
        "off-grid",
    ),
    # Shell lines, and a kind of priority.
    *("calibkit import journal FILE -o REC", " to any port ", "real-time"),
    "calibkit streams --names ",
    # What is typed for a channel, and a remark in a file.
    *("left ScreenX pixels", "sent nothing"),
}
WORDS = re.compile(r"[A-Za-z]{2,}[ ,.:'-]+[A-Za-z]{2,}")


@pytest.fixture(autouse=True)
def back_to_english() -> Iterator[None]:
    yield
    language.choose(None)


class Unmarked(ast.NodeVisitor):
    """Collects texts of words outside of what marks them, errors and docstrings."""

    def __init__(self) -> None:
        self.found: list[str] = []

    def visit_Call(self, node: ast.Call) -> None:
        name = node.func.id if isinstance(node.func, ast.Name) else ""
        adds = getattr(node.func, "attr", name) in (
            *("add", "add_argument", "add_for", "add_output"),
        )
        if name == "found":  # by the rule's id, which is a program's
            for part in node.args[1:]:
                self.visit(part)
        elif name not in MARKS and not name.endswith("Error") and not adds:
            self.generic_visit(node)

    def visit_keyword(self, node: ast.keyword) -> None:
        # When a rule on streams is broken is told on the developers' page alone.
        if node.arg != "when":
            self.generic_visit(node)

    def visit_Assign(self, node: ast.Assign) -> None:
        # The command line's own help is English, as its flags are.
        names = {one.id for one in node.targets if isinstance(one, ast.Name)}
        if "SUMMARY" not in names:
            self.generic_visit(node)

    def visit_Expr(self, node: ast.Expr) -> None:
        if not isinstance(node.value, ast.Constant):
            self.generic_visit(node)

    def visit_Dict(self, node: ast.Dict) -> None:
        for value in node.values:
            self.visit(value)

    def visit_Compare(self, node: ast.Compare) -> None:
        pass

    def visit_JoinedStr(self, node: ast.JoinedStr) -> None:
        for part in node.values:
            self.visit(part)

    def visit_Constant(self, node: ast.Constant) -> None:
        if isinstance(node.value, str) and WORDS.search(node.value):
            self.found.append(node.value)


def unmarked(source: str) -> list[str]:
    look = Unmarked()
    look.visit(ast.parse(source))
    return [t for t in look.found if not CODE.search(t) and t not in KNOWN]


@pytest.mark.parametrize("name", SPEAKING)
def test_every_sentence_is_marked(name: str) -> None:
    assert not unmarked((PACKAGE / f"{name}.py").read_text(encoding="utf-8"))


def test_the_search_finds_what_is_not_marked() -> None:
    assert unmarked('say("The eyes are not seen.")')
    assert unmarked('say(f"The {eye} eye is not seen.")')
    assert unmarked('WORDS = {"a": "The eyes are seen."}')
    assert unmarked('x = ("Made by hand", 1)')
    assert not unmarked('say(_("The eyes are not seen."))')
    assert unmarked('found("unit-absent", "it has no unit")')
    assert unmarked('Rule(when="there is none", costs="the eyes are not seen")')
    assert not unmarked('found("unit-absent", _("it has no unit"))')
    assert not unmarked('raise InputError("The eyes are not seen.")')
    assert not unmarked('def a():\n    """Say that eyes are seen."""')


@pytest.mark.parametrize("name", ["report/page.html", "batch/summary_page.html"])
def test_a_template_has_no_words_of_its_own(name: str) -> None:
    text = (PACKAGE / name).read_text(encoding="utf-8")
    bare = re.sub(r"\{\{.*?\}\}|\{%.*?%\}|<[^>]*>", " ", text, flags=re.DOTALL)
    assert set(re.findall(r"[A-Za-z]{2,}", bare)) <= {"mm"}


# What is written by the fit and the check, and kept in files, in English.
KEPT = ("fitted/fixation", "fitted/material", "fitted/person", "fitted/shared",
        "fitted/starter_make", "judged/assess_looks")  # fmt: skip


def kept_texts() -> set[str]:
    """Reasons and notes in the source, a figure in each place for one."""
    found = set()
    for name in KEPT:
        tree = ast.parse((PACKAGE / f"{name}.py").read_text(encoding="utf-8"))
        for node in ast.walk(tree):
            if isinstance(node, ast.JoinedStr):
                found.add(
                    "".join(
                        str(v.value) if isinstance(v, ast.Constant) else "1.5"
                        for v in node.values
                    )
                )
            elif isinstance(node, ast.Constant) and isinstance(node.value, str):
                found.add(node.value)
    # Pieces of a text with figures end in the space before the figure.
    found = {text for text in found if not text.endswith(" ")}
    starts = ("looked at", "followed", "gaze stayed", "learned", "made from", "no eye",
              "its path", "the eyes were", "nothing was", "left out by",
              "the shared mapping was", "the eyes take")  # fmt: skip
    return {t for t in found if t.startswith(starts) and "." not in t[-1:]}


def test_every_kept_reason_is_said_in_german() -> None:
    texts = kept_texts()
    assert len(texts) >= 12
    language.choose("de")
    for text in texts:
        assert reasons.said(text) != text, text
    longer = "looked at for 0.65 s; hardly counts: gaze seems 12.1 degrees away"
    assert reasons.said(longer) == (
        "0,65 s lang angesehen; zählt kaum: Der Blick scheint 12,1 Grad entfernt"
    )
    assert reasons.said("something else") == "something else"
    language.choose("en")
    assert reasons.said(longer) == longer


def run(*arguments: str) -> tuple[str, str]:
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        status = cli.main(list(arguments))
    assert status in (0, 6), err.getvalue()
    return out.getvalue(), err.getvalue()


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """One person calibrated in German, and what was said."""
    place = tmp_path_factory.mktemp("home")
    said, _ = run(
        *("calibrate", "--person", "wren", "--headless", "--seed", "4"),
        *("--tracker", "webcam", "--language", "de", "--home", str(place)),
    )
    return place, said


def english_in(text: str) -> list[str]:
    """Marked English texts of two words or more that a German text still has."""
    shown = " ".join(text.split())
    return [
        t
        for t in msgids()
        if WORDS.search(t) and "{" not in t and len(t) > 8 and f" {t}" in f" {shown}"
    ]


def test_the_search_finds_english() -> None:
    assert english_in("Prüfung: The signal is good.")


def test_report_check_and_coach_are_german_as_a_whole(
    home: tuple[Path, str], tmp_path: Path
) -> None:
    place, said = home
    page, check = tmp_path / "report.html", tmp_path / "check.html"
    german_at = ("--language", "de", "--home", str(place))
    told, _ = run("report", "--person", "wren", "-o", str(page), *german_at)
    text, _ = run(
        *("check", "--headless", "--seed", "4", "--kind", "head-mover"),
        *("--tracker", "webcam", "--for", "3", "-o", str(check), *german_at),
    )
    pages = [file.read_text(encoding="utf-8") for file in (page, check)]
    assert all('<html lang="de">' in one for one in pages)
    shown = [re.sub(r"<style.*?</style>|<[^>]*>", " ", one, flags=re.DOTALL)
             for one in pages]  # fmt: skip
    for german in (said, told, text, *shown):
        assert not english_in(german)
        assert not re.search(r"\b(the|is|are|of|not|and)\b", german), german
    assert "Reihen" in said
    assert "Ergebnisse bisher" in pages[0]
    assert re.search(r"\d,\d+°", shown[0])


def test_what_programs_read_is_english_in_every_language(
    home: tuple[Path, str],
) -> None:
    place, _ = home
    commands: tuple[tuple[str, ...], ...] = (
        ("report", "--person", "wren"),
        ("check", "--headless", "--seed", "4", "--for", "2"),
    )
    for command in commands:
        both: list[Any] = []
        for code in ("de", "en"):
            out, _ = run(*command, "--json", "--language", code, "--home", str(place))
            both.append(json.loads(out))
            both[-1].pop("made", None)
        assert both[0] == both[1]
    # A whole session, with its coach.
    words = []
    for code in ("de", "en"):
        out, _ = run(
            *("calibrate", "--person", f"wren-{code}", "--headless", "--seed", "6"),
            *("--protocol", "quick", "--json", "--language", code),
            *("--home", str(place)),
        )
        found = json.loads(out)
        words.append((found["words"].replace(f"wren-{code}", "wren"), found["advice"]))
    assert words[0] == words[1]


def test_an_unknown_language_is_refused_with_2(tmp_path: Path) -> None:
    err = io.StringIO()
    with redirect_stderr(err):
        status = cli.main(["check", "--headless", "--language", "tlh"])
    assert status == 2
    assert "de, en" in err.getvalue()


def test_a_batch_speaks_german(tmp_path: Path) -> None:
    batching.small(1).save(tmp_path / "a.h5")
    (tmp_path / "b.h5").write_bytes(b"damaged")
    table = tmp_path / "t.csv"
    told, said = run("batch", str(tmp_path), "-o", str(table), "--language", "de")
    assert re.fullmatch(
        r"invented screen: 1 beurteilt, Median der Genauigkeit \d,\d\d Grad\n", told
    )
    assert "nicht beurteilt: 1 Aufnahme (b.h5): the recording is damaged" in said
    assert said.endswith("t.csv: 1 Aufnahme beurteilt, 1 nicht\n")
