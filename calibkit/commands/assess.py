"""calibkit assess: how good a mapping is on a recording, and which keys it supports."""

from __future__ import annotations

import argparse
from collections.abc import Mapping as Values
from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calibkit.errors import InputError
from calibkit.joined import options
from calibkit.language import _

if TYPE_CHECKING:
    from calibkit.judged.assess_figures import Assessment, Figures
    from calibkit.judged.assess_targets import Applies
    from calibkit.judged.keys import UsableKeys
    from calibkit.kept.recording import Recording
    from calibkit.report.data import Report

SUMMARY = "accuracy, precision, loss and usable keys of a mapping on a recording"
ROLES = ("validation", "calibration", "pointing")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `calibkit assess`."""
    parser.add_argument("mapping", type=Path, metavar="MAPPING", help="a mapping file")
    parser.add_argument("recording", type=Path, metavar="REC", help="a recording file")
    parser.add_argument(
        "--role",
        choices=ROLES,
        default="validation",
        help="which targets to judge on (validation by default)",
    )
    options.add_reliability(parser)
    parser.add_argument(
        "--compare",
        nargs="*",
        action="extend",
        default=None,
        metavar="OTHER",
        help="other mapping files, or kinds of mapping to fit to the recording's "
        "calibration targets: offset, affine, quadratic, quadratic-robust, "
        "thin-plate, hierarchical (all kinds where none is named); may be repeated",
    )
    parser.add_argument(
        "--any-setup",
        action="store_true",
        help="assess although the recording's screen or channels differ",
    )
    options.add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Assess, compare, say it."""
    from calibkit import language
    from calibkit.fitted.mapping import Mapping
    from calibkit.judged.assess_targets import assess
    from calibkit.judged.keys import usable_keys
    from calibkit.kept.recording import Recording
    from calibkit.report import terminal
    from calibkit.report.build import build

    if args.json:  # what programs read is the same in every language
        language.choose(language.SOURCE)
    mapping, rec = Mapping.load(args.mapping), Recording.load(args.recording)
    if not args.any_setup:
        mapping.check(rec)
    result = assess(mapping, rec, args.role)
    keys = usable_keys(result, setup=rec.setup, reliability=args.reliability)
    others, left_out = _others(args, rec)
    report = build(
        title=_("{mapping} on {recording}").format(
            mapping=args.mapping.name, recording=args.recording.name
        ),
        made="",
        mapping=mapping,
        result=result,
        keys=keys,
    )
    if args.json:
        options.emit_json(_data(args, report, result, keys, others, left_out))
        return 0
    options.emit(terminal.text(report, annex=False).rstrip())
    if others:
        options.emit("\n" + "\n".join(_side_by_side(args.mapping.name, result, others)))
    for name, why in left_out.items():
        options.say(_("{name} is left out: {why}").format(name=name, why=why))
    return 0


def _others(
    args: argparse.Namespace, rec: Recording
) -> tuple[dict[str, Assessment], dict[str, str]]:
    """Judge what is set beside the mapping; say why some cannot be fitted here."""
    from calibkit.judged.assess_targets import assess

    found: dict[str, Assessment] = {}
    left_out: dict[str, str] = {}
    for name in _compared(args.compare):
        other = _other(name, rec, any_setup=args.any_setup)
        if isinstance(other, InputError):
            left_out[name] = str(other)
        else:
            found[name] = assess(other, rec, args.role)
    return found, left_out


def _compared(names: list[str] | None) -> tuple[str, ...]:
    """Return what to set beside the mapping: every kind where the flag names none."""
    from calibkit.fitted import rivals

    return rivals.NAMES if names == [] else tuple(names or ())


def _data(
    args: argparse.Namespace,
    report: Report,
    result: Assessment,
    keys: UsableKeys,
    others: Values[str, Assessment],
    left_out: Values[str, str],
) -> dict[str, Any]:
    compared = [
        {"name": n, **_figures(o), **_difference(result, o)} for n, o in others.items()
    ]
    return {
        "mapping": str(args.mapping),
        "recording": str(args.recording),
        "role": args.role,
        **_figures(result),
        "eyes": {eye: _figures(one) for eye, one in result.eyes.items()},
        "targets": _rows(result),
        "keys": {field.name: getattr(keys, field.name) for field in fields(keys)},
        "advice": list(report.advice),
        "compare": compared,
        "left_out": dict(left_out),
    }


def _other(name: str, rec: Recording, *, any_setup: bool) -> Applies | InputError:
    """Load a mapping file, or fit a kind of mapping; return why it cannot be fitted."""
    from calibkit.errors import CallError
    from calibkit.fitted import rivals
    from calibkit.fitted.mapping import Mapping

    if name in rivals.NAMES:
        try:
            return rivals.fit_rival(name, rec)
        except InputError as why:  # the others are shown all the same
            return why
    if not Path(name).is_file():
        raise CallError(
            f"--compare {name} is neither a mapping file nor one of "
            f"{', '.join(rivals.NAMES)}; give one of these"
        )
    mapping = Mapping.load(Path(name))
    if not any_setup:
        mapping.check(rec)
    return mapping


def _figures(found: Figures) -> dict[str, float]:
    from calibkit.judged.assess_figures import Figures

    names = [field.name for field in fields(Figures) if field.name != "targets"]
    return {name: getattr(found, name) for name in names}


def _rows(result: Assessment) -> list[dict[str, Any]]:
    names = result.targets.dtype.names or ()
    return [
        {**dict(zip(names, row.tolist(), strict=True)), "reason": reason}
        for row, reason in zip(result.targets, result.reasons, strict=True)
    ]


def _difference(one: Assessment, other: Assessment) -> dict[str, float]:
    """How much closer the other is, on the same targets, with its 95 % interval."""
    import math

    import numpy as np

    from calibkit.judged.quality import mean_interval

    apart = one.targets["accuracy_deg"] - other.targets["accuracy_deg"]
    known = apart[np.isfinite(apart)]
    low, high = mean_interval(known, low=-math.inf)
    return {
        "closer_deg": float(known.mean()) if len(known) else math.nan,
        "closer_low_deg": low,
        "closer_high_deg": high,
    }


def _side_by_side(
    name: str, result: Assessment, others: dict[str, Assessment]
) -> list[str]:
    from calibkit.report import terminal, words

    head = (
        *(_("Mapping"), _("Accuracy"), _("95 % interval"), _("Worst"), _("SD")),
        _("Against the first"),
    )
    rows = []
    for other, found in ((name, result), *others.items()):
        low, high = found.accuracy_low_deg, found.accuracy_high_deg
        rows.append(
            (
                other,
                words.degrees(found.accuracy_deg),
                words.interval(low, high, "degrees"),
                words.degrees(found.accuracy_max_deg),
                words.degrees(found.precision_sd_deg),
                "" if found is result else _verdict(_difference(result, found)),
            )
        )
    return terminal.table(head, rows)


def _verdict(apart: dict[str, float]) -> str:
    low, high = apart["closer_low_deg"], apart["closer_high_deg"]
    closer = apart["closer_deg"]
    if low == high == 0:
        return _("the same")
    if low != low:
        return _("too few targets to tell")
    text = _("can't tell: {off:+.2f}° ({low:+.2f} to {high:+.2f})")
    if low > 0:
        text = _("closer by {off:.2f}° ({low:+.2f} to {high:+.2f})")
    elif high < 0:
        text = _("farther by {off:.2f}° ({low:+.2f} to {high:+.2f})")
        closer, low, high = -closer, -high, -low  # of how much farther, as it says
    return text.format(off=closer, low=low, high=high)
