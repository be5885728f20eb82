"""An experiment as a user of the Builder would put it together, made in code.

`python THIS FOLDER STREAM PROTOCOL` saves it, loads it again and writes its script, all
in the folder; what it found on the way is printed as one line of JSON.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

from psychopy import experiment, plugins
from psychopy.experiment.components import getAllCategories, getAllComponents
from psychopy.experiment.routines import getAllStandaloneRoutines

SESSION, GAZE = "CalibkitSessionRoutine", "CalibkitGazeComponent"


def put_together(stream: str, protocol: str) -> Any:
    """A calibration, then a loop of a trial and a check of one point."""
    exp = experiment.Experiment()
    settings = exp.settings.params
    settings["Full-screen window"].val = False
    settings["Window size (pixels)"].val = [1000, 700]
    settings["Show info dlg"].val = False
    settings["Experiment info"].val = {"participant": "heron", "session": "001"}
    session = getAllStandaloneRoutines()[SESSION]
    first = session(
        exp,
        name="fit_gaze",
        protocolName=protocol,
        streamId=stream,
        withinDeg="4",
        tries="2",
    )
    check = session(
        exp, name="point", whatToDo="one-point", streamId=stream, goesOn="key"
    )
    for routine in (first, check):
        exp.addStandaloneRoutine(routine.name, routine)
    trial = exp.addRoutine("trial")
    components = getAllComponents()
    word = components["TextComponent"](exp, "trial", name="word", text="Look here")
    word.params["stopVal"].val = "1.2"
    trial.addComponent(word)
    trial.addComponent(
        components[GAZE](exp, "trial", name="seen", streamId=stream, fromTime="0.2")
    )
    exp.flow.addRoutine(first, 0)
    exp.flow.addRoutine(trial, 1)
    exp.flow.addRoutine(check, 2)
    loop = experiment.loops.TrialHandler(
        exp, name="trials", loopType="sequential", nReps=2
    )
    exp.flow.addLoop(loop, 1, 3)
    return exp


def main(folder: Path, stream: str, protocol: str) -> None:
    plugins.scanPlugins()
    plugins.activatePlugins()
    made = put_together(stream, protocol)
    saved = str(folder / "trials.psyexp")
    made.saveToXML(saved)
    again = experiment.Experiment()
    again.loadFromXML(saved)
    script = again.writeScript(expPath=saved, target="PsychoPy")
    (folder / "trials.py").write_text(script, encoding="utf-8")
    routine, component = again.routines["fit_gaze"], again.routines["trial"][-1]
    found = {
        "loaded": plugins.isPluginLoaded("calibkit"),
        "categories": [one for one in getAllCategories() if one == "calibkit"],
        "types": [type(routine).__name__, type(component).__name__],
        "labels": [str(param.label) for param in routine.params.values()],
        "kept": [routine.params[k].val for k in ("protocolName", "withinDeg", "tries")],
        "icons": [str(Path(one.iconFile)) for one in (type(routine), type(component))],
        "templates": [
            sorted(one.getTemplateJSON()["params"])
            for one in (type(routine), type(component))
        ],
    }
    print(json.dumps(found))


if __name__ == "__main__":
    main(Path(sys.argv[1]), *sys.argv[2:])
