"""The doctor's checks, each system's branches by injection, and one real run."""

from __future__ import annotations

import json
import re
import socket
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from test_journal import write

from calibkit import language
from calibkit.camera import models
from calibkit.cli import main
from calibkit.errors import DeviceError, StorageError
from calibkit.joined import (
    doctor,
    doctor_checks,
    doctor_ports,
    doctor_probes,
    wiring_priority,
)
from calibkit.joined.doctor_facts import Check, Probes
from calibkit.joined.doctor_ports import Listener
from calibkit.kept import journal_elsewhere
from calibkit.streams.lsl_config import remedy


class Ticks:
    def __init__(self, rate: float = 1.0) -> None:
        self.now, self.rate = 0.0, rate

    def __call__(self) -> float:
        self.now += 0.001 * self.rate
        return self.now


@pytest.fixture
def probes(tmp_path: Path) -> Probes:
    tmp_path.chmod(0o700)
    return Probes(
        system="Linux",
        machine="x86_64",
        python=(3, 11),
        environment={"DISPLAY": ":0"},
        versions={"numpy": "2.0.1", "pylsl": "1.18.6"},
        wanted=["numpy>=1.26", "pylsl>=1.17.6", 'pytest>=8; extra == "test"'],
        lsl_clock=Ticks(),
        steady_clock=Ticks(),
        wall_clock=lambda: 1.8e9,
        steps_s=1e-9,
        home=lambda: tmp_path,
        mode=doctor_probes._mode,
        writable=lambda path: True,
        free_bytes=lambda path: 10**11,
        programs=(),
        keyboards=1,
        sounds=0,
        has_module=lambda name: True,
        listeners=list,
    )


def named(probes: Probes, name: str) -> Check:
    return next(check for check in doctor.examine(probes) if check.name == name)


def test_a_whole_machine_lacks_nothing(probes: Probes) -> None:
    checks = doctor.examine(probes)
    assert not doctor.lacking(checks)
    assert doctor.ready(checks) == {"streams": True, "sessions": True}
    assert "silent" in named(probes, "sound").words


def no_library() -> float:
    raise DeviceError("liblsl is missing on this machine; do something")


@pytest.mark.parametrize(
    ("system", "machine", "fix"),
    [
        ("Linux", "aarch64", "PYLSL_LIB"),
        ("Darwin", "arm64", "brew install labstreaminglayer/tap/lsl"),
        ("Windows", "AMD64", "Visual C++ Redistributable"),
    ],
)
def test_liblsl_has_the_fix_of_each_system(
    probes: Probes, system: str, machine: str, fix: str
) -> None:
    """Source: ecosystem.md section 0, point 4: pylsl brings none on ARM Linux."""
    probes = replace(probes, system=system, machine=machine, lsl_clock=no_library)
    found = named(probes, "liblsl")
    assert found.state == "missing"
    assert fix in found.fix
    assert found.fix.lower() in remedy("liblsl", system, machine).lower()
    assert doctor.lacking(doctor.examine(probes))


def test_missing_and_old_libraries_come_with_one_line(probes: Probes) -> None:
    probes = replace(probes, versions={"numpy": "1.9.3", "pylsl": None})
    found = named(probes, "libraries")
    assert found.state == "missing"
    assert 'pip install --upgrade "numpy>=1.26" "pylsl>=1.17.6"' in found.fix


