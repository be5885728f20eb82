"""Make README's pictures anew: `python recordings/pictures/make.py`.

Runs the demo for real and takes pictures of what it made, then calibrates a simulated
person twice and takes one of the operator's page; needs Chromium, Xvfb and xdotool.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

HERE = Path(__file__).parent
SEED = "7"
CALIBKIT = (sys.executable, "-m", "calibkit")
DISPLAY = ":77"
SIMULATE = ("simulate", "--tracker", "screen", "--seed", "5", "--for", "120")
CALIBRATE = ("calibrate", "--person", "heron", "--no-check")
DESK = ("--screen-mm", "527x296", "--distance-mm", "600")
ADDRESS = re.compile(r"http://\S+")


def needed(*names: str) -> str:
    """Find a program under any of its usual names."""
    for name in names:
        if found := shutil.which(name):
            return found
    sys.exit(f"needs {names[0]} (Debian: apt-get install {names[0].lower()})")


def picture(browser: str, folder: str, address: str, size: str, name: str) -> None:
    """Take a picture of a page as it is a second and a half after it was opened."""
    subprocess.run(
        [
            browser,
            *("--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars"),
            *(f"--user-data-dir={folder}/browser", "--no-first-run"),
            *("--disable-background-networking", "--disable-sync"),
            *("--disable-component-update", f"--window-size={size}"),
            *("--timeout=3000", "--virtual-time-budget=1500"),
            f"--screenshot={HERE / name}",
            address,
        ],
        check=True,
        stderr=subprocess.DEVNULL,
    )


def demo(browser: str, folder: str) -> None:
    """Run the demo, then picture its report and one target."""
    done = subprocess.run(
        [*CALIBKIT, "demo", "--json", "--seed", SEED, "--home", f"{folder}/demo"],
        stdout=subprocess.PIPE,
        check=True,
        text=True,
    )
    found = json.loads(done.stdout)
    page = Path(found["page"]).resolve().as_uri()
    picture(browser, folder, page, "820,1120", "report.png")
    targets = sorted(Path(found["pictures"]).glob("*.png"))
    shutil.copy(targets[0], HERE / "target.png")


def second_time(browser: str, folder: str, home: Sequence[str]) -> None:
    """Calibrate somebody who has a mapping; picture the page at the fourth target."""
    by_key = ("--advance", "key", "--operator", "page")
    with subprocess.Popen(
        [*CALIBKIT, *CALIBRATE, *DESK, *by_key, *home],
        stderr=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        text=True,
    ) as session:
        assert session.stderr
        address = next(filter(None, map(ADDRESS.search, session.stderr)))[0]
        time.sleep(3)
        for _ in range(3):
            subprocess.run([needed("xdotool"), "key", "space"], check=True)
            time.sleep(4)
        picture(browser, folder, address, "1100,800", "operator.png")
        subprocess.run([needed("xdotool"), "key", "Escape"], check=True)


def operator(browser: str, folder: str) -> None:
    """Picture the operator's page, on a display that nobody sees."""
    home = ("--home", f"{folder}/home")
    os.environ["DISPLAY"] = DISPLAY
    screen = ("-screen", "0", "1920x1080x24")
    started = [subprocess.Popen([needed("Xvfb"), DISPLAY, *screen])]
    try:
        started.append(subprocess.Popen([*CALIBKIT, *SIMULATE, *home]))
        time.sleep(6)
        quick = ("--protocol", "quick", "--operator", "none")
        subprocess.run([*CALIBKIT, *CALIBRATE, *DESK, *quick, *home], check=True)
        second_time(browser, folder, home)
    finally:
        for process in started:
            process.terminate()


def main() -> None:
    """Make all three."""
    browser = needed("chromium", "chromium-browser", "google-chrome", "chrome")
    with tempfile.TemporaryDirectory() as folder:
        demo(browser, folder)
        operator(browser, folder)


if __name__ == "__main__":
    main()
