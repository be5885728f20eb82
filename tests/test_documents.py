"""README and DEVELOPERS.md: what they say can be pasted, and is true."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import tomllib
from pathlib import Path

import pytest
from PIL import Image

from calibkit import cli
from calibkit.archive import marker_targets
from calibkit.kept import protocol, protocol_model, settings
from calibkit.session import session_table

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


PAGES = {
    path.relative_to(ROOT).as_posix(): path.read_text(encoding="utf-8")
    for path in (*ROOT.glob("*.md"), ROOT / "recordings" / "README.md")
}
# Blocks of code that need what a test has to bring, and the test that runs them.
PYTHON_ELSEWHERE = {
    "my_device": "live/test_any_tracker.py",
    "psychopy": "live/test_experiments.py",
}
# "py" is Python that needs a window.
LANGUAGES = ("sh", "bat", "python", "py", "toml", "mermaid", "text")


def fences(text: str) -> list[tuple[str, str]]:
    """Every block of code, with its language."""
    return re.findall(r"^```(.*?)\n(.*?)^```", text, flags=re.DOTALL | re.MULTILINE)


def blocks(text: str, language: str) -> list[str]:
    return [code for name, code in fences(text) if name == language]


def lines(text: str) -> list[str]:
    """Every line of a shell block, its comment left out."""
    code = "\n".join(blocks(text, "sh") + blocks(text, "bat"))
    found = (re.split(r"\s#\s", line)[0].strip() for line in code.splitlines())
    return [line for line in found if line]


def commands(text: str) -> list[str]:
    """Every line of a shell block that calls calibkit."""
    found = [
        re.search(r"\bcalibkit (?!demo\b\s*$)[a-z]+.*", line) for line in lines(text)
    ]
    return [match[0] for match in found if match]


def spoken(text: str) -> list[str]:
    """Every command that a sentence names."""
    return re.findall(r"`(calibkit [a-z][^`\n]*)`", text)


@pytest.mark.parametrize("page", PAGES)
def test_no_block_is_of_a_kind_that_nothing_checks(page: str) -> None:
    for language, code in fences(PAGES[page]):
        assert language in LANGUAGES, code
        assert code.strip()
    assert PAGES[page].count("```") == 2 * len(fences(PAGES[page]))


@pytest.mark.parametrize("page", PAGES)
def test_sentences_can_be_read_where_lines_are_cut(page: str) -> None:
    """Tables and what is pasted apart, and a picture's line, which cannot be cut."""
    prose = re.sub(r"^```.*?^```$", "", PAGES[page], flags=re.DOTALL | re.MULTILINE)
    lines = [n for n in prose.splitlines() if not n.startswith(("|", "!["))]
    assert [line for line in lines if len(line) > 100] == []


def test_ci_runs_the_line_that_readme_gives() -> None:
    setup_lines = [line for line in "".join(blocks(README, "sh")).splitlines() if line]
    ci = (ROOT / ".ci" / "run").read_text(encoding="utf-8").splitlines()
    assert setup_lines[0] == "bash .ci/setup && .venv/bin/calibkit demo"
    assert setup_lines[1] in ci
    assert "pytest" in setup_lines[1]


COMMANDS = sorted({line for text in PAGES.values() for line in commands(text)})
SPOKEN = sorted({line for text in PAGES.values() for line in spoken(text)})


@pytest.mark.parametrize("line", COMMANDS)
def test_commands_are_understood(line: str) -> None:
    words = shlex.split(line)
    assert words[0] == "calibkit"
    assert words[1] in cli.COMMANDS
    cli.command_parser(words[1]).parse_args(words[2:])


@pytest.mark.parametrize("line", SPOKEN)
def test_sentences_name_commands_and_flags_that_exist(line: str) -> None:
    """A sentence may leave out what it is not about."""
    words = shlex.split(line)
    assert words[1] in cli.COMMANDS
    actions = cli.command_parser(words[1])._actions
    known = {flag for action in actions for flag in action.option_strings}
    assert {word for word in words[2:] if word.startswith("--")} <= known


@pytest.mark.parametrize(
    "line",
    sorted(
        {line for text in PAGES.values() for line in lines(text)}
        - {line for text in PAGES.values() for line in commands(text)}
    ),
)
def test_other_lines_lead_to_files_and_extras_that_exist(line: str) -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    extras = project["project"]["optional-dependencies"]
    for names in re.findall(r"\[([a-z,]+)\]", line):
        assert set(names.split(",")) <= extras.keys()
    for word in re.findall(r"(?<![\w.])(?:\.ci|tests|recordings)/[\w./-]+", line):
        assert (ROOT / word).exists(), word
    programs = (
        "bash",
        ".venv",
        "CALIBKIT_TEST_SCALE",
        "py ",
        "python",
        "pip",
        "PYTHON",
    )
    assert line.startswith(programs), "no program that anything here checks"


