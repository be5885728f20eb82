"""Pictures of a protocol: where they may lie, how large they may be, and no flashes.

Outside sources: reliability notes, appendix P row 22 (no absolute path, no ../, no
address, a cap on the size, decoded before anything starts); WCAG 2.3.1 (a tenth of the
maximum is a flash's change, red from 80 %); Pillow, which writes what is read here.
"""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest

from calibkit.errors import CallError, InputError
from calibkit.kept import protocol as protocols
from calibkit.kept import protocol_pictures

Image = pytest.importorskip("PIL.Image")
HEAD = "[protocol]\nversion = 1\nname = 'mine'\n[targets]\npoints = [[0.5, 0.5]]\n"


def write(folder: Path, *names: str, more: str = "") -> Path:
    folder.mkdir(exist_ok=True)
    path = folder / "mine.toml"
    path.write_text(f"{HEAD}pictures = {list(names)}\n{more}")
    return path


def picture(path: Path, colour: tuple[int, int, int] = (120, 120, 120)) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    Image.new("RGB", (64, 48), colour).save(path)
    return path


def refused(path: Path) -> str:
    with pytest.raises(InputError) as caught:
        protocols.load(str(path))
    text = str(caught.value)
    assert "Traceback" not in text
    assert "\n" not in text
    return text


def test_pictures_below_the_protocols_folder_are_found(tmp_path: Path) -> None:
    picture(tmp_path / "mine" / "pictures" / "a b.png")
    picture(tmp_path / "mine" / "c.jpg", (125, 120, 118))
    path = write(tmp_path / "mine", "pictures/a b.png", "c.jpg")
    protocol = protocols.load(str(path))
    found = protocols.picture_paths(str(path), protocol)
    assert [one.name for one in found] == ["a b.png", "c.jpg"]
    again = protocols.parse(protocols.to_toml(protocol))
    assert again.targets.pictures == protocol.targets.pictures


@pytest.mark.parametrize(
    "name",
    [
        "/etc/a.png",
        "../a.png",
        "x/../../a.png",
        "https://a.example/a.png",
        "C:/a.png",
        "..\\\\a.png",
        "~/a.png",
        "//host/a.png",
        "a.svg",
        ".hidden.png",
        "a.png.exe",
    ],
)
def test_paths_out_of_the_folder_are_refused(tmp_path: Path, name: str) -> None:
    picture(tmp_path / "a.png")
    text = refused(write(tmp_path / "mine", name))
    assert "targets.pictures" in text
    assert "own folder" in text


@pytest.mark.skipif(not hasattr(os, "symlink"), reason="no links here")
def test_a_link_out_of_the_folder_is_refused(tmp_path: Path) -> None:
    secret = picture(tmp_path / "secret.png")
    path = write(tmp_path / "mine", "a.png")
    try:
        (tmp_path / "mine" / "a.png").symlink_to(secret)
    except OSError:
        pytest.skip("links need a right here")
    assert "leads out of" in refused(path)


def test_missing_huge_and_damaged_pictures_are_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write(tmp_path, "a.png")
    assert "is not in the folder" in refused(path)
    whole = picture(tmp_path / "a.png").read_bytes()
    for damaged in (whole[:60], whole[:20], b"", b"no picture"):
        (tmp_path / "a.png").write_bytes(damaged)
        assert "cannot be read" in refused(path)
    (tmp_path / "a.png").write_bytes(whole)
    monkeypatch.setattr(protocol_pictures, "MAX_BYTES", 100)
    assert "make it smaller" in refused(path)
    monkeypatch.setattr(protocol_pictures, "MAX_ALL_BYTES", 100)
    assert "together" in refused(path)


def test_a_small_file_of_many_pixels_is_refused_before_it_is_decoded(
    tmp_path: Path,
) -> None:
    Image.new("L", (9000, 9000), 128).save(tmp_path / "a.png")
    assert (tmp_path / "a.png").stat().st_size < 200_000
    assert "9000 x 9000 pixels" in refused(write(tmp_path, "a.png"))


def test_pictures_that_would_flash_are_refused(tmp_path: Path) -> None:
    picture(tmp_path / "dark.png", (20, 20, 20))
    picture(tmp_path / "light.png", (240, 240, 240))
    picture(tmp_path / "grey.png", (130, 130, 130))
    picture(tmp_path / "like.png", (140, 130, 125))
    assert "brightness" in refused(write(tmp_path, "dark.png", "light.png"))
    assert "brightness" in refused(write(tmp_path, "grey.png", "dark.png", "grey.png"))
    protocols.load(str(write(tmp_path, "grey.png", "like.png")))
    fast = write(tmp_path, "grey.png", "like.png", more="picture_s = 0.2\n")
    assert "targets.picture_s" in refused(fast)


def test_a_saturated_red_is_refused(tmp_path: Path) -> None:
    picture(tmp_path / "a.png", (250, 20, 20))
    assert "saturated red" in refused(write(tmp_path, "a.png"))
    part = np.full((100, 100, 3), 128, np.uint8)
    part[:, :20] = (250, 20, 20)
    Image.fromarray(part).save(tmp_path / "a.png")
    protocols.load(str(write(tmp_path, "a.png")))


def test_a_change_for_one_session_is_checked_too(tmp_path: Path) -> None:
    path = write(tmp_path)
    picture(tmp_path / "a.png")
    protocols.load(str(path), ["targets.pictures=['a.png']"])
    with pytest.raises(CallError, match="is not in the folder"):
        protocols.load(str(path), ["targets.pictures=['b.png']"])
