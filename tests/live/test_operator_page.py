"""The operator's page over real HTTP, and in a real browser.

Outside sources: Python's own HTTP client; headless Chromium by its DevTools protocol,
which enforces the content security policy and presses keys as a keyboard would; RFC
6454 and the habit of DNS rebinding (a foreign Host is refused) from memory.
"""

from __future__ import annotations

import base64
import http.client
import json
import shutil
import signal
import subprocess
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

from calibkit.errors import CallError, DeviceError
from calibkit.panel.page import Page

pytestmark = pytest.mark.live
ME, OTHER = "page-one-0001".replace("-", ""), "pagetwo0002"
STATE = {
    "language": "en",
    "view": "session",
    "point": "Target 2 of 6",
    "share": 0.2,
    "words": "Waits until the person looks at the target.",
    "screen": [1920, 1080],
    "target": [480.0, 270.0],
    "mapped": True,
    "gaze": [[600.0, 300.0], [520.0, 280.0]],
    "away": "1.1° from the target",
    "eyes": [
        {"eye": "Left eye", "seen": 0.97, "words": "seen"},
        {"eye": "Right eye", "seen": 0.0, "words": "not seen"},
    ],
    "last": ["Target 1 of 6: Looked at; left eye seen 97 %; right eye seen 0 %."],
    "keys": [
        {"key": "space", "shown": "Space", "does": "next", "words": "Next"},
        {"key": "escape", "shown": "Esc", "does": "stop", "words": "Stop and keep"},
        {"key": "p", "shown": "P", "does": "pause", "words": "Pause"},
    ],
    "result": [],
    "bars": [],
}


@pytest.fixture
def page() -> Iterator[Page]:
    made = Page(time.monotonic)
    made.show(STATE)
    yield made
    made.close()


def ask(
    page: Page,
    path: str,
    method: str = "GET",
    body: Any = None,
    **headers: str,
) -> tuple[int, dict[str, str], bytes]:
    line = http.client.HTTPConnection(page.host, page.port, timeout=5)
    text = None if body is None else json.dumps(body)
    names = {name.replace("_", "-"): value for name, value in headers.items()}
    line.request(method, path, text, names)
    answer = line.getresponse()
    found = answer.status, dict(answer.headers), answer.read()
    line.close()
    return found


def test_only_who_knows_the_address_gets_in(page: Page) -> None:
    here = f"/{page.token}/"
    assert ask(page, here)[0] == 200
    for path in ("/", "/state", "/x/", "/x/state", f"/{page.token[:-1]}/", "/../etc"):
        assert ask(page, path)[0] == 404
    assert ask(page, here, Host=f"evil.example:{page.port}")[0] == 404
    assert ask(page, f"{here}../../etc/passwd")[0] == 404
    assert len(page.token) >= 22  # 128 bits and more in base 64


def test_headers_keep_everything_at_home(page: Page) -> None:
    for part in ("", "page.css", "page.js"):
        _, headers, _ = ask(page, f"/{page.token}/{part}")
        assert headers["Content-Security-Policy"].startswith("default-src 'none'")
        assert headers["Referrer-Policy"] == "no-referrer"
        assert headers["Cache-Control"] == "no-store"
        assert "Access-Control-Allow-Origin" not in headers


def test_listens_on_loopback_alone_by_default(page: Page) -> None:
    assert page.host == "127.0.0.1"
    assert page.address.startswith("http://127.0.0.1:")


def test_keys_come_back_stamped_on_the_sessions_clock(page: Page) -> None:
    before = time.monotonic()
    here = f"/{page.token}/key"
    assert ask(page, here, "POST", {"page": ME, "key": "space"})[0] == 204
    assert ask(page, here, "POST", {"page": ME, "key": "escape"})[0] == 204
    pressed = page.pressed()
    assert [key.name for key in pressed] == ["space", "escape"]
    assert before <= pressed[0].time_s <= pressed[1].time_s <= time.monotonic()
    assert page.pressed() == ()