LACKS: list[tuple[dict[str, Any], str, str, str]] = [
    ({"python": (3, 10)}, "Python", "missing", "3.11"),
    ({"wall_clock": lambda: 0.0}, "clock", "limits", "1970"),
    ({"steps_s": 0.0156}, "clock", "limits", "16 ms"),
    ({"lsl_clock": Ticks(5.0)}, "clock", "limits", "evenly"),
    ({"writable": lambda p: False}, "home folder", "missing", "--home"),
    ({"free_bytes": lambda p: 10**6}, "disk space", "missing", "Free"),
    ({"free_bytes": lambda p: 5 * 10**8}, "disk space", "limits", "Free"),
    ({"environment": {}}, "display", "limits", "xvfb"),
    ({"environment": {}, "programs": ("Xvfb",)}, "display", "limits", "virtual"),
    (
        {"environment": {"WAYLAND_DISPLAY": "w"}},
        "display",
        "limits",
        "XWayland",
    ),
    ({"has_module": lambda n: False}, "PsychoPy", "limits", "calibkit[screen]"),
    ({"has_module": lambda n: False}, "camera", "limits", "calibkit[webcam]"),
    ({}, "camera", "limits", "calibkit camera --get-models"),
    (
        {"has_module": lambda n: False, "python": (3, 13)},
        "PsychoPy",
        "limits",
        "3.12",
    ),
    ({"has_module": lambda n: False}, "archive", "limits", "calibkit[archive]"),
    ({"keyboards": 0}, "keyboard", "limits", "--advance"),
    ({"keyboards": None}, "keyboard", "unknown", "window"),
    ({"sounds": None}, "sound", "unknown", "told"),
    ({"environment": {}, "system": "Windows"}, "display", "good", "display"),
    ({"environment": {}, "system": "Darwin"}, "display", "good", "display"),
    (
        {"environment": {"DISPLAY": ":0", "LSLAPICFG": "/no/such"}},
        "LSL configuration",
        "missing",
        "unset",
    ),
]


@pytest.mark.parametrize(("change", "name", "state", "word"), LACKS)
def test_each_lack_is_told_with_its_fix(
    probes: Probes, change: dict[str, Any], name: str, state: str, word: str
) -> None:
    found = named(replace(probes, **change), name)
    assert found.state == state
    assert word in found.words + found.fix


# Shell lines, paths and the system's own error stay as they are.
GIVEN = r"sudo .*|echo 'block.*pfctl|pip install .*|\S*/pytest-\S*|/no/such|No such .*"


def refused_home() -> Path:
    raise StorageError("besetzt")


def not_permitted() -> list[Listener]:
    raise OSError("gesperrt")


OPEN = [
    Listener(protocol="tcp", address="0.0.0.0", port=16572 + k, process=9)
    for k in range(10)
]


@pytest.mark.parametrize(
    "change",
    [
        *(row[0] for row in LACKS),
        *({"priority": lambda kind=kind: kind} for kind in wiring_priority.WORDS),
        *(
            {"lsl_clock": no_library, "system": s}
            for s in ("Linux", "Darwin", "Windows")
        ),
        {"versions": {}},
        {"sounds": 2},
        {"listeners": lambda: OPEN},
        {"listeners": not_permitted, "system": "Darwin"},
        {"home": refused_home},
        {"free_bytes": lambda path: 10**12},
    ],
)
def test_the_doctor_speaks_german_as_a_whole(
    probes: Probes, change: dict[str, Any]
) -> None:
    changed = replace(probes, **change)
    english = doctor.examine(changed)
    with language.speaking("de"):
        checks = doctor.examine(changed)
        told = "\n".join([*map(doctor.line, checks), doctor.summary(checks)])
    # What programs read of a check, and what is decided by it, has no language.
    assert [(c.name, c.state) for c in checks] == [(c.name, c.state) for c in english]
    for check, same in zip(checks, english, strict=True):
        if check.name not in ("libraries", "home folder"):  # names, a path
            assert check.words != same.words
    shown = re.sub(GIVEN, "", told)
    found = re.findall(
        r".*\b(?:the|is|are|of|not|and|or|to|run|no|on|with|this)\b.*", shown, re.I
    )
    assert not found, told


def test_german_figures_of_the_doctor(probes: Probes) -> None:
    with language.speaking("de"):
        line = doctor.line(
            named(replace(probes, free_bytes=lambda p: 10**12), "disk space")
        )
    assert line == "[gut] Speicherplatz: 1000,0 GB frei, etwa 11.628 Stunden Aufnahme."


