"""README and DEVELOPERS.md: what they say can be pasted, and is true."""

from __future__ import annotations

import os
import re
import shlex
from pathlib import Path

import pytest

from calibkit import cli
from calibkit.session import session_table

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def blocks(text: str, language: str) -> list[str]:
    return re.findall(rf"```{language}\n(.*?)```", text, flags=re.DOTALL)


def commands(text: str) -> list[str]:
    """Every line of a shell block that calls calibkit, its comment left out."""
    lines = "\n".join(blocks(text, "sh") + blocks(text, "bat")).splitlines()
    found = [re.search(r"\bcalibkit (?!demo\b\s*$)[a-z]+.*", line) for line in lines]
    return [match[0].split("  #")[0].strip() for match in found if match]


def test_ci_runs_the_line_that_readme_gives() -> None:
    setup_lines = [line for line in "".join(blocks(README, "sh")).splitlines() if line]
    ci = (ROOT / ".ci" / "run").read_text(encoding="utf-8").splitlines()
    assert setup_lines[0] == "bash .ci/setup && .venv/bin/calibkit demo"
    assert setup_lines[1] in ci
    assert "pytest" in setup_lines[1]


@pytest.mark.parametrize("line", sorted({*commands(README), *commands(DEVELOPERS)}))
def test_commands_are_understood(line: str) -> None:
    words = shlex.split(line)
    assert words[0] == "calibkit"
    assert words[1] in cli.COMMANDS
    cli.command_parser(words[1]).parse_args(words[2:])


@pytest.mark.parametrize(
    "code", blocks(README, "python") + blocks(DEVELOPERS, "python")
)
def test_python_blocks_run(
    code: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(ROOT)
    exec(compile(code, "README.md", "exec"), {"__name__": "readme"})
    assert "degrees" in capsys.readouterr().out


def test_the_picture_of_the_session_is_its_table() -> None:
    """CALIBKIT_GOLD=accept draws it anew."""
    drawn = blocks(DEVELOPERS, "mermaid")[0]
    diagram = session_table.diagram() + "\n"
    if drawn != diagram and os.environ.get("CALIBKIT_GOLD") == "accept":
        path = ROOT / "DEVELOPERS.md"
        path.write_text(DEVELOPERS.replace(drawn, diagram), encoding="utf-8")
        drawn = diagram
    assert drawn == diagram


@pytest.mark.parametrize("text", [README, DEVELOPERS], ids=["README", "DEVELOPERS"])
def test_links_and_pictures_lead_somewhere(text: str) -> None:
    for target in re.findall(r"\]\(([^)#:]+)\)", text):
        assert (ROOT / target).exists(), target


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
