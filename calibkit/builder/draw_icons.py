"""Draw the Builder's icons, in greys: `python -m calibkit.builder.draw_icons`.

A screen with four marks for a session, a screen with a way across it for gaze.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from PIL.Image import Image

ICONS = Path(__file__).parent / "icons"
SIZE = 48
# The frame, as shares of the picture: left, top, right, bottom.
FRAME = (0.08, 0.16, 0.92, 0.78)
FOOT = ((0.34, 0.9), (0.66, 0.9))
WAY = ((0.29, 0.58), (0.42, 0.37), (0.57, 0.57), (0.71, 0.36))
MARKS = {"session": WAY, "gaze": WAY[-1:]}
WIDE, MARK = 0.06, 0.06
# The inks of the Builder's themes: on light and on dark panels.
INKS = {"light": 0x40, "classic": 0x40, "dark": 0xD8}


def drawn(name: str, ink: int, size: int) -> Image:
    """Draw an icon in one grey, four times as large first, for smooth edges."""
    from PIL import Image, ImageDraw

    whole = 4 * size
    picture = Image.new("LA", (whole, whole), (ink, 0))
    draw = ImageDraw.Draw(picture)
    full = (ink, 255)
    wide = round(WIDE * whole)
    draw.rounded_rectangle(
        [share * whole for share in FRAME],
        radius=0.08 * whole,
        outline=full,
        width=wide,
    )
    draw.line([(x * whole, y * whole) for x, y in FOOT], fill=full, width=wide)
    if name == "gaze":
        way = [(x * whole, y * whole) for x, y in WAY]
        draw.line(way, fill=full, width=wide // 2, joint="curve")
    for x, y in MARKS[name]:
        box = ((x - MARK) * whole, (y - MARK) * whole)
        draw.rectangle([*box, (x + MARK) * whole, (y + MARK) * whole], fill=full)
    return picture.resize((size, size), Image.Resampling.LANCZOS)


def vector(name: str, ink: int = 0x40) -> str:
    """Write the same icon as SVG."""
    left, top, right, bottom = (SIZE * share for share in FRAME)
    colour = f"#{ink:02x}{ink:02x}{ink:02x}"
    wide = SIZE * WIDE
    stroke = f'fill="none" stroke="{colour}"'
    parts = [
        f'<rect x="{left + wide / 2:.2f}" y="{top + wide / 2:.2f}" '
        f'width="{right - left - wide:.2f}" height="{bottom - top - wide:.2f}" '
        f'rx="{0.08 * SIZE:.2f}" {stroke} stroke-width="{wide:.2f}"/>',
        f'<path d="{_path(FOOT)}" {stroke} stroke-width="{wide:.2f}"/>',
    ]
    if name == "gaze":
        parts.append(f'<path d="{_path(WAY)}" {stroke} stroke-width="{wide / 2:.2f}"/>')
    side = 2 * MARK * SIZE
    parts += [
        f'<rect x="{(x - MARK) * SIZE:.2f}" y="{(y - MARK) * SIZE:.2f}" '
        f'width="{side:.2f}" height="{side:.2f}" fill="{colour}"/>'
        for x, y in MARKS[name]
    ]
    head = f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {SIZE} {SIZE}">'
    return "\n".join([head, *parts, "</svg>"]) + "\n"


def _path(points: tuple[tuple[float, float], ...]) -> str:
    return "M" + " L".join(f"{x * SIZE:.2f} {y * SIZE:.2f}" for x, y in points)


def files(folder: Path) -> dict[Path, Image]:
    """Every picture and where it belongs: one for each theme, plain and twofold."""
    places = {folder: INKS["light"]} | {folder / t: ink for t, ink in INKS.items()}
    return {
        place / f"{name}{more}.png": drawn(name, ink, size)
        for place, ink in places.items()
        for name in MARKS
        for more, size in (("", SIZE), ("@2x", 2 * SIZE))
    }


def main(folder: Path = ICONS) -> None:
    """Write all icons."""
    for path, picture in files(folder).items():
        path.parent.mkdir(parents=True, exist_ok=True)
        picture.save(path, optimize=True)
    for name in MARKS:
        (folder / f"{name}.svg").write_text(vector(name), encoding="utf-8")


if __name__ == "__main__":
    main()
