"""Make README's pictures anew: `python recordings/pictures/make.py`.

Runs the demo for real and takes pictures of what it made; needs Chromium.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).parent
SEED = "7"
PAGE = "820,1120"


def browser() -> str:
    """Find Chromium under any of its usual names."""
    for name in ("chromium", "chromium-browser", "google-chrome", "chrome"):
        if found := shutil.which(name):
            return found
    sys.exit("needs Chromium (Debian: apt-get install chromium)")


def main() -> None:
    """Run the demo, then picture its report and one target."""
    program = browser()
    with tempfile.TemporaryDirectory() as folder:
        demo = [sys.executable, "-m", "calibkit", "demo", "--json", "--seed", SEED]
        done = subprocess.run(
            [*demo, "--home", f"{folder}/demo"],
            stdout=subprocess.PIPE,
            check=True,
            text=True,
        )
        found = json.loads(done.stdout)
        subprocess.run(
            [
                program,
                *("--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars"),
                *(f"--user-data-dir={folder}/browser", "--no-first-run"),
                *("--disable-background-networking", "--disable-sync"),
                *("--disable-component-update", f"--window-size={PAGE}"),
                f"--screenshot={HERE / 'report.png'}",
                Path(found["page"]).resolve().as_uri(),
            ],
            check=True,
            stderr=subprocess.DEVNULL,
        )
        targets = sorted(Path(found["pictures"]).glob("*.png"))
        shutil.copy(targets[0], HERE / "target.png")


if __name__ == "__main__":
    main()
