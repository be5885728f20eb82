"""The invented recordings and the pictures come out of the scripts that made them."""

from __future__ import annotations

import importlib.util
import re
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

import calibkit

HERE = Path(__file__).parent.parent / "recordings"
TEXT = (HERE / "README.md").read_text(encoding="utf-8")
README = (HERE.parent / "README.md").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def make() -> ModuleType:
    spec = importlib.util.spec_from_file_location("recordings_make", HERE / "make.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def test_the_page_lists_each_recording_with_its_command_and_seed(
    make: ModuleType,
) -> None:
    listed = re.findall(r"^\| ([a-z-]+)\.h5 \|", TEXT, flags=re.MULTILINE)
    assert sorted(listed) == sorted(make.RECORDINGS)
    assert sorted(listed) == sorted(path.stem for path in HERE.glob("*.h5"))
    assert "recordings/make.py" in TEXT
    assert f"seed {make.SEED}" in TEXT
    assert "do not exist" in TEXT


@pytest.mark.parametrize("name", ["webcam", "one-eye"])
def test_a_recording_is_what_its_script_makes(
    name: str, make: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """To the bit on one machine; elsewhere within what 32-bit numbers can hold."""
    monkeypatch.setattr(make, "HERE", tmp_path)
    made = calibkit.Recording.load(make.make(name, *make.RECORDINGS[name]))
    kept = calibkit.Recording.load(HERE / f"{name}.h5")
    assert made.channels == kept.channels
    assert made.setup == kept.setup
    np.testing.assert_array_equal(made.targets, kept.targets)
    np.testing.assert_allclose(made.time, kept.time, atol=1e-9)
    np.testing.assert_allclose(made.samples, kept.samples, rtol=1e-5, atol=1e-4)


def test_every_picture_is_made_by_the_script() -> None:
    script = (HERE / "pictures" / "make.py").read_text(encoding="utf-8")
    pictures = {path.name for path in (HERE / "pictures").glob("*.png")}
    assert pictures
    for name in pictures:
        assert f'"{name}"' in script or f"'{name}'" in script, name
    shown = set(re.findall(r"!\[[^\]]+\]\(recordings/pictures/([\w-]+\.png)\)", README))
    assert shown <= pictures
    assert not re.findall(r"!\[\]\(", README)  # each says in words what it shows
