"""calibkit fit: a mapping from recordings."""

from __future__ import annotations

import argparse
import dataclasses
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from calibkit.joined import options

if TYPE_CHECKING:
    from calibkit.fitted.mapping import Mapping
    from calibkit.kept.recording import Recording

SUMMARY = "a mapping from a person's recordings"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `calibkit fit`."""
    parser.add_argument(
        "recordings", nargs="+", type=Path, metavar="REC", help="recording files"
    )
    parser.add_argument(
        "--shared",
        type=Path,
        metavar="FILE",
        help="what to start from: a shared mapping, the same person's earlier mapping, "
        "or starter-pupil-reflex, starter-screen, starter-webcam (simulated people)",
    )
    options.add_data(parser)
    options.add_output(parser, "MAPPING", "the mapping file to write")
    options.add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Fit, save, say what each target gave."""
    from calibkit.fitted.fitting import fit_all, load_prior, predicted_sd_deg
    from calibkit.judged import orientation
    from calibkit.kept.recording import Recording
    from calibkit.kept.store import sha256_of
    from calibkit.live import drift_reference

    options.check_output(args.output, force=args.force)
    options.spare(args.output, *args.recordings, args.shared)
    recordings = [Recording.load(path) for path in args.recordings]
    _one_person(recordings)
    shared = load_prior(args.shared) if args.shared else None
    hashes = [sha256_of(path) for path in args.recordings]
    taken = options.once(args.recordings, hashes)
    recordings = [recordings[k] for k in taken]
    mapping = fit_all(
        recordings,
        shared,
        eyes=args.eyes,
        extra=tuple(args.extra),
        min_confidence=args.min_confidence,
        recordings_sha256=tuple(hashes[k] for k in taken),
    )
    mapping = dataclasses.replace(
        mapping, source=drift_reference.noted(mapping.source, recordings[-1])
    )
    mapping.save(args.output, overwrite=args.force)
    if args.json:
        options.emit_json(
            {
                "mapping": str(args.output),
                "id": mapping.id,
                "eyes": list(mapping.eyes),
                "people": mapping.people,
                "predicted_sd_deg": predicted_sd_deg(mapping),
                "lag_s": mapping.lag_s,
                "notes": list(mapping.notes),
                "targets": [
                    dict(
                        zip(mapping.looks.dtype.names or (), row.tolist(), strict=True)
                    )
                    for row in mapping.looks
                ],
            }
        )
        return 0
    _tell(mapping, filter(None, map(orientation.note, recordings)))
    sd = predicted_sd_deg(mapping)
    options.say(f"{args.output}: expected error {sd:.2f} degrees (one sd, per axis)")
    return 0


def _one_person(recordings: Sequence[Recording]) -> None:
    """Refuse to mix people: their eyes differ more than any looks can mend."""
    from calibkit.errors import CallError

    people = sorted({rec.person for rec in recordings if rec.person})
    if len(people) > 1:
        raise CallError(
            f"the recordings are of {len(people)} persons ({', '.join(people[:5])}); "
            "name those of one person, or learn from many with calibkit share"
        )


def _tell(mapping: Mapping, turned: Iterable[str]) -> None:
    for row in mapping.looks:
        place = "moving" if row["x"] != row["x"] else f"{row['x']:.0f}, {row['y']:.0f}"
        options.emit(f"{place:>12}  weight {row['weight']:.2f}  {row['reason']}")
    for note in (*mapping.notes, *dict.fromkeys(turned)):
        options.say(f"note: {note}")
