"""calibkit doctor: what this machine lacks, and the fix."""

from __future__ import annotations

import argparse

from calibkit.joined import options

SUMMARY = "what this machine lacks, and the fix"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `calibkit doctor`."""
    options.add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Examine the machine; 4 where something needed is missing."""
    from dataclasses import asdict

    from calibkit import language
    from calibkit.errors import DeviceError
    from calibkit.joined import doctor, doctor_probes

    if args.json:  # what programs read is the same in every language
        language.choose(language.SOURCE)
    checks = doctor.examine(doctor_probes.here(args.home))
    if args.json:
        options.emit_json(
            {
                "version": 1,
                "ready": doctor.ready(checks),
                "checks": [asdict(check) for check in checks],
            }
        )
    else:
        options.emit("\n".join(doctor.line(check) for check in checks))
    if doctor.lacking(checks):
        raise DeviceError(doctor.summary(checks).rstrip("."))
    if not args.json:
        options.emit(doctor.summary(checks))
    return 0
