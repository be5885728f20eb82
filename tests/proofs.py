"""Whether a test that is named as a proof is one: it is there, asserts, and runs."""

from __future__ import annotations

import ast
from functools import cache
from pathlib import Path

import pytest

TESTS = Path(__file__).parent
CHECKS = ("raises", "fail", "assert_array_equal", "assert_allclose", "assert_equal")


@cache
def parsed(file: str) -> ast.Module:
    return ast.parse((TESTS / f"{file}.py").read_text(encoding="utf-8"))


@cache
def functions(file: str) -> dict[str, ast.FunctionDef]:
    tree = parsed(file)
    return {n.name: n for n in tree.body if isinstance(n, ast.FunctionDef)}


@cache
def borrowed(file: str) -> dict[str, tuple[str, str]]:
    """What a test file takes from other files of tests: (file, name) by name."""
    found: dict[str, tuple[str, str]] = {}
    for node in ast.walk(parsed(file)):
        if isinstance(node, ast.ImportFrom) and node.module:
            for folder in ("", "live/"):
                if (TESTS / f"{folder}{node.module}.py").is_file():
                    place = folder + node.module
                    found |= {a.name: (place, a.name) for a in node.names}
    return found


def asserts(
    file: str, name: str, seen: frozenset[tuple[str, str]] = frozenset()
) -> bool:
    """Whether a function checks anything, by itself or by a helper that it calls."""
    made = functions(file).get(name)
    if made is None or (file, name) in seen:
        return False
    seen |= {(file, name)}
    for node in ast.walk(made):
        if isinstance(node, ast.Assert):
            return True
        if not isinstance(node, ast.Call):
            continue
        word = ast.unparse(node.func)
        if word.split(".")[-1] in CHECKS:
            return True
        place, other = borrowed(file).get(word, (file, word))
        if asserts(place, other, seen):
            return True
    return False


def idle(made: ast.FunctionDef) -> bool:
    """Whether it is marked never to run, or to fail."""
    marks = [ast.unparse(one) for one in made.decorator_list]
    return any(
        m.endswith("mark.skip") or "mark.skip(" in m or "xfail" in m for m in marks
    )


def prove(proof: str, session: pytest.Session) -> None:
    """Fail unless "file:test" is a test that runs and asserts."""
    file, name = proof.split(":")
    assert name.startswith("test_"), proof
    assert name in functions(file), f"{proof} is gone"
    assert not idle(functions(file)[name]), f"{proof} never runs"
    assert asserts(file, name), f"{proof} asserts nothing"
    chosen = session.config.option
    whole = not chosen.keyword and not chosen.markexpr and "::" not in str(chosen)
    here = [i for i in session.items if i.path == (TESTS / f"{file}.py").resolve()]
    if whole and here:
        names = {getattr(item, "originalname", item.name) for item in here}
        assert name in names, f"{proof} is not collected"