def test_json_of_the_command_is_english_in_every_language(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    said = []
    try:
        for code in ("de", "en"):
            main(["doctor", "--json", "--language", code, "--home", str(tmp_path)])
            said.append(json.loads(capsys.readouterr().out)["checks"])
    finally:
        language.choose(None)
    # Ports and room change from one moment to the next.
    both = [
        [c for c in checks if c["name"] not in ("reach from outside", "disk space")]
        for checks in said
    ]
    assert both[0] == both[1]
    assert len(both[0]) > 8


def test_only_what_is_needed_decides(probes: Probes) -> None:
    bare = replace(probes, environment={}, has_module=lambda name: False, keyboards=0)
    checks = doctor.examine(bare)
    assert not doctor.lacking(checks)
    assert doctor.ready(checks) == {"streams": True, "sessions": False}


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no such bits")
def test_an_open_home_folder_is_told(probes: Probes, tmp_path: Path) -> None:
    tmp_path.chmod(0o755)
    found = named(probes, "home folder")
    assert found.state == "limits"
    assert "chmod 700" in found.fix


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no such bits")
def test_a_stored_file_that_lies_open_is_told(probes: Probes, tmp_path: Path) -> None:
    folder = tmp_path / "recordings" / "p-01"
    folder.mkdir(parents=True, mode=0o700)
    folder.parent.chmod(0o700)
    private, public = folder / "a.h5", folder / "b.h5"
    private.touch(0o600)
    assert "stored files" not in [c.name for c in doctor.examine(probes)]
    public.touch()
    public.chmod(0o644)
    (folder / "link").symlink_to(public)
    found = named(probes, "stored files")
    assert found.state == "limits"
    assert f"1 stored file(s) or folder(s), such as {public}" in found.words
    assert "chmod -R go=" in found.fix


def test_a_torn_session_is_told(probes: Probes, tmp_path: Path) -> None:
    away = tmp_path / "away"
    away.mkdir(mode=0o700)
    write(away / "one.journal", close=False)
    assert "unfinished recordings" not in [c.name for c in doctor.examine(probes)]
    journal_elsewhere.note(tmp_path, away / "one.journal")
    found = named(probes, "unfinished recordings")
    assert str(away / "one.journal") in found.words
    assert "import journal" in found.fix
    assert not doctor.lacking(doctor.examine(probes))


def test_a_home_below_a_file_is_missing(probes: Probes, tmp_path: Path) -> None:
    (tmp_path / "file").touch(0o600)
    found = named(replace(probes, home=lambda: tmp_path / "file" / "x"), "home folder")
    assert found.state == "missing"


def test_a_home_that_is_refused_is_missing(probes: Probes) -> None:
    def refuse() -> Path:
        raise StorageError("it belongs to another user")

    found = named(replace(probes, home=refuse), "home folder")
    assert found.state == "missing"
    assert "another user" in found.words


# The form of /proc/net/tcp: proc(5); these rows are invented.
TCP = """  sl  local_address rem_address   st tx_queue rx_queue tr tm->when retrnsmt   uid  timeout inode
   0: 00000000:40BC 00000000:0000 0A 00000000:00000000 00:00000000 00000000     0        0 111 1
   1: 0100007F:40BD 00000000:0000 0A 00000000:00000000 00:00000000 00000000     0        0 112 1
   2: 00000000:0016 00000000:0000 0A 00000000:00000000 00:00000000 00000000     0        0 113 1
   3: 00000000:40BE 0100007F:9999 01 00000000:00000000 00:00000000 00000000     0        0 114 1
"""  # noqa: E501
TCP6 = """  sl  local_address                         remote_address                        st
   0: 00000000000000000000000000000000:40BF 00000000000000000000000000000000:0000 0A 0:0 0:0 0 0 0 115
   1: 00000000000000000000000001000000:40C0 00000000000000000000000000000000:0000 0A 0:0 0:0 0 0 0 116
"""  # noqa: E501
NETSTAT = """
Aktive Verbindungen

  Proto  Lokale Adresse         Remoteadresse          Status           PID
  TCP    0.0.0.0:16572          0.0.0.0:0              ABHÖREN          4711
  TCP    127.0.0.1:16573        0.0.0.0:0              ABHÖREN          4711
  TCP    [::]:16574             [::]:0                 ABHÖREN          4711
  TCP    10.0.0.5:16575         10.0.0.9:50000         HERGESTELLT      4711
  UDP    0.0.0.0:16571          *:*                                     4711
"""
LSOF = "p4711\nPTCP\nn*:16572\nPTCP\nn127.0.0.1:16573\nPUDP\nn[::1]:16571\nPUDP\nn*:16574\n"  # noqa: E501


def places(listeners: list[Listener]) -> list[tuple[str, str, int, int]]:
    return [(one.protocol, one.address, one.port, one.process) for one in listeners]


def test_linux_tables_are_read() -> None:
    found = doctor_ports.from_proc(
        {"tcp": TCP, "tcp6": TCP6}, {"111": 7}, byteorder="little"
    )
    assert places(found) == [
        ("tcp", "0.0.0.0", 16572, 7),
        ("tcp", "127.0.0.1", 16573, 0),
        ("tcp", "0.0.0.0", 22, 0),
        ("tcp", "::", 16575, 0),
        ("tcp", "::1", 16576, 0),
    ]
    assert [one.port for one in doctor_ports.relevant(found)] == [16572, 16575]
    assert [one.port for one in doctor_ports.relevant(found, ours=[7])] == [
        16572,
        16575,
    ]


def test_windows_list_is_read_in_any_language() -> None:
    found = doctor_ports.from_netstat(NETSTAT)
    assert [one.port for one in found] == [16572, 16573, 16574, 16571]
    assert places(doctor_ports.relevant(found)) == [
        ("tcp", "0.0.0.0", 16572, 4711),
        ("tcp", "::", 16574, 4711),
        ("udp", "0.0.0.0", 16571, 4711),
    ]


def test_macos_list_is_read() -> None:
    found = doctor_ports.relevant(doctor_ports.from_lsof(LSOF))
    assert [(one.protocol, one.port) for one in found] == [
        ("tcp", 16572),
        ("udp", 16574),
    ]


@pytest.mark.skipif(sys.platform != "linux", reason="reads /proc")
@pytest.mark.parametrize(
    ("host", "reachable"), [("0.0.0.0", True), ("127.0.0.1", False)]
)
def test_a_real_listener_is_found(host: str, reachable: bool) -> None:
    """Source: the kernel's own table of a socket that this test opened."""
    with socket.socket() as server:
        server.bind((host, 0))
        server.listen()
        port = server.getsockname()[1]
        found = [one for one in doctor_probes._listeners("Linux") if one.port == port]
    assert len(found) == 1
    assert found[0].reachable == reachable


@pytest.mark.parametrize(
    ("system", "programs", "start"),
    [
        ("Windows", (), "netsh advfirewall"),
        ("Darwin", (), "echo 'block in quick on ! lo0"),
        ("Linux", ("ufw",), "sudo ufw deny"),
        ("Linux", ("firewall-cmd",), "sudo firewall-cmd"),
        ("Linux", (), "sudo nft"),
    ],
)
def test_each_system_has_its_line_to_close_ports(
    system: str, programs: tuple[str, ...], start: str
) -> None:
    line = doctor_ports.close_line(system, programs)
    assert line.startswith(start)
    assert "tcp" in line.lower()
    assert "udp" in line.lower()
    assert "16571" in line
    assert "16604" in line


def test_open_ports_are_named_with_the_honest_sentence(probes: Probes) -> None:
    listener = Listener(protocol="tcp", address="0.0.0.0", port=16572, process=9)
    found = named(replace(probes, listeners=lambda: [listener]), "reach from outside")
    assert found.state == "limits"
    assert "tcp 0.0.0.0:16572 (process 9)" in found.words
    assert "not encrypted and need no password" in found.words


def test_ports_that_cannot_be_listed_are_unknown(probes: Probes) -> None:
    def refuse() -> list[Listener]:
        raise OSError("not permitted")

    found = doctor_checks.reach(replace(probes, listeners=refuse))
    assert found.state == "unknown"
    assert "not encrypted" in found.words


def test_the_command_on_this_machine(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    status = main(["doctor", "--json", "--home", str(tmp_path / "new")])
    said = capsys.readouterr()
    found = json.loads(said.out)
    missing = [c["name"] for c in found["checks"] if c["state"] == "missing"]
    assert status == (4 if missing else 0)
    assert found["ready"]["streams"] == (not missing)
    assert not (tmp_path / "new").exists()
    assert "Traceback" not in said.err


def test_text_names_the_fix_below_each_lack() -> None:
    check = Check(name="liblsl", state="missing", words="It is missing.", fix="Run: x")
    assert doctor.line(check) == "[MISSING] liblsl: It is missing.\n    Run: x"


def test_a_camera_needs_models_and_better_litert(
    probes: Probes, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(models, "missing", lambda home: [])
    assert named(probes, "camera").state == "good"
    slow = replace(probes, has_module=lambda name: name != "ai_edge_litert")
    assert "LiteRT" in named(slow, "camera").words
    assert "calibkit[webcam]" in named(slow, "camera").fix
    assert not doctor.lacking(doctor.examine(slow))
