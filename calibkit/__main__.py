"""Run calibkit as `python -m calibkit`."""

from calibkit.cli import entry

entry()
