"""The page's parts as a browser gets them, and the headers that go with each."""

from __future__ import annotations

import html
import json
from pathlib import Path
from string import Template

from calibkit.language import current
from calibkit.panel import phrases

# Nothing from elsewhere, nothing inline, no frame around it, no trace of the token.
HEADERS = {
    "Content-Security-Policy": "default-src 'none'; script-src 'self'; "
    "style-src 'self'; connect-src 'self'; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
}
PARTS = {
    "": ("page.html", "text/html; charset=utf-8"),
    "page.css": ("page.css", "text/css; charset=utf-8"),
    "page.js": ("page.js", "text/javascript; charset=utf-8"),
}
# Words that the script says by itself.
_SCRIPT = ("gone", "over", "taken", "nothing")
_HERE = Path(__file__).resolve().parent


def part(name: str) -> tuple[str, str]:
    """Return a part's kind and text, the page in the operator's language."""
    file, kind = PARTS[name]
    text = (_HERE / file).read_text(encoding="utf-8")
    if file != "page.html":
        return kind, text
    labels = phrases.labels()
    shown = {key: html.escape(value) for key, value in labels.items()}
    data = html.escape(json.dumps({name: labels[name] for name in _SCRIPT}))
    return kind, Template(text).substitute(shown, language=current(), data=data)