@pytest.mark.parametrize(
    "body", [{}, [], "x", {"page": ME}, {"page": ME, "key": "a/b"}, {"key": "p"},
             {"page": ME, "key": 7}, {"page": "<b>", "key": "p"},
             {"page": ME, "key": "p" * 5000}]
)  # fmt: skip
def test_what_is_no_key_press_is_refused(page: Page, body: Any) -> None:
    assert ask(page, f"/{page.token}/key", "POST", body)[0] == 400
    assert page.pressed() == ()


def test_a_second_operator_is_refused_until_the_first_has_left(page: Page) -> None:
    state, key = f"/{page.token}/state", f"/{page.token}/key"
    assert ask(page, state, X_Page=ME)[0] == 200
    assert ask(page, state, X_Page=OTHER)[0] == 409
    assert ask(page, key, "POST", {"page": OTHER, "key": "escape"})[0] == 409
    assert page.pressed() == ()
    assert ask(page, f"/{page.token}/leave", "POST", {"page": OTHER})[0] == 204
    assert ask(page, state, X_Page=OTHER)[0] == 409
    assert ask(page, f"/{page.token}/leave", "POST", {"page": ME})[0] == 204
    assert ask(page, state, X_Page=OTHER)[0] == 200


def test_news_come_when_there_are_some(page: Page) -> None:
    path = f"/{page.token}/state"
    _, headers, body = ask(page, path, X_Page=ME)
    assert json.loads(body) == STATE
    serial = headers["X-Serial"]
    start = time.monotonic()
    _, same, _ = ask(page, path, X_Page=ME, X_Serial=serial)
    assert same["X-Serial"] == serial
    assert time.monotonic() - start > 0.9
    page.show({**STATE, "point": "Target 3 of 6"})
    start = time.monotonic()
    _, _, body = ask(page, path, X_Page=ME, X_Serial=serial)
    assert json.loads(body)["point"] == "Target 3 of 6"
    assert time.monotonic() - start < 0.5


def test_a_flood_of_keys_is_cut_off(page: Page) -> None:
    for _ in range(500):
        page.press("space")
    assert len(page.pressed()) == 64


def test_address_and_port_that_cannot_be_had(page: Page) -> None:
    with pytest.raises(CallError, match=r"192\.168"):
        Page(time.monotonic, address="somewhere")
    with pytest.raises(DeviceError, match="choose another"):
        Page(time.monotonic, port=page.port)
    with pytest.raises(DeviceError):
        Page(time.monotonic, address="203.0.113.7")


# In a browser.


