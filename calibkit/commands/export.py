"""calibkit export: recordings for other people's programs."""

from __future__ import annotations

import argparse
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

from calibkit.joined import options

if TYPE_CHECKING:
    from calibkit.fitted.mapping import Mapping

SUMMARY = "recordings as a BIDS data set, or as plain CSV tables"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `calibkit export`."""
    parser.add_argument(
        "kind",
        choices=("bids", "csv"),
        help="bids: a BIDS 1.11 eye-tracking data set; csv: tables of samples, targets "
        "and events, with the set-up in JSON",
    )
    parser.add_argument(
        "recordings", nargs="+", type=Path, metavar="REC", help="recording files"
    )
    options.add_output(parser, "DIR", "the folder to make")
    parser.add_argument(
        "--mapping",
        type=Path,
        metavar="M",
        help="a mapping file that calibrates all of them; without one, bids fits each "
        "recording's own calibration targets, and csv writes raw samples only",
    )
    parser.add_argument(
        "--shared",
        type=Path,
        metavar="S",
        help="what the fits of bids start from, as in `calibkit fit`",
    )
    parser.add_argument(
        "--task",
        metavar="LABEL",
        default="looking",
        help="what the person did, for the names of bids (default %(default)s)",
    )
    parser.add_argument(
        "--title",
        metavar="TEXT",
        default="Gaze recordings",
        help="the name of the data set of bids (default %(default)s)",
    )
    options.add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Write them."""
    from calibkit.errors import CallError
    from calibkit.fitted.mapping import Mapping

    mapping = None if args.mapping is None else Mapping.load(args.mapping)
    if mapping is not None and args.shared is not None:
        raise CallError("--mapping and --shared are both given; give one of them")
    if args.kind == "bids":
        return _bids(args, mapping)
    if args.shared is not None:
        raise CallError("csv fits nothing, so --shared has no use; give --mapping")
    return _csv(args, mapping)


def _bids(args: argparse.Namespace, mapping: Mapping | None) -> int:
    from calibkit.archive import bids
    from calibkit.fitted.fitting import load_prior

    plan = bids.Plan(
        title=args.title,
        task=args.task,
        mapping=mapping,
        shared=None if args.shared is None else load_prior(args.shared),
    )
    written = bids.export(
        args.recordings, args.output, plan, replace=args.force, tell=options.say
    )
    if args.json:
        rows = [asdict(one) for one in written]
        options.emit_json({"version": 1, "folder": args.output, "recordings": rows})
    for one in written:
        if one.note:
            options.say(f"note: {one.recording}: {one.note}")
    return 0


def _csv(args: argparse.Namespace, mapping: Mapping | None) -> int:
    from calibkit.archive import csv_tables

    places = csv_tables.export(
        args.recordings, args.output, mapping, replace=args.force, tell=options.say
    )
    if args.json:
        pairs = zip(args.recordings, places, strict=True)
        rows = [{"recording": path, "folder": place} for path, place in pairs]
        options.emit_json({"version": 1, "folder": args.output, "recordings": rows})
    return 0
