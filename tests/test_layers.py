"""Imports point one way, and each foreign library has one home."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "calibkit"

# Lowest first: a module imports from its own folder and from those before it.
ORDER = (
    "errors",
    "geometry",
    "channels",
    "language",
    "kept",
    "simulation",
    "fitted",
    "judged",
    "session",
    "live",
    "streams",
    "camera",
    "archive",
    "window",
    "panel",
    "report",
    "batch",
    "joined",
    "builder",
    "commands",
    "cli",
    "__main__",
)
HOMES = {
    "h5py": {"kept/store", "kept/reader"},
    "pylsl": {"streams/lsl"},
    "psychopy": {"window/screen", "builder/"},
    "pyglet": {"window/screen"},
    "matplotlib": {"report/plots"},
    "jinja2": {"report/page"},
    "pydantic": {"kept/protocol"},
    "dask": {"batch/cluster"},
    "distributed": {"batch/cluster"},
    "pyarrow": {"batch/parquet"},
    "pyxdf": {"archive/xdf_reader"},
    "cv2": {"camera/vision"},
    "ai_edge_litert": {"camera/networks"},
}


def modules() -> list[Path]:
    return sorted(
        path for path in PACKAGE.rglob("*.py") if path != PACKAGE / "__init__.py"
    )


def name_of(path: Path) -> str:
    """The module's path in the package, such as "kept/store"."""
    return path.relative_to(PACKAGE).with_suffix("").as_posix()


def place(name: str) -> int:
    first = name.split("/", maxsplit=1)[0]
    assert first in ORDER, f"{name} has no place; add it to ORDER"
    return ORDER.index(first)


def imported(path: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            module = node.module or ""
            names |= {f"{module}.{alias.name}" for alias in node.names}
    return names


def ours(path: Path) -> set[str]:
    """The modules of the package that a file imports, by their paths."""
    known = {name_of(module) for module in modules()}
    found = set()
    for name in imported(path):
        parts = name.removeprefix("calibkit.").split(".")
        if name.startswith("calibkit."):
            ways = {"/".join(parts[: k + 1]) for k in range(len(parts))}
            found |= ways & known
    return found


@pytest.mark.parametrize("path", modules(), ids=name_of)
def test_imports_point_down(path: Path) -> None:
    mine = place(name_of(path))
    for other in ours(path):
        assert place(other) <= mine, f"{name_of(path)} imports {other}, above it"


@pytest.mark.parametrize("path", modules(), ids=name_of)
def test_foreign_libraries_have_one_home(path: Path) -> None:
    for name in imported(path):
        homes = HOMES.get(name.split(".")[0])
        allowed = homes is None or any(name_of(path).startswith(h) for h in homes)
        assert allowed, f"{name_of(path)} imports {name}"


def test_no_cycles() -> None:
    edges = {name_of(path): ours(path) - {name_of(path)} for path in modules()}
    done: set[str] = set()

    def visit(name: str, trail: tuple[str, ...]) -> None:
        assert name not in trail, " -> ".join((*trail, name))
        if name not in done:
            for other in edges.get(name, set()):
                visit(other, (*trail, name))
            done.add(name)

    for name in edges:
        visit(name, ())


@pytest.mark.parametrize("path", modules(), ids=name_of)
def test_files_can_be_read_in_one_sitting(path: Path) -> None:
    """Common practice, no source: 400 lines a file and 50 a function at most."""
    text = path.read_text(encoding="utf-8")
    count = len(text.splitlines())
    assert count <= 400, f"{path.name} has {count} lines"
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.FunctionDef):
            assert node.end_lineno is not None
            documented = ast.get_docstring(node, clean=False) or ""
            lines = node.end_lineno - node.lineno - documented.count("\n")
            assert lines <= 50, f"{node.name} has {lines} lines"


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
        "import calibkit.builder.running",
    ],
    ids=["import", "--help", "names", "generated experiments"],
)
def test_nothing_heavy_is_loaded_before_it_is_needed(code: str) -> None:
    """Source: contract, Python: neither h5py nor scipy before they are needed."""
    heavy = {"h5py", "scipy", "psychopy", "matplotlib", "pylsl", "pydantic", "pandas"}
    heavy |= {"dask", "distributed", "pyarrow"}
    heavy |= {"cv2", "ai_edge_litert"}
    assert not loaded_after(code) & heavy
