"""The list of what must never happen: each with the tests that prove it.

A test that is named here must exist, run and assert. What can be seen in the code
itself is checked here. Source: the project's list of hazards; WCAG 2.3.1 for flashes.
"""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Collection
from pathlib import Path

import pytest
from proofs import asserts, prove

from calibkit import cli
from calibkit.errors import CalibkitError

TESTS = Path(__file__).parent
PACKAGE = TESTS.parent / "calibkit"
NEVER = {
    "1 replace a working mapping by one that was not judged": (
        "test_run:test_worse_mapping_is_6_and_replaces_nothing",
        "test_run:test_mirrored_folded_far_and_empty_mappings_are_faults",
        "test_profile:test_a_candidate_is_stored_but_never_used_by_itself",
    ),
    "2 leave no mapping": (
        "test_profile:test_a_failure_at_every_step_keeps_the_last_good_one",
        "test_crashes:test_any_call_that_fails_while_saving",
        "test_crashes:test_kill_while_saving",
        "test_run:test_interrupted_is_130_and_the_recording_is_kept",
        "live/test_own:test_the_trackers_own_answer_until_a_mapping_is_sound",
    ),
    "3 emit what is not finite, stale or made up as valid": (
        "test_publisher:test_where_valid_all_is_finite_and_else_nothing_is_said",
        "test_publisher:test_a_place_without_its_sd_is_not_valid",
        "test_publisher:test_backlog_of_a_frozen_tracker_is_dropped",
        "live/test_faults:test_every_row_is_one_mapping_of_one_sample_whatever_happens",
    ),
    "4 mix two mappings in one sample": (
        "test_publisher:test_swap_of_mappings_is_whole",
        "live/test_faults:test_every_row_is_one_mapping_of_one_sample_whatever_happens",
    ),
    '5 say "saved" before it is': (
        "test_crashes:test_any_call_that_fails_while_saving",
        "test_crashes:test_power_cut_while_saving",
    ),
    "6 edit the only copy": (
        "test_profile:test_a_version_never_changes",
        "test_disk:test_a_failure_keeps_the_old_file",
    ),
    "7 delete a mapping in use or the last good one": (
        "test_profile:test_retention",
        "test_profile:test_retention_counts_good_ones_only",
        "test_held:test_what_somebody_talks_by_is_not_deleted",
    ),
    "8 stop the publisher for an update, a disk, a file or a dialog": (
        "test_wiring:test_a_newer_mapping_is_taken_over_and_a_bad_one_is_not",
        "test_wiring:test_a_closed_terminal_does_not_stop_the_gaze",
        "test_drift_join:test_a_fault_of_the_watcher_never_stops_the_gaze",
        "live/test_faults:test_a_reader_that_stops_reading_stops_nothing",
        "live/test_faults:test_every_row_is_one_mapping_of_one_sample_whatever_happens",
    ),
    "9 let a recording's failure stop the publisher": (
        "test_never:test_the_publisher_records_nothing",
    ),
    "10 switch device or person silently": (
        "test_wiring:test_only_the_same_stream_takes_the_place_of_a_lost_one",
        "test_wiring:test_twins_at_the_return_are_not_chosen_between",
        "test_profile:test_the_snapshot_of_another_person_is_refused",
    ),
    "11 need mouse, keyboard or speech to get the voice back": (
        "test_never:test_the_publisher_asks_nothing",
        "test_lsl_live:test_a_worker_that_is_killed_comes_back_until_told_to_stop",
        "live/test_faults:test_a_killed_worker_is_back_within_300_ms",
    ),
    "12 more than three flashes a second": (
        "test_screen:test_no_shipped_protocol_flashes",
        "test_screen:test_no_form_flashes_even_breathing_at_the_limit",
        "test_protocol_pictures:test_pictures_that_would_flash_are_refused",
    ),
    "13 louder than set": ("test_sound:test_never_louder_than_20_db_below_full_scale",),
    "14 open foreign HDF5 in the publisher or a session": (
        "live/test_streams:test_publishing_process_never_loads_the_hdf5_library",
        "test_reader:test_a_foreign_file_is_parsed_in_another_process",
        "test_reader:test_hostile_files_are_refused",
        "test_reader:test_mutated_foreign_files_never_take_us_down",
    ),
    "15 run code from a data file": ("test_never:test_no_data_is_ever_run",),
    "16 put a name into a file name, stream or log": (
        "test_profile:test_person_ids",
        "test_never:test_streams_carry_no_person",
    ),
    "17 send data off the machine": (
        "test_never:test_only_these_modules_know_the_network",
        "test_lsl:test_loopback_is_the_default_and_a_session_separates",
    ),
    "18 block on the network": (
        "test_lsl_live:test_a_slow_or_silent_outlet_is_not_waited_for",
        "test_wiring:test_waiting_ends_with_status_4_and_stopping_with_nothing",
    ),
    "19 hang without telling": (
        "test_never:test_every_child_has_a_limit",
        "test_reader:test_a_child_that_takes_too_long_is_ended",
        "test_publisher:test_states_are_told_once_each",
    ),
    "20 show a helper only a traceback": (
        "test_never:test_a_defect_is_one_sentence_and_a_log",
        "live/test_streams:test_unusable_calls_are_one_sentence",
    ),
}


