"""calibkit batch: many recordings, fitted, judged and tabulated."""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from calibkit.errors import InputError
from calibkit.joined import options
from calibkit.language import _, plural

if TYPE_CHECKING:
    from calibkit.batch.crew import Engine
    from calibkit.batch.driver import Plan, Step
    from calibkit.batch.summary import Summary, Trouble
    from calibkit.joined.wiring_stop import Stop

SUMMARY = "many recordings fitted, judged and tabulated; goes on where it was stopped"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `calibkit batch`."""
    parser.add_argument(
        "folders",
        nargs="+",
        type=Path,
        metavar="DIR",
        help="folders with recordings (.h5), and all folders in them",
    )
    parser.add_argument(
        "--targets",
        type=Path,
        metavar="TABLE2",
        help="a second table to write, one row per target",
    )
    parser.add_argument(
        "--page", type=Path, metavar="PAGE", help="a summary page to write (.html)"
    )
    options.add_output(
        parser,
        "TABLE",
        "the table to write, .csv or .parquet; what is done is kept beside it in "
        "TABLE.progress, so that the same command goes on",
    )
    options.add_json(parser)
    _add_fit(parser)
    _add_who(parser)


def _add_fit(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--shared",
        metavar="FILE",
        help="what each fit starts from: a shared mapping, or starter-pupil-reflex, "
        "starter-screen, starter-webcam (simulated people)",
    )
    options.add_data(parser)
    options.add_reliability(parser)


def _add_who(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--workers",
        type=options.number(1, 1024, whole=True),
        metavar="N",
        help="processes on this computer (one for each processor by default)",
    )
    parser.add_argument(
        "--scheduler",
        metavar="ADDRESS",
        help="work on many computers: the address of a running Dask scheduler, such "
        "as tcp://10.0.0.5:8786",
    )
    parser.add_argument(
        "--limit",
        type=options.number(1, 1e6, "s"),
        default=600.0,
        metavar="S",
        help="what one recording may take before it is given up (600 s by default)",
    )


def run(args: argparse.Namespace) -> int:
    """Check, work, tabulate, say what it came to."""
    from calibkit.batch.driver import batch
    from calibkit.joined.wiring_stop import stopping

    _check(args)
    plan = _plan(args)
    start_s = time.monotonic()
    with stopping() as stop:
        try:
            summary = batch(plan, _engine(args, plan), _teller(stop))
        except KeyboardInterrupt:
            kept = _(
                "what is done is kept in {file}; the same command goes on from there"
            )
            options.say(f"calibkit: {kept.format(file=plan.progress)}")
            raise
        finally:
            if sys.stderr is not None and sys.stderr.isatty():
                options.say("")  # below the line that was written in place
    if args.page:
        _write_page(args, plan, summary)
    return _say(args, plan, summary, time.monotonic() - start_s)


def _check(args: argparse.Namespace) -> None:
    """Refuse what cannot be written before anything is read."""
    from calibkit.batch.table import check_name
    from calibkit.errors import CallError

    outputs = [path for path in (args.output, args.targets, args.page) if path]
    if len({path.absolute() for path in outputs}) < len(outputs):
        raise CallError("two outputs have the same name; name a file for each")
    for path in outputs:
        options.check_output(path, force=args.force)
    for path in (args.output, args.targets):
        if path:
            check_name(path)
    if args.scheduler and args.workers:
        raise CallError(
            "--workers is for this computer and --scheduler for others; give one"
        )


def _plan(args: argparse.Namespace) -> Plan:
    from calibkit.batch.driver import Plan
    from calibkit.batch.settings import Settings
    from calibkit.fitted import starter
    from calibkit.fitted.fitting import load_prior
    from calibkit.kept.store import sha256_of

    shared, sha256 = args.shared or "", ""
    if shared:
        load_prior(shared)
        if shared not in starter.names():
            shared, sha256 = str(Path(shared).absolute()), sha256_of(shared)
    return Plan(
        folders=tuple(args.folders),
        table=args.output,
        targets=args.targets,
        overwrite=args.force,
        limit_s=args.limit,
        settings=Settings(
            shared=shared,
            shared_sha256=sha256,
            eyes=args.eyes,
            extra=tuple(args.extra),
            min_confidence=args.min_confidence,
            reliability=args.reliability,
        ),
    )


def _engine(args: argparse.Namespace, plan: Plan) -> Engine:
    if args.scheduler:
        from calibkit.batch.cluster import Cluster

        shared = [Path(plan.settings.shared)] if plan.settings.shared_sha256 else []
        return Cluster(args.scheduler, [*plan.folders, *shared])
    from calibkit.batch.crew import Crew

    return Crew(args.workers or os.cpu_count() or 1)


def _teller(stop: Stop) -> Callable[[Step], None]:
    from calibkit.batch.meter import Meter

    meter = Meter(live=sys.stderr is not None and sys.stderr.isatty())

    def tell(step: Step) -> None:
        if stop:
            raise KeyboardInterrupt
        line = meter.line(step, time.monotonic())
        if line is not None and meter.live:
            options.say(f"\r{line:<72}", end="")
        elif line is not None:
            options.say(line)

    return tell


def _write_page(args: argparse.Namespace, plan: Plan, summary: Summary) -> None:
    import calibkit
    from calibkit.batch.summary_page import render
    from calibkit.kept.store import write_bytes

    settings = plan.settings
    about = [
        (_("Table"), args.output.name),
        (_("Made"), time.strftime("%Y-%m-%d %H:%M UTC", time.gmtime())),
        (_("With"), f"calibkit {calibkit.__version__}"),
        (_("Each fit starts from"), Path(settings.shared).name or _("nothing")),
        (_("Eyes"), _(settings.eyes)),
    ]
    write_bytes(args.page, render(summary, about).encode(), args.force)


def _say(args: argparse.Namespace, plan: Plan, summary: Summary, seconds: float) -> int:
    if args.json:
        options.emit_json(
            {
                "table": str(args.output),
                "targets_table": str(args.targets) if args.targets else None,
                "page": str(args.page) if args.page else None,
                "progress": str(plan.progress),
                "seconds": seconds,
                **summary.plain(),
            }
        )
    else:
        for group in summary.trackers:
            text = _("{name}: {count} judged, median accuracy {median:.2f} degrees")
            options.emit(
                text.format(name=group.name, count=group.count, median=group.median_deg)
            )
    for trouble in summary.troubles:
        files = plural("{number} recording", "{number} recordings", trouble.count)
        text = _("not judged: {files} ({names}): {why}").format(
            files=files, names=_names(trouble), why=trouble.message
        )
        options.say(f"calibkit: {text}")
    options.say(f"{args.output}: {_counts(summary)}")
    return 0 if summary.judged + summary.fitted else InputError.exit_status


def _names(trouble: Trouble) -> str:
    """The files that had a trouble, or the first of them."""
    more = ", ..." if trouble.count > len(trouble.files) else ""
    return ", ".join(trouble.files) + more


def _counts(summary: Summary) -> str:
    judged = plural(
        "{number} recording judged", "{number} recordings judged", summary.judged
    )
    text = _("{judged}, {others} not").format(
        judged=judged, others=summary.failed + summary.fitted
    )
    if summary.other:
        text += ", " + plural(
            "{number} other file left out",
            "{number} other files left out",
            summary.other,
        )
    return text
