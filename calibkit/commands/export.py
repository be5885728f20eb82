"""calibkit export: recordings for other people's programs."""

from __future__ import annotations

import argparse
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

from calibkit.joined import options

if TYPE_CHECKING:
    from calibkit.fitted.mapping import Mapping
    from calibkit.judged.assess_figures import Assessment
    from calibkit.kept.recording import Recording

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
    parser.add_argument(
        "--pages",
        action="store_true",
        help="with bids: also a page on each calibration, in derivatives/calibkit",
    )
    options.add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Write them."""
    from calibkit.errors import CallError
    from calibkit.fitted.mapping import Mapping

    options.spare(args.output, *args.recordings, args.mapping, args.shared)
    mapping = None if args.mapping is None else Mapping.load(args.mapping)
    if mapping is not None and args.shared is not None:
        raise CallError("--mapping and --shared are both given; give one of them")
    if args.kind == "bids":
        return _bids(args, mapping)
    if args.shared is not None or args.pages:
        raise CallError(
            "csv fits and judges nothing, so --shared and --pages have no use; leave "
            "them out"
        )
    return _csv(args, mapping)


def _bids(args: argparse.Namespace, mapping: Mapping | None) -> int:
    from calibkit.archive import bids
    from calibkit.fitted.fitting import load_prior

    plan = bids.Plan(
        title=args.title,
        task=args.task,
        mapping=mapping,
        shared=None if args.shared is None else load_prior(args.shared),
        page=_page if args.pages else None,
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


def _page(
    path: Path, rec: Recording, mapping: Mapping, result: Assessment | None
) -> str:
    """Make the page on one recording; it names the recording's date, not today's."""
    import calibkit
    from calibkit.judged.keys import usable_keys
    from calibkit.report import page
    from calibkit.report.build import build

    report = build(
        title=f"Gaze calibration of {rec.person or path.name}",
        made=f"{rec.created} with calibkit {calibkit.__version__}".strip(),
        mapping=mapping,
        result=result,
        keys=None if result is None else usable_keys(result, setup=rec.setup),
    )
    return page.render(report)


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
