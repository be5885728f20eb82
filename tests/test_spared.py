"""No output takes the place of an input, not even with --force.

Source: reliability, never list 6: never edit the only copy.
"""

from __future__ import annotations

from pathlib import Path

import invented
import pytest

import calibkit
from calibkit.cli import main


@pytest.fixture
def files(tmp_path: Path) -> Path:
    rec, _ = invented.record(2, invented.NINE, kind="screen")
    (tmp_path / "in").mkdir()
    rec.save(tmp_path / "in" / "r.h5")
    calibkit.fit(rec).save(tmp_path / "in" / "m.h5")
    return tmp_path / "in"


@pytest.mark.parametrize(
    "words",
    [
        "fit r.h5 -o r.h5",
        "fit r.h5 -o ../in/r.h5",
        "fit r.h5 --shared m.h5 -o m.h5",
        "apply m.h5 r.h5 -o m.h5",
        "apply m.h5 r.h5 -o r.h5",
        "share r.h5 r.h5 -o r.h5",
        "report r.h5 -o r.h5",
        "import xdf r.h5 -o r.h5",
        "import journal r.h5 -o r.h5",
        "export csv r.h5 -o .",
        "export bids r.h5 --mapping m.h5 -o ../in",
    ],
)
def test_inputs_are_spared(
    words: str,
    files: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(files)
    before = {path.name: path.read_bytes() for path in files.iterdir()}
    assert main([*words.split(), "--force"]) == 2
    assert "another" in capsys.readouterr().err
    assert {path.name: path.read_bytes() for path in files.iterdir()} == before


@pytest.mark.parametrize("link", ["hardlink_to", "symlink_to"])
def test_an_input_by_another_name_is_spared(
    link: str,
    files: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Another case of letters is another name of one file, too, on some systems."""
    monkeypatch.chdir(files)
    try:
        getattr(Path("other.h5"), link)("r.h5")
    except OSError:
        pytest.skip("no such links here")
    before = Path("r.h5").read_bytes()
    for words in ("fit r.h5 -o other.h5", "fit other.h5 -o r.h5"):
        assert main([*words.split(), "--force"]) == 2
        assert "also read" in capsys.readouterr().err
    assert Path("other.h5").samefile("r.h5")
    assert Path("r.h5").read_bytes() == before


def test_an_export_is_not_replaced_under_its_own_input(
    files: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(files)
    assert main(["export", "csv", "r.h5", "-o", "out"]) == 0
    inside = files / "out" / "only.h5"
    (files / "r.h5").rename(inside)
    assert main(["export", "csv", "out/only.h5", "-o", "out", "--force"]) == 2
    assert "out/only.h5" in capsys.readouterr().err
    assert inside.is_file()


def test_another_output_may_be_replaced(
    files: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(files)
    assert main(["fit", "r.h5", "-o", "m.h5", "--force"]) == 0
    assert main(["export", "csv", "r.h5", "-o", "out"]) == 0
    assert main(["export", "csv", "r.h5", "-o", "out", "--force"]) == 0
