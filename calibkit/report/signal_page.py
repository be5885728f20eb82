"""The signal check as one self-contained page: words, and signed bars as SVG."""

from __future__ import annotations

import math
from html import escape

from calibkit.language import _, current
from calibkit.live import signals_words as words
from calibkit.live.signals_facts import Finding, Place, Signal

_WIDTH, _HALF, _ROW = 640, 200, 46
# Greys and one blue: told apart in print, and never by colour alone.
_STYLE = """
body { font: 1rem/1.5 sans-serif; max-width: 44rem; margin: 2rem auto; padding: 0 1rem;
  color: #111; background: #fff; }
h1 { font-size: 1.5rem; } li { margin: .4rem 0; } b { font-weight: 600; }
svg { width: 100%; height: auto; } text { font: 16px sans-serif; fill: #111; }
"""


def page(signal: Signal, title: str) -> str:
    """Make the page.

    Parameters
    ----------
    signal : Signal
    title : str
        Such as the stream's name.

    Returns
    -------
    str, HTML without any link to elsewhere
    """
    heading = escape(_("Signal check: {name}").format(name=title))
    items = "\n".join(_item(finding) for finding in signal.findings)
    return f"""<!DOCTYPE html>
<html lang="{current()}">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width">
<title>{heading}</title>
<style>{_STYLE}</style>
</head>
<body>
<h1>{heading}</h1>
<p>{escape(words.summary(signal))}</p>
{picture(signal)}
<ul>
{items}
</ul>
<p>{escape(_watched(signal))}</p>
</body>
</html>
"""


def _watched(signal: Signal) -> str:
    text = _(
        "The last {seconds:.0f} seconds, {samples} samples. calibkit is not a medical "
        "device."
    )
    return text.format(seconds=signal.watched_s, samples=signal.samples)


def _item(finding: Finding) -> str:
    mark = _(words.MARKS[finding.level])
    text = f"{words.subject(finding)}{finding.words}"
    move = f" <b>{escape(finding.move)}</b>" if finding.move else ""
    return f"<li>{escape(mark)}: {escape(text)}{move}</li>"


def picture(signal: Signal) -> str:
    """Draw the head's place as signed bars; "" where the stream tells nothing.

    Parameters
    ----------
    signal : Signal

    Returns
    -------
    str, an SVG element
    """
    places = [place for place in signal.head.places if math.isfinite(place.off)]
    if not places:
        return ""
    rows = "\n".join(_row(place, k) for k, place in enumerate(places))
    height = _ROW * len(places) + 10
    told = "; ".join(map(words.axis, places))
    return (
        f'<svg viewBox="0 0 {_WIDTH} {height}" role="img" '
        f'aria-label="{escape(told)}">\n{rows}\n</svg>'
    )


def _row(place: Place, number: int) -> str:
    top, middle = _ROW * number + 24, _WIDTH / 2
    left, right = words.ends(place)
    share = words.filled(place)
    start = middle + min(0.0, share) * _HALF
    fill = "#0072B2" if place.far else "#777"
    limits = "".join(
        f'<line x1="{middle + side * _HALF / 2:g}" x2="{middle + side * _HALF / 2:g}" '
        f'y1="{top - 4}" y2="{top + 16}" stroke="#777" stroke-dasharray="3 3"/>'
        for side in (-1, 1)
    )
    return (
        f'<rect x="{middle - _HALF:g}" y="{top}" width="{2 * _HALF}" height="12" '
        'fill="none" stroke="#777"/>'
        f'<rect x="{start:.1f}" y="{top}" width="{abs(share) * _HALF:.1f}" '
        f'height="12" fill="{fill}"/>{limits}'
        f'<line x1="{middle:g}" x2="{middle:g}" y1="{top - 6}" y2="{top + 18}" '
        'stroke="#111" stroke-width="2"/>'
        f'<text x="{middle - _HALF - 8:g}" y="{top + 12}" text-anchor="end">'
        f"{escape(left)}</text>"
        f'<text x="{middle + _HALF + 8:g}" y="{top + 12}">{escape(right)}</text>'
        f'<text x="{middle:g}" y="{top - 9}" text-anchor="middle">'
        f"{escape(words.axis(place))}</text>"
    )