class Browser:
    """One tab of headless Chromium, driven by its DevTools protocol."""

    def __init__(self, place: Path) -> None:
        program = shutil.which("chromium") or shutil.which("chromium-browser")
        if program is None:
            pytest.skip("needs Chromium")
        client = pytest.importorskip("websockets.sync.client")
        self._program = subprocess.Popen(
            [program, "--headless=new", "--no-sandbox", "--disable-gpu",
             "--remote-debugging-port=0", f"--user-data-dir={place}",
             "--window-size=1280,800", "about:blank"],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        self._open = ExitStack()
        self._open.callback(self._end)
        try:
            self._connect(client, place)
        except BaseException:
            self._open.close()
            raise

    def _connect(self, client: Any, place: Path) -> None:
        note, end_s = place / "DevToolsActivePort", time.monotonic() + 30.0
        while not note.exists() or "\n" not in note.read_text():
            assert time.monotonic() < end_s
            time.sleep(0.05)
        port = note.read_text().split()[0]
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/json", timeout=5) as got:
            tabs = [tab for tab in json.load(got) if tab["type"] == "page"]
        line = client.connect(tabs[0]["webSocketDebuggerUrl"], max_size=None)
        self._line = self._open.enter_context(line)
        self._number = 0
        self.complaints: list[str] = []
        for domain in ("Page", "Runtime", "Log"):
            self.do(f"{domain}.enable")

    def do(self, method: str, **parameters: Any) -> Any:
        self._number += 1
        text = {"id": self._number, "method": method, "params": parameters}
        self._line.send(json.dumps(text))
        while True:
            answer = json.loads(self._line.recv(timeout=20))
            if answer.get("method") in ("Log.entryAdded", "Runtime.exceptionThrown"):
                self.complaints.append(json.dumps(answer["params"]))
            if answer.get("id") == self._number:
                assert "error" not in answer, answer
                return answer["result"]

    def value(self, expression: str) -> Any:
        found = self.do("Runtime.evaluate", expression=expression, returnByValue=True)
        return found["result"].get("value")

    def press(self, key: str, code: str) -> None:
        text = {"text": key} if len(key) == 1 else {}
        for kind in ("keyDown", "keyUp"):
            self.do("Input.dispatchKeyEvent", type=kind, key=key, code=code, **text)

    def picture(self, path: Path) -> None:
        shot = self.do("Page.captureScreenshot", format="png")
        path.write_bytes(base64.b64decode(shot["data"]))

    def close(self) -> None:
        self._open.close()

    def _end(self) -> None:
        self._program.terminate()
        try:
            self._program.wait(timeout=10)
        except subprocess.TimeoutExpired:
            self._program.kill()
            self._program.wait()


@pytest.fixture
def browser(tmp_path: Path) -> Iterator[Browser]:
    made = Browser(tmp_path / "chromium")
    yield made
    made.close()


def wait_for(check: Callable[[], bool], limit_s: float = 10.0) -> None:
    end_s = time.monotonic() + limit_s
    while not check():
        assert time.monotonic() < end_s
        time.sleep(0.05)


def text_of(browser: Browser, id_: str) -> str:
    return str(browser.value(f"document.getElementById('{id_}').innerText"))


def test_page_shows_the_session_and_sends_keys_and_buttons(
    page: Page, browser: Browser, tmp_path: Path
) -> None:
    browser.do("Page.navigate", url=page.address)
    wait_for(lambda: text_of(browser, "point") == "Target 2 of 6")
    assert "not seen" in text_of(browser, "eyes")
    assert "Looked at" in text_of(browser, "last")
    assert browser.value("document.getElementById('target').getBBox().width") > 20
    assert browser.value("getComputedStyle(document.body).backgroundColor") == (
        "rgb(26, 26, 26)"
    )
    browser.press(" ", "Space")
    browser.press("Escape", "Escape")
    browser.press("q", "KeyQ")  # no key of this session
    browser.value("document.querySelector('[data-does=pause]').click()")
    names: list[str] = []

    def all_three() -> bool:
        names.extend(key.name for key in page.pressed())
        return len(names) > 2

    wait_for(all_three)
    assert names == ["space", "escape", "p"]
    page.show({**STATE, "point": "Target 3 of 6", "target": None})
    wait_for(lambda: text_of(browser, "point") == "Target 3 of 6")
    wide = "document.documentElement.scrollWidth <= window.innerWidth"
    assert browser.value(wide)
    browser.picture(tmp_path / "page.png")
    assert (tmp_path / "page.png").stat().st_size > 20_000
    assert not browser.complaints


def test_a_second_page_is_told_so_and_takes_over_when_the_first_closes(
    page: Page, browser: Browser
) -> None:
    assert ask(page, f"/{page.token}/state", X_Page=OTHER)[0] == 200
    browser.do("Page.navigate", url=page.address)
    wait_for(lambda: "Another page" in text_of(browser, "words"))
    assert browser.value("document.querySelectorAll('button').length") == 0
    ask(page, f"/{page.token}/leave", "POST", {"page": OTHER})
    wait_for(lambda: text_of(browser, "point") == "Target 2 of 6")
    page.close()
    wait_for(lambda: text_of(browser, "words").startswith("The session is over."), 2.0)


def text_px(browser: Browser, id_: str) -> float:
    style = f"getComputedStyle(document.getElementById('{id_}')).fontSize"
    return float(str(browser.value(style)).removesuffix("px"))


def test_letters_are_large_and_nothing_is_cut_off_on_a_telephone(
    page: Page, browser: Browser, tmp_path: Path
) -> None:
    """24 px and more, instructions 40, on a screen; 18 px where the screen is small."""
    browser.do("Page.navigate", url=page.address)
    wait_for(lambda: text_of(browser, "point") == "Target 2 of 6")
    for id_ in ("point", "away", "legend", "eyes", "last", "keys"):
        assert text_px(browser, id_) >= 24
    assert text_px(browser, "words") >= 40
    browser.picture(tmp_path / "wide.png")
    small = {"width": 390, "height": 844, "deviceScaleFactor": 2, "mobile": True}
    browser.do("Emulation.setDeviceMetricsOverride", **small)
    wait_for(lambda: text_px(browser, "last") == 18)
    assert browser.value("document.documentElement.scrollWidth <= window.innerWidth")
    # Every button can be seen and is as large as a finger (44 px).
    sides = browser.value(
        "Array.from(document.querySelectorAll('button'), (b) => {"
        "const r = b.getBoundingClientRect(); return [r.top, r.bottom, r.height] })"
    )
    assert len(sides) == 3
    assert all(top >= 0 and bottom <= 844 and high >= 43 for top, bottom, high in sides)
    browser.picture(tmp_path / "small.png")


def test_everything_can_be_done_by_keyboard(page: Page, browser: Browser) -> None:
    """A button that has the focus is pressed by Space and Enter, and by those alone."""
    browser.do("Page.navigate", url=page.address)
    wait_for(lambda: text_of(browser, "point") == "Target 2 of 6")
    focus = "document.activeElement.dataset.does || ''"
    for _ in range(3):
        browser.press("Tab", "Tab")
    assert browser.value(focus) == "pause"
    width = "parseFloat(getComputedStyle(document.activeElement).outlineWidth)"
    assert browser.value(width) >= 2
    browser.press(" ", "Space")
    wait_for(lambda: [k.name for k in page.pressed()] == ["p"])
    browser.value("document.activeElement.blur()")
    browser.press(" ", "Space")
    wait_for(lambda: [k.name for k in page.pressed()] == ["space"])


def test_the_signal_check_shows_words_and_bars_and_nothing_else(
    page: Page, browser: Browser, tmp_path: Path
) -> None:
    browser.do("Page.navigate", url=page.address)
    wait_for(lambda: text_of(browser, "point") == "Target 2 of 6")
    bar = {"words": "Distance: 9 cm off", "left": "closer", "right": "farther away",
           "share": -0.75, "far": True}  # fmt: skip
    lines = ["Good enough to go on.", "[fair] The head is 9 cm closer."]
    check = {"view": "check", "point": "Signal check", "result": lines, "bars": [bar]}
    page.show({**STATE, **check})
    wait_for(lambda: text_of(browser, "point") == "Signal check")
    assert "9 cm closer" in text_of(browser, "result")
    assert "Distance: 9 cm off" in text_of(browser, "bars")
    seen = "document.getElementById('{}').offsetParent !== null"
    assert not browser.value(seen.format("last"))
    assert not browser.value(seen.format("eyes"))
    left, wide = browser.value(
        "(() => { const t = document.querySelector('.track').getBoundingClientRect(),"
        "f = document.querySelector('.track i').getBoundingClientRect();"
        "return [(f.left - t.left) / t.width, f.width / t.width] })()"
    )
    # Closer is to the left of the middle; three quarters of that half are filled.
    assert left == pytest.approx(0.125, abs=0.02)
    assert wide == pytest.approx(0.375, abs=0.02)
    browser.picture(tmp_path / "check.png")


SERVE = """
import json, sys, time
from calibkit.panel.page import Page
page = Page(time.monotonic)
page.show(json.loads(sys.argv[1]))
print(page.address, flush=True)
time.sleep(60)
"""


@pytest.mark.parametrize(
    "how", [signal.SIGKILL, signal.SIGSTOP], ids=["killed", "hung"]
)
def test_a_session_that_dies_or_hangs_is_told_within_two_seconds(
    start: Callable[..., subprocess.Popen[str]], browser: Browser, how: signal.Signals
) -> None:
    program = start(json.dumps(STATE), code=SERVE)
    assert program.stdout is not None
    browser.do("Page.navigate", url=program.stdout.readline().strip())
    wait_for(lambda: text_of(browser, "point") == "Target 2 of 6")
    program.send_signal(how)
    wait_for(
        lambda: text_of(browser, "words").startswith("This page has lost the session"),
        2.5,
    )
    # What was true before it died is not shown any more.
    assert not browser.value("document.getElementById('live').offsetParent !== null")
    assert browser.value("document.querySelectorAll('button').length") == 0
    if how == signal.SIGSTOP:
        program.send_signal(signal.SIGCONT)
        wait_for(lambda: text_of(browser, "point") == "Target 2 of 6")
