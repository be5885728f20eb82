"""Work out a report from a mapping, an assessment, a history: whichever there are."""

from __future__ import annotations

import math
from collections.abc import Mapping as Values
from collections.abc import Sequence
from typing import Any

from calibkit.fitted.mapping import Mapping
from calibkit.geometry import Setup
from calibkit.judged.assess_figures import Assessment, Figures
from calibkit.judged.keys import UsableKeys
from calibkit.judged.keys_predict import miss_probability, predict
from calibkit.language import Said, _, decimal, later, plural
from calibkit.report import advice, words
from calibkit.report.data import (
    CAUTIONS,
    Earlier,
    EyeRow,
    Figure,
    LookRow,
    Report,
    TargetRow,
)
from calibkit.report.reasons import said

_EYES = {"both": later("both"), "left": later("left"), "right": later("right")}
_MADE_FROM = {
    "person": later("person"),
    "session": later("session"),
    "created": later("created"),
    "source_id": later("source id"),
    "stream": later("stream"),
}
NO_MAPPING = later("There is no mapping here, so gaze could not be judged.")


def build(
    *,
    title: str,
    made: str,
    mapping: Mapping | None,
    result: Assessment | None,
    keys: UsableKeys | None,
    about: Sequence[tuple[str, str]] = (),
    technical: Sequence[tuple[str, str]] = (),
    history: Sequence[Values[str, Any]] = (),
    troubles: Sequence[str] = (),
) -> Report:
    """Work out a report from what there is; what is missing is said in words.

    Parameters
    ----------
    title : str
    made : str
        When, as it shall be shown.
    mapping : Mapping, optional
    result : Assessment, optional
    keys : UsableKeys, optional
        Of that assessment.
    about, technical : sequences of (label, text)
        Who and where; and for the annex.
    history : sequence of dict
        Earlier attempts as `records.history` gives them, oldest first.
    troubles : sequence of str
        What could not be judged, and why.

    Returns
    -------
    Report
    """
    setup = result.setup if result else mapping.setup if mapping else None
    return Report(
        title=title,
        made=made,
        about=tuple(about),
        headline=words.headline(keys),
        explained=words.explained(keys),
        sentences=_sentences(result),
        advice=advice.advice(result, keys) if result and keys else (),
        keys=keys,
        hits=_hits(result, keys),
        setup=setup,
        figures=_figures(result) if result else (),
        eyes=_eyes(result) if result else (),
        targets=_targets(result) if result else (),
        looks=_looks(mapping) if mapping else (),
        notes=(*troubles, *_notes(mapping)),
        cautions=tuple(_(text) for text in CAUTIONS),
        history=tuple(_earlier(entry) for entry in history),
        technical=(*_setup_lines(setup), *_technical(mapping, result), *technical),
        gaze_px=result.gaze_px if result else (),
    )


def _notes(mapping: Mapping | None) -> tuple[str, ...]:
    if mapping is None:
        return (_(NO_MAPPING),)
    return tuple(said(note) for note in mapping.notes)


def _sentences(result: Assessment | None) -> tuple[str, ...]:
    if result is None:
        return ()
    return (
        words.accuracy(result.setup, result.accuracy_deg),
        words.loss(result.loss, result.absent),
    )


def _hits(
    result: Assessment | None, keys: UsableKeys | None
) -> tuple[tuple[float, ...], ...]:
    if result is None or keys is None or not keys.rows:
        return ()
    prediction = predict(result.targets, result.setup)
    if prediction is None:
        return ()
    miss = miss_probability(prediction, result.setup, keys.rows, keys.columns)
    return tuple(tuple(float(1 - value) for value in row) for row in miss)


def _figures(result: Assessment) -> tuple[Figure, ...]:
    def angle(name: str, label: str, meaning: str) -> Figure:
        value = getattr(result, f"{name}_deg")
        return Figure(
            name=label,
            value=value,
            low=getattr(result, f"{name}_low_deg", math.nan),
            high=getattr(result, f"{name}_high_deg", math.nan),
            form="degrees",
            mm=words.mm_on_screen(result.setup, value),
            meaning=meaning,
        )

    return (
        angle(
            "accuracy",
            _("Accuracy, mean over targets"),
            _("angle from each target to the mean gaze point"),
        ),
        angle(
            "accuracy_median", _("Accuracy, median over targets"), _("half are closer")
        ),
        angle("accuracy_max", _("Accuracy, worst target"), _("the largest of them")),
        angle(
            "precision_sd",
            _("Precision, SD"),
            _("how widely gaze scatters about its mean point"),
        ),
        angle(
            "precision_rms",
            _("Precision, RMS sample to sample"),
            _("how much gaze jumps from one sample to the next"),
        ),
        Figure(
            name=_("Data loss"),
            value=result.loss,
            low=result.loss_low,
            high=result.loss_high,
            form="share",
            mm=math.nan,
            meaning=_(
                "samples expected but not seen, of the whole time of the targets"
            ),
        ),
    )


