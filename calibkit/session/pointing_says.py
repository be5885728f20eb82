"""All that the pointing trial writes into a recording: English in every language.

What a person reads of it is said by `pointing_words` and the operator's view.
START and ASK are read back from recordings by `pointing_again`: change both together.
"""

from __future__ import annotations

import re

START = "pointing start, dwell {dwell_s:.2f} s"
ASK = (
    "pointing: key {row}, {column} of {rows} rows and {columns} columns, "
    "{dwell_s:.2f} s"
)
ASK_READ = re.compile(
    r"pointing: key (\d+), (\d+) of (\d+) rows and (\d+) columns, (\d+\.\d+) s"
)
OUTCOME = {
    "hit": "pointing: hit",
    "beside": "pointing: a key beside it",
    "elsewhere": "pointing: a key elsewhere",
    "none": "pointing: no key in time",
}
END = "pointing end: {why}"
PAUSED = "pause"
GO_ON = "go on"
LOST = "the gaze stream is lost"
FOUND = "stream found"

HARD = "the keys have become hard to hit"
FINEST = "finer keys would be missed too often"
SILENT = "no key was chosen three times in a row, so it is time for a rest"
LONG = "it has lasted long enough"
