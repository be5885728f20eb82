"""Many recordings: the table against one command at a time, bad files, going on.

Outside sources: the one-by-one commands are checked elsewhere against published values;
pandas and pyarrow read the tables; RFC 4180 for CSV.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

import calibkit
from calibkit.cli import main

RECORDINGS = Path(__file__).parent.parent / "recordings"
pandas = pytest.importorskip("pandas", reason="pandas is not installed")


def near(value: float | None) -> Any:
    """A number as JSON tells it, in a table."""
    return pytest.approx(float("nan") if value is None else value, nan_ok=True)


@pytest.fixture(scope="module")
def real(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The tables of the repository's own recordings."""
    out = tmp_path_factory.mktemp("real")
    more = ["--targets", str(out / "targets.csv"), "--page", str(out / "page.html")]
    call = ["batch", str(RECORDINGS), "-o", str(out / "t.csv"), "--workers", "2"]
    assert main([*call, *more]) == 0
    return out


@pytest.mark.parametrize("name", ["steady", "one-eye", "webcam", "wandering-child"])
def test_a_row_is_what_single_commands_say(
    name: str, real: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Plain recomputation: `calibkit fit`, then `calibkit assess`."""
    rec, mapping = str(RECORDINGS / f"{name}.h5"), str(tmp_path / "m.h5")
    assert main(["fit", rec, "-o", mapping, "--json"]) == 0
    fitted = json.loads(capsys.readouterr().out)
    assert main(["assess", mapping, rec, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    table = pandas.read_csv(real / "t.csv")
    rows = table[table["file"] == f"{name}.h5"].set_index("eyes")
    for eye in rows.index:
        for figure, value in told["eyes"][eye].items():
            if figure in table.columns:
                assert rows.loc[eye, figure] == near(value)
    both = rows.loc["both"]
    assert both["predicted_sd_deg"] == pytest.approx(fitted["predicted_sd_deg"])
    assert (both["rows"], both["columns"]) == (
        told["keys"]["rows"],
        told["keys"]["columns"],
    )
    assert both["key_width_deg"] == pytest.approx(told["keys"]["key_deg"][0])
    assert both["role"] == "validation"
    assert both["method"] == "check-targets"
    targets = pandas.read_csv(real / "targets.csv")
    mine = targets[(targets["file"] == f"{name}.h5") & (targets["eyes"] == "both")]
    for value, target in zip(mine["accuracy_deg"], told["targets"], strict=True):
        assert value == near(target["accuracy_deg"])
    assert mine["reason"].tolist() == [t["reason"] for t in told["targets"]]


def test_the_table_is_tidy(real: Path) -> None:
    """One row for each recording and choice of eyes, and every file is there."""
    table = pandas.read_csv(real / "t.csv")
    assert not table.duplicated(["file", "role", "eyes"]).any()
    files = sorted(path.name for path in RECORDINGS.glob("*.h5"))
    assert table["file"].drop_duplicates().tolist() == files
    assert set(table["status"]) == {"judged"}
    for path in RECORDINGS.glob("*.h5"):
        mine = table[table["file"] == path.name]
        assert len(mine) == 3
        rec = calibkit.Recording.load(path)
        assert set(mine["person"]) == {rec.person}
        assert set(mine["screen_width_px"]) == {rec.setup.screen_px[0]}


def test_the_page_says_it_all(real: Path) -> None:
    page = (real / "page.html").read_text(encoding="utf-8")
    assert "Judged: all of 10 recordings." in page
    assert "webcam.h5" in page
    for outside in ("http://", "https://", "<script", "src="):
        assert outside not in page
