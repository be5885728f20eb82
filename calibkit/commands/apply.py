"""calibkit apply: calibrated gaze for a recording, as a table."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from calibkit.joined import options

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

SUMMARY = "calibrated gaze for a recording: time, x, y, sd_x, sd_y"
COLUMNS = ("time", "x", "y", "sd_x", "sd_y")
FORMAT, VERSION = "calibkit-gaze", 1


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `calibkit apply`."""
    parser.add_argument("mapping", type=Path, metavar="MAPPING", help="a mapping file")
    parser.add_argument("recording", type=Path, metavar="REC", help="a recording file")
    parser.add_argument(
        "--any-setup",
        action="store_true",
        help="apply it although the recording's screen or channels differ",
    )
    options.add_output(parser, "OUT", "the table to write: .csv, or .h5 for HDF5")
    options.add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Apply a mapping to every sample of a recording."""
    import numpy as np

    from calibkit.errors import CallError
    from calibkit.fitted.mapping import Mapping
    from calibkit.kept.recording import Recording

    options.check_output(args.output, force=args.force)
    options.spare(args.output, args.mapping, args.recording)
    if args.output.suffix.lower() not in (".csv", ".h5", ".hdf5"):
        raise CallError(f"{args.output} is neither .csv nor .h5; name one of these")
    mapping, rec = Mapping.load(args.mapping), Recording.load(args.recording)
    if not args.any_setup:
        mapping.check(rec)
    gaze = mapping.apply(rec.samples)
    table = np.column_stack([rec.time, gaze.xy, gaze.sd])
    _write(args.output, table, overwrite=args.force)
    seen = float(np.isfinite(gaze.xy[:, 0]).mean()) if len(table) else 0.0
    if args.json:
        told = {"table": str(args.output), "samples": len(table), "with_gaze": seen}
        options.emit_json(told)
        return 0
    options.say(f"{args.output}: {len(table)} samples, {100 * seen:.1f} % with gaze")
    return 0


def _write(path: Path, table: NDArray[np.float64], *, overwrite: bool) -> None:
    from calibkit.kept import store

    if path.suffix.lower() == ".csv":
        lines = [",".join(COLUMNS)]
        lines += [",".join(_cell(value) for value in row) for row in table.tolist()]
        store.write_bytes(path, ("\n".join(lines) + "\n").encode(), overwrite)
        return
    data = {f"/{name}": table[:, k].copy() for k, name in enumerate(COLUMNS)}
    tree = store.Tree(attrs={"/": {}}, data=data)
    store.write(path, tree, format=FORMAT, version=VERSION, overwrite=overwrite)


def _cell(value: float) -> str:
    """Nine decimals for a time, and NaN for what is not known."""
    return f"{value:.9f}".rstrip("0").rstrip(".") if value == value else "NaN"