PYTHON = [
    code
    for text in PAGES.values()
    for code in (*blocks(text, "python"), *blocks(text, "py"))
]


@pytest.mark.parametrize("code", PYTHON)
def test_python_blocks_run(
    code: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
) -> None:
    compile(code, "a page", "exec")
    for word, place in PYTHON_ELSEWHERE.items():
        if re.search(rf"^\s*(from|import) {word}", code, flags=re.MULTILINE):
            text = (ROOT / "tests" / place).read_text(encoding="utf-8")
            assert word in text
            return
    shutil.copytree(ROOT / "recordings", tmp_path / "recordings")
    monkeypatch.chdir(tmp_path)
    exec(compile(code, "a page", "exec"), {"__name__": "page"})
    assert capsys.readouterr().out


TOML = [code for text in PAGES.values() for code in blocks(text, "toml")]


@pytest.mark.parametrize("code", TOML)
def test_toml_blocks_are_what_they_are_shown_as(code: str, tmp_path: Path) -> None:
    path = tmp_path / "page.toml"
    path.write_text(code, encoding="utf-8")
    table = tomllib.loads(code)
    for name in table.get("targets", {}).get("pictures", ()):
        Image.new("L", (40, 30), 90).save(tmp_path / name)
    if "protocol" in table:
        assert protocol.load(str(path)).name == table["protocol"]["name"]
    elif "shown" in table:
        assert callable(marker_targets.read(path))
    else:
        assert settings.read_channel_map(path).channels


def test_the_picture_of_the_session_is_its_table() -> None:
    """CALIBKIT_GOLD=accept draws it anew."""
    drawn = blocks(DEVELOPERS, "mermaid")[0]
    diagram = session_table.diagram() + "\n"
    if drawn != diagram and os.environ.get("CALIBKIT_GOLD") == "accept":
        path = ROOT / "DEVELOPERS.md"
        path.write_text(DEVELOPERS.replace(drawn, diagram), encoding="utf-8")
        drawn = diagram
    assert drawn == diagram


@pytest.mark.parametrize("page", PAGES)
def test_links_and_pictures_lead_somewhere(page: str) -> None:
    folder = (ROOT / page).parent
    for target in re.findall(r"\]\(([^)#:]+)\)", PAGES[page]):
        assert (folder / target).exists(), target


def test_readme_lists_the_protocols_and_the_keys() -> None:
    rows = dict(re.findall(r"^\| `([a-z-]+)` \| (.*?) \|$", README, re.MULTILINE))
    assert rows == {
        name: protocol.load(name).protocol.purpose for name in protocol.names()
    }
    table = README[README.index("| key | does |") :].split("\n\n")[0]
    keys = re.findall(r"^\| ([a-z]+) \|", table, flags=re.MULTILINE)
    assert keys == ["key", *protocol_model.KeyMap().actions(), "escape"]


def test_developers_lists_the_protocols_keys() -> None:
    """CALIBKIT_GOLD=accept writes them anew."""
    wanted = "\n".join(line[2:].rstrip() for line in protocol.keys_help()) + "\n"
    (given,) = [code for code in blocks(DEVELOPERS, "text") if "pace.hold_s" in code]
    if given != wanted and os.environ.get("CALIBKIT_GOLD") == "accept":
        text = DEVELOPERS.replace(given, wanted)
        (ROOT / "DEVELOPERS.md").write_text(text, encoding="utf-8")
        given = wanted
    assert given == wanted


def test_modules_that_are_named_exist() -> None:
    named = re.findall(
        r"`((?:kept|fitted|judged|session|live|joined)/\w+\.py)`", DEVELOPERS
    )
    assert named
    for name in named:
        assert (ROOT / "calibkit" / name).is_file(), name


def test_the_columns_of_a_batch_are_listed() -> None:
    """CALIBKIT_GOLD=accept writes them anew."""
    from calibkit.batch import columns

    parts = []
    for title, found in (
        ("column", columns.RECORDINGS),
        ("column of `--targets`", columns.TARGET),
    ):
        rows = [f"| `{c.name}` | {c.meaning} |" for c in found]
        parts.append("\n".join([f"| {title} | meaning |", "| --- | --- |", *rows]))
    listed = re.search(r"\| column \| meaning.*?(?=\n## )", DEVELOPERS, re.DOTALL)
    assert listed is not None
    wanted = "\n\n".join(parts) + "\n"
    if listed[0] != wanted and os.environ.get("CALIBKIT_GOLD") == "accept":
        path = ROOT / "DEVELOPERS.md"
        path.write_text(DEVELOPERS.replace(listed[0], wanted), encoding="utf-8")
        return
    assert listed[0] == wanted