@pytest.mark.parametrize("never", NEVER)
def test_it_is_proved(never: str, request: pytest.FixtureRequest) -> None:
    for proof in NEVER[never]:
        prove(proof, request.session)


def test_a_proof_that_is_none_is_found(request: pytest.FixtureRequest) -> None:
    with pytest.raises(AssertionError, match="is gone"):
        prove("test_never:test_that_never_was", request.session)
    assert not asserts("test_never", "sources")
    assert asserts("test_never", "test_it_is_proved")


def test_there_are_twenty() -> None:
    assert [int(never.split()[0]) for never in NEVER] == list(range(1, 21))


def sources() -> list[tuple[str, ast.Module]]:
    paths = sorted(PACKAGE.rglob("*.py"))
    return [
        (p.relative_to(PACKAGE).as_posix(), ast.parse(p.read_text(encoding="utf-8")))
        for p in paths
    ]


def called(tree: ast.Module) -> list[ast.Call]:
    return [node for node in ast.walk(tree) if isinstance(node, ast.Call)]


def test_the_publisher_records_nothing() -> None:
    code = (
        "import calibkit.commands.publish, calibkit.live.publisher, sys\n"
        "import calibkit.joined.wiring_publish, calibkit.streams.lsl_live\n"
        "print(*sys.modules)"
    )
    loaded = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    ).stdout.split()
    assert "calibkit.live.publisher" in loaded
    assert "calibkit.kept.journal" not in loaded


LIVE = (
    *("commands/publish.py", "joined/wiring_", "live/"),
    *("streams/lsl_live", "streams/lsl_feed"),
)


def test_the_publisher_asks_nothing() -> None:
    for name, tree in sources():
        if name.startswith(LIVE):
            asked = [
                ast.unparse(call.func)
                for call in called(tree)
                if ast.unparse(call.func).split(".")[-1] in ("ask", "input", "getpass")
            ]
            assert not asked, f"{name} asks"


def test_live_gaze_asks_no_wall_clock() -> None:
    """It may be set anew at any time; only what is written down has a date."""
    for name, tree in sources():
        if name.startswith(LIVE):
            asked = {
                ast.unparse(call.func)
                for call in called(tree)
                if ast.unparse(call.func).split(".")[-1] in ("time", "now", "time_ns")
            }
            dated = {"datetime.now"} if name == "joined/wiring_drift.py" else set()
            own = {"self._now"}  # given from there
            assert asked <= dated | own, name


RUNNERS = {
    *("pickle", "marshal", "shelve", "dill", "cloudpickle", "joblib", "yaml", "tables"),
    *("runpy", "imp", "code", "codeop", "builtins", "pty", "jsonpickle", "dbm"),
}
# Words that run what they are given, whatever they hang on.
RUN = {"eval", "exec", "__import__", "getoutput", "getstatusoutput", "read_pickle"}
RUN |= {"popen", "execv", "execve", "execvp", "spawnv", "spawnl", "exec_module"}
# Names of modules of ours alone, from tables in the code.
IMPORTS_BY_NAME = {"cli.py", "__init__.py", "joined/wiring_early.py"}


def runs_data(name: str, tree: ast.Module) -> list[str]:
    """What in a module could run what a file holds."""
    found = []
    for call in called(tree):
        word = ast.unparse(call.func)
        last = word.split(".")[-1]
        found += [word] if last in RUN or word in ("compile", "os.system") else []
        if last == "import_module" and name not in IMPORTS_BY_NAME:
            found.append(word)
        for keyword in call.keywords:
            risky = keyword.arg in ("allow_pickle", "shell")
            if risky and ast.unparse(keyword.value) != "False":
                found.append(f"{word}({keyword.arg})")
    return found + imported(tree, RUNNERS)


