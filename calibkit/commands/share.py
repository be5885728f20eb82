"""calibkit share: a shared mapping from the recordings of many persons."""

from __future__ import annotations

import argparse
from pathlib import Path

from calibkit.joined import options

SUMMARY = "a shared mapping from the recordings of three or more persons"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `calibkit share`."""
    parser.add_argument(
        "recordings", nargs="+", type=Path, metavar="REC", help="recording files"
    )
    options.add_data(parser)
    parser.add_argument(
        "--portable",
        action="store_true",
        help="to be passed on: fewer digits; refused with fewer than 20 persons",
    )
    options.add_output(parser, "SHARED", "the shared mapping to write")
    options.add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Learn, save, say what was learned and where it may be used."""
    from calibkit.fitted.features import said
    from calibkit.fitted.prior import ENOUGH_TO_EXPORT
    from calibkit.fitted.shared import learn_shared
    from calibkit.kept.recording import Recording
    from calibkit.kept.store import sha256_of

    options.check_output(args.output, force=args.force)
    options.spare(args.output, *args.recordings)
    recordings = [Recording.load(path) for path in args.recordings]
    hashes = [sha256_of(path) for path in args.recordings]
    shared = learn_shared(
        [recordings[k] for k in options.once(args.recordings, hashes)],
        eyes=args.eyes,
        extra=tuple(args.extra),
        min_confidence=args.min_confidence,
    )
    if args.portable:
        shared = shared.portable()
    shared.save(args.output, overwrite=args.force)
    if args.json:
        options.emit_json(
            {
                "shared": str(args.output),
                "id": shared.id,
                "people": shared.people,
                "eyes": list(shared.eyes),
                "features": list(shared.signature),
                "degree": shared.basis.degree,
                "covariates": list(shared.basis.covariates),
                "drift_deg": shared.noise.drift.tolist(),
                "may_be_exported": not shared.local,
                "notes": list(shared.notes),
            }
        )
        return 0
    covariates = ", ".join(shared.basis.covariates) or "none"
    options.emit(f"people       {shared.people}")
    options.emit(f"features     {said(shared.signature)}")
    options.emit(f"polynomial   degree {shared.basis.degree}; covariates: {covariates}")
    for note in shared.notes:
        options.say(f"note: {note}")
    if shared.local:
        options.say(
            f"fewer than {ENOUGH_TO_EXPORT} people: do not pass it on, single persons "
            "could be told from it"
        )
    options.say(f"{args.output}: written")
    return 0
