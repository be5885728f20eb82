"""Imports point one way, and each foreign library has one home."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "calibkit"

# Lowest first. A module may import from its own layer's earlier names and from below.
LAYERS: tuple[tuple[str, ...], ...] = (
    ("errors", "geometry", "channels"),
    (
        "reader",
        "disk",
        "lock",
        "home",
        "tomlfile",
        "frames",
        "snapshot",
        "foreign",
        "store",
        "recording_file",
        "recording",
        "journal",
        "protocol",
        "settings",
        "profile",
        "records",
    ),
    (
        "quality",
        "segments",
        "fixation",
        "features",
        "bayes",
        "basis",
        "plain",
        "observations",
        "estimate",
        "prior",
        "broad",
        "starts",
        "person",
        "population",
        "shared",
        "evaluation",
        "mapping",
        "rivals",
        "assess",
        "keys",
        "filters",
        "drift",
        "signals",
        "simulation",
    ),
    ("session", "publisher"),
    ("lsl", "screen", "display", "report"),
    ("options", "run", "wiring", "demo", "commands", "cli", "__main__"),
)
HOMES = {
    "h5py": {"store", "reader"},
    "pylsl": {"lsl"},
    "psychopy": {"screen"},
    "pyglet": {"screen"},
    "matplotlib": {"report"},
    "jinja2": {"report"},
    "pydantic": {"protocol"},
}


def modules() -> list[Path]:
    return sorted(
        path
        for path in PACKAGE.rglob("*.py")
        if path.relative_to(PACKAGE).as_posix() != "__init__.py"
    )


def place(path: Path) -> str:
    """The module's name, or its folder's for a module in a folder."""
    return path.relative_to(PACKAGE).with_suffix("").parts[0]


def rank(name: str) -> int:
    # Parts of a module that was split share its first word: session_table is session's.
    stems = (name, name.split("_", maxsplit=1)[0])
    for stem in stems:
        for level, names in enumerate(LAYERS):
            if stem in names:
                return level
    raise AssertionError(f"{name} has no layer; add it to LAYERS")


def imported(path: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            module = node.module or ""
            names |= {f"{module}.{alias.name}" for alias in node.names}
    return names


@pytest.mark.parametrize("path", modules(), ids=lambda p: place(p) + "/" + p.stem)
def test_imports_point_down(path: Path) -> None:
    mine = rank(place(path))
    for name in imported(path):
        parts = name.split(".")
        if parts[0] != "calibkit" or len(parts) < 2 or parts[1].startswith("__"):
            continue
        if (
            not (PACKAGE / parts[1]).exists()
            and not (PACKAGE / f"{parts[1]}.py").exists()
        ):
            continue  # a lazily resolved name of the package, not a module
        assert rank(parts[1]) <= mine, f"{place(path)} imports {name}, which lies above"


@pytest.mark.parametrize("path", modules(), ids=lambda p: place(p) + "/" + p.stem)
def test_foreign_libraries_have_one_home(path: Path) -> None:
    for name in imported(path):
        home = HOMES.get(name.split(".")[0])
        stem = place(path).split("_")[0]
        assert home is None or stem in home, f"{place(path)} imports {name}"


def test_no_cycles() -> None:
    graph = {
        path.relative_to(PACKAGE).with_suffix("").as_posix(): {
            name.removeprefix("calibkit.") for name in imported(path)
        }
        for path in modules()
    }
    edges = {
        name: {
            other
            for other in graph
            for target in targets
            if (target + ".").startswith(other.replace("/", ".") + ".")
            and other != name
        }
        for name, targets in graph.items()
    }
    done: set[str] = set()

    def visit(name: str, trail: tuple[str, ...]) -> None:
        assert name not in trail, " -> ".join((*trail, name))
        if name not in done:
            for other in edges[name]:
                visit(other, (*trail, name))
            done.add(name)

    for name in edges:
        visit(name, ())


def loaded_after(code: str) -> set[str]:
    done = subprocess.run(
        [sys.executable, "-c", f"{code}\nimport sys; print(' '.join(sys.modules))"],
        capture_output=True,
        text=True,
        check=True,
    )
    return {name.split(".")[0] for name in done.stdout.split()}


@pytest.mark.parametrize(
    "code",
    [
        "import calibkit",
        "import calibkit.cli as c\ntry: c.main(['--help'])\nexcept SystemExit: pass",
        "import calibkit; calibkit.Mapping; calibkit.fit; calibkit.Recording",
    ],
    ids=["import", "--help", "names"],
)
def test_nothing_heavy_is_loaded_before_it_is_needed(code: str) -> None:
    """Source: contract, Python: neither h5py nor scipy before they are needed."""
    heavy = {"h5py", "scipy", "psychopy", "matplotlib", "pylsl", "pydantic", "pandas"}
    assert not loaded_after(code) & heavy