def imported(tree: ast.Module, of: Collection[str]) -> list[str]:
    """What a module imports from some packages."""
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found += [alias.name for alias in node.names if top(alias.name) in of]
        elif isinstance(node, ast.ImportFrom) and top(node.module or "") in of:
            found.append(str(node.module))
    return found


def top(module: str) -> str:
    return module.split(".")[0]


def test_no_data_is_ever_run() -> None:
    for name, tree in sources():
        assert not runs_data(name, tree), name


@pytest.mark.parametrize(
    "code",
    [
        "eval(text)",
        "import builtins\nbuiltins.eval(text)",
        "import runpy",
        "from pickle import loads",
        "numpy.load(path, allow_pickle=True)",
        "subprocess.run(text, shell=True)",
        "os.system(text)",
        "os.popen(text)",
        "compile(text, '', 'exec')",
        "importlib.import_module(text)",
        "pandas.read_pickle(path)",
    ],
)
def test_what_runs_data_is_found(code: str) -> None:
    assert runs_data("kept/any.py", ast.parse(code))


def names_a_person(call: ast.Call) -> bool:
    """Whether a stream's name or source_id is made of anything called a person."""
    given = [*call.args[:2], *(k.value for k in call.keywords)]
    words = [
        node.id if isinstance(node, ast.Name) else node.attr
        for one in given
        for node in ast.walk(one)
        if isinstance(node, ast.Name | ast.Attribute)
    ]
    return any("person" in word.lower() for word in words)


def test_streams_carry_no_person() -> None:
    """Names and ids of streams are made of the input's, never of a person's."""
    outlets = 0
    for name, tree in sources():
        for call in called(tree):
            if ast.unparse(call.func).endswith(("StreamInfo", "Outlet")):
                outlets += 1
                assert not names_a_person(call), f"{name}, line {call.lineno}"
    assert outlets >= 8


@pytest.mark.parametrize(
    "code",
    [
        'Outlet(args.person, "a")',
        'Outlet("a", f"b:{attempt.person}")',
        "Outlet(NAME + person_id, 3)",
        "Outlet(name, source_id, about=person)",
    ],
)
def test_a_person_in_a_stream_is_found(code: str) -> None:
    assert names_a_person(called(ast.parse(code))[0])


# What each needs it for: streams on this machine, the service manager's socket, the
# operator's page (this machine unless told otherwise), ports that lie open.
NETWORK = (
    "streams/",
    "joined/wiring_status.py",
    "joined/wiring_drift.py",
    "joined/doctor",
    "panel/",
)


TALKS = {"socket", "socketserver", "ssl", "http", "urllib", "urllib3", "requests"}
TALKS |= {"httpx", "aiohttp", "websockets", "xmlrpc", "ftplib", "smtplib", "imaplib"}
TALKS |= {"poplib", "nntplib", "telnetlib", "asyncio", "asyncore", "zmq", "paramiko"}


def talks(tree: ast.Module) -> list[str]:
    """What a module imports to talk over a network."""
    return imported(tree, TALKS)


def test_only_these_modules_know_the_network() -> None:
    for name, tree in sources():
        if not name.startswith(NETWORK):
            assert not talks(tree), name
    assert talks(ast.parse("import urllib.request"))
    assert talks(ast.parse("from xmlrpc.client import ServerProxy"))
    assert talks(ast.parse("def f():\n    import asyncio"))


def test_every_child_has_a_limit() -> None:
    """Except a session that the demo starts: the person's, and Ctrl-C ends it."""
    for name, tree in sources():
        if name == "joined/demo.py":
            continue
        for call in called(tree):
            if ast.unparse(call.func) in ("subprocess.run", "subprocess.check_output"):
                assert any(k.arg == "timeout" for k in call.keywords), (
                    f"{name}, line {call.lineno}: a child without a limit"
                )


def test_a_defect_is_one_sentence_and_a_log(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def broken(argv: object) -> int:
        raise RuntimeError("something nobody thought of")

    monkeypatch.setattr(cli, "_dispatch", broken)
    assert cli.main(["streams"]) == 1
    text = capsys.readouterr().err
    assert len(text.strip().splitlines()) == 1
    assert "Traceback" not in text
    path = Path(text.strip().split(" ")[-1])
    assert "something nobody thought of" in path.read_text()
    path.unlink()
    assert not issubclass(RuntimeError, CalibkitError)