def _eyes(result: Assessment) -> tuple[EyeRow, ...]:
    names = ("accuracy_deg", "precision_rms_deg", "precision_sd_deg", "loss")

    def row(eye: str, figures: Figures) -> EyeRow:
        return EyeRow(
            eye=_(_EYES[eye]), **{name: getattr(figures, name) for name in names}
        )

    order = ("both", "left", "right")
    return tuple(row(eye, result.eyes[eye]) for eye in order if _there(result, eye))


def _there(result: Assessment, eye: str) -> bool:
    return eye == "both" or not math.isnan(result.eyes[eye].accuracy_deg)


def _targets(result: Assessment) -> tuple[TargetRow, ...]:
    return tuple(
        TargetRow(
            number=k + 1,
            place=words.place(result.setup, row["x"], row["y"]),
            x=float(row["x"]),
            y=float(row["y"]),
            accuracy_deg=float(row["accuracy_deg"]),
            right_deg=float(row["offset_x_deg"]),
            down_deg=float(row["offset_y_deg"]),
            precision_rms_deg=float(row["precision_rms_deg"]),
            precision_sd_deg=float(row["precision_sd_deg"]),
            loss=float(row["loss"]),
            samples=int(row["samples"]),
            direction=words.direction(row["offset_x_deg"], row["offset_y_deg"]),
            reason=said(reason),
            covariance_deg2=(
                float(row["variance_x_deg2"]),
                float(row["variance_y_deg2"]),
                float(row["covariance_deg2"]),
            ),
        )
        for k, (row, reason) in enumerate(
            zip(result.targets, result.reasons, strict=True)
        )
    )


def _looks(mapping: Mapping) -> tuple[LookRow, ...]:
    return tuple(
        LookRow(
            number=k + 1,
            place=words.place(mapping.setup, row["x"], row["y"]),
            weight=float(row["weight"]),
            samples=int(row["samples"]),
            verdict=_verdict(float(row["weight"])),
            reason=said(str(row["reason"])),
        )
        for k, row in enumerate(mapping.looks)
    )


def _verdict(weight: float) -> str:
    if weight >= 0.5:
        return _("counted")
    return _("counted a little") if weight > 0.05 else _("left out")


def _earlier(entry: Values[str, Any]) -> Earlier:
    def number(name: str) -> float:
        value = entry.get(name)
        return float(value) if isinstance(value, int | float) else math.nan

    kept = {True: _("yes"), False: _("no")}.get(entry.get("kept"), "")  # type: ignore[arg-type]
    rows, columns = number("rows"), number("columns")
    return Earlier(
        when=str(entry.get("created", ""))[:16].replace("T", " "),
        kind=words.kind(str(entry.get("kind", ""))),
        protocol=str(entry.get("protocol", "")),
        accuracy_deg=number("accuracy_deg"),
        loss=number("loss"),
        rows=0 if math.isnan(rows) else int(rows),
        columns=0 if math.isnan(columns) else int(columns),
        kept=kept,
    )


def _setup_lines(setup: Setup | None) -> tuple[tuple[str, str], ...]:
    if setup is None:
        return ()
    wide, high = setup.screen_px
    return (
        (
            _("Screen"),
            f"{wide} x {high} px, {setup.screen_mm[0]:g} x {setup.screen_mm[1]:g} mm",
        ),
        (_("Distance of the eyes"), f"{setup.viewpoint_mm[2]:g} mm"),
        (
            _("1 degree, seen straight ahead"),
            f"{decimal(words.mm_on_screen(setup, 1), 1)} mm",
        ),
    )


def _technical(
    mapping: Mapping | None, result: Assessment | None
) -> tuple[tuple[str, str], ...]:
    lines: list[tuple[str, str]] = []
    if mapping is not None:
        lines += [
            (_("Mapping"), f"id {mapping.id}"),
            (_("Eyes used"), ", ".join(_(_EYES[eye]) for eye in mapping.eyes)),
            (_("Prior"), plural("{number} person", "{number} persons", mapping.people)),
            *[
                (_("Made from, {what}").format(what=_(_MADE_FROM[name])), text)
                for name, text in mapping.source.items()
                if text and name in _MADE_FROM  # others are for programs
            ],
        ]
    if result is not None:
        hertz = Said("{rate:.1f} Hz")
        lines += [
            (_("Role of the targets judged"), words.kind(result.role)),
            (_("Rate for counting loss"), hertz.format(rate=result.rate_hz)),
            (_("Rate by the time stamps"), hertz.format(rate=result.measured_rate_hz)),
            (_("Accuracy"), _("offset of the mean gaze point, exact angle off-axis")),
            (
                _("Precision SD"),
                _("root of the summed variances of both axes, n - 1"),
            ),
            (_("Intervals"), _("95 %, Student's t over targets")),
        ]
    return tuple(lines)
