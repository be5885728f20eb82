"""Every row of the catalogue of bad inputs, and where it is proved.

P protocols, C the command line, F profiles and mappings, R recordings, S streams, X
other programs' files and folders. A proof is a test that exists, runs and asserts,
here or elsewhere.
"""

from __future__ import annotations

import os
import socket
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from proofs import prove
from storing import leftovers, one_line, recording
from test_crashes import WHO, loaded, save
from test_mapping_live import case

from calibkit import cli
from calibkit.errors import CalibkitError, InputError
from calibkit.fitted.fitting import fit
from calibkit.fitted.mapping import FORMAT, VERSION, Mapping
from calibkit.kept import disk, profile, store
from calibkit.kept.plain import to_tree
from calibkit.kept.recording import Recording

HERE = "test_bad_inputs:"
ROWS: dict[str, str | tuple[str, ...]] = {
    "P1 no file, folder, device": (
        "test_protocol:test_no_file_a_folder_and_a_huge_file",
        HERE + "test_p1_a_pipe_and_a_device_are_not_waited_for",
    ),
    "P2 empty": "test_protocol:test_refusals",
    "P3 byte order mark": "test_protocol:test_byte_order_mark_is_accepted",
    "P4 other encodings": "test_protocol:test_other_encodings_are_named",
    "P5 huge file or line": (
        "test_protocol:test_no_file_a_folder_and_a_huge_file",
        "test_protocol:test_refusals",
    ),
    "P6 nested deeply": (
        "test_settings:test_toml_files",
        "test_protocol:test_refusals",
    ),
    "P7 5,000 digits": "test_settings:test_toml_files",
    "P8 not finite": "test_protocol:test_refusals",
    "P9 out of range": "test_protocol:test_refusals",
    "P10 twice the same key": "test_protocol:test_refusals",
    "P11 unknown key": "test_protocol:test_all_faults_at_once_with_dotted_paths",
    "P12 other version": "test_protocol:test_refusals",
    "P13 another type": HERE + "test_p13_text_for_a_number_and_true_for_one",
    "P14 quotes, commas, True": "test_protocol:test_refusals",
    "P15 line ends, NUL": "test_protocol:test_refusals",
    "P16 few and many points": (
        HERE + "test_p16_too_many_points",
        "test_protocol:test_none_one_and_repeated_points_are_allowed_with_advice",
    ),
    "P17 points in a line": (
        "test_protocol:test_none_one_and_repeated_points_are_allowed_with_advice"
    ),
    "P18 off the screen": (
        HERE + "test_p18_a_point_off_the_screen",
        "test_protocol:test_refusals",
    ),
    "P19 times": (
        "test_protocol:test_too_long_in_all",
        "test_protocol:test_refusals",
    ),
    "P20 flashes": (
        "test_protocol_pictures:test_pictures_that_would_flash_are_refused",
        "test_protocol:test_refusals",
        "test_sound:test_never_louder_than_20_db_below_full_scale",
    ),
    "P21 contrast": (
        "test_screen:test_target_stands_out_on_every_grey",
        HERE + "test_p21_a_colour_by_its_name",
    ),
    "P22 pictures": (
        "test_protocol_pictures:test_paths_out_of_the_folder_are_refused",
        "test_protocol_pictures:test_a_link_out_of_the_folder_is_refused",
    ),
    "P23 control characters": (
        "test_protocol:test_text_that_steers_a_terminal_or_turns_round_is_refused",
        "test_protocol:test_refusals",
    ),
    "P24 geometry": "test_run:test_answers_that_are_not_plausible",
    "C25 nothing, unknown, both": HERE + "test_c25_calls_that_make_no_sense",
    "C26 numbers": HERE + "test_c26_numbers_that_are_none",
    "C27 person ids": "test_profile:test_person_ids",
    "C28 output exists": HERE + "test_c28_an_output_that_exists_is_kept",
    "C29 output folder": (
        HERE + "test_c29_no_such_output_folder",
        "live/test_full_disk:test_a_full_disk_takes_no_mapping_and_loses_none",
        "live/test_full_disk:test_a_disk_that_may_only_be_read",
    ),
    "C30 home": (
        "test_settings:test_one_that_anyone_may_change_is_refused",
        "test_settings:test_one_of_another_user_is_refused",
        "test_settings:test_one_that_cannot_be_made",
    ),
    "C31 Ctrl-C": (
        "test_run:test_interrupted_is_130_and_the_recording_is_kept",
        "live/test_streams:test_sigterm_while_recording_keeps_the_file",
        "live/test_streams:test_waiting_ends_with_4_or_by_sigterm_with_0",
    ),
    "C32 twice": (
        "live/test_streams:test_a_second_publisher_of_the_stream_is_refused_with_2"
    ),
    "C33 closed output, odd locale": HERE + "test_c33_printing_never_crashes",
    "C34 wall clock": (
        HERE + "test_c34_versions_do_not_ask_the_wall_clock",
        "test_never:test_live_gaze_asks_no_wall_clock",
    ),
    "F35 torn": "test_profile:test_damage_falls_back_and_says_so",
    "F36 another kind of file": "test_reader:test_other_files_under_our_ending",
    "F37 flipped bit": (
        "test_store:test_every_flipped_bit_of_the_block_and_a_sample_of_the_rest_is_found"
    ),
    "F38 not finite, sound checksum": HERE + "test_f38_a_mapping_that_is_not_finite",
    "F39 wrong shape or type": HERE + "test_f39_arrays_of_the_wrong_form",
    "F40 huge claims": "test_reader:test_hostile_files_are_refused",
    "F41 external, links, filters": "test_reader:test_hostile_files_are_refused",
    "F42 crash or hang": (
        "test_reader:test_a_child_that_freezes_takes_no_thread_of_ours_with_it"
    ),
    "F43 other version": "test_store:test_other_formats_and_versions_are_named",
    "F44 other screen or tracker": (
        "test_mapping:test_another_screen_or_stream_is_refused",
        "live/test_streams:test_another_trackers_stream_is_refused_with_3",
        "test_profile:test_the_snapshot_of_another_person_is_refused",
    ),
    "F45 absurd": "test_run:test_mirrored_folded_far_and_empty_mappings_are_faults",
    "F46 current names nothing": "test_profile:test_a_note_that_names_nothing_good",
    "F47 all damaged": (
        "live/test_own:test_the_trackers_own_answer_until_a_mapping_is_sound"
    ),
    "F48 left-over files": HERE + "test_f48_left_over_files_are_swept",
    "F49 links": "test_profile:test_links_to_elsewhere_are_refused",
    "F50 open to others": "test_doctor:test_an_open_home_folder_is_told",
    "F51 lost password": (HERE + "test_f51_there_is_no_password_to_lose",),
    "F52 changes while read": HERE + "test_f52_a_file_that_grows_while_it_is_read",
    "R53 torn tail": (
        "test_journal:test_a_torn_tail_costs_one_frame",
        "test_journal:test_damaged_journals",
    ),
    "R54 damage in the middle": "test_journal:test_damaged_journals",
    "R55 order": (
        "test_journal:test_damaged_journals",
        "test_journal:test_frames_of_another_session_and_repeats_are_left_out",
    ),
    "R56 odd stamps": (
        "test_mapping:test_stamps_out_of_order_and_channels_in_another_order",
        HERE + "test_r56_odd_stamps",
    ),
    "R57 no targets": HERE + "test_r57_58_59_nothing_to_fit",
    "R58 nothing seen": HERE + "test_r57_58_59_nothing_to_fit",
    "R59 two rows": HERE + "test_r57_58_59_nothing_to_fit",
    "R60 units": (
        "test_stream_rules:test_each_rule_finds_its_fault_and_shows_the_figure",
    ),
    "R61 disk full": (
        "test_journal:test_a_full_disk_in_the_middle",
        "live/test_full_disk:test_a_full_disk_in_the_middle_of_a_recording",
    ),
    "R62 another session": HERE + "test_r62_frames_of_another_session",
    "S63 lost and found": "live/test_streams:test_publishing_outlives_a_killed_tracker",
    "S64 two of a name": (
        "test_wiring:test_twins_at_the_return_are_not_chosen_between",
        "test_wiring:test_two_candidates_at_the_start_are_refused",
    ),
    "S65 channels, text": (
        "live/test_streams:test_text_too_many_channels_and_our_own_output_are_refused",
        "test_wiring:test_a_return_with_other_channels_is_refused_and_said_once",
    ),
    "S66 rates": (
        "test_stream_rules:test_each_rule_finds_its_fault_and_shows_the_figure",
    ),
    "S67 odd values": (
        "test_mapping_live:test_any_sample_at_all",
        "test_publisher:test_where_valid_all_is_finite_and_else_nothing_is_said",
    ),
    "S68 old, frozen": (
        "live/test_streams:test_a_frozen_trackers_old_samples_are_never_published",
        "test_publisher:test_order_and_one_row_a_sample_hold_for_any_stamps",
        "test_publisher:test_repeated_and_backward_samples_are_dropped",
    ),
    "S69 clock jump": (
        "test_publisher:test_a_clock_jump_silences_for_less_than_half_a_second"
    ),
    "S70 hostile metadata": (
        "test_lsl_live:test_a_huge_description_is_cut_off",
        "test_lsl_live:test_what_is_no_description_is_said_in_words",
    ),
    "S71 garbage to our ports": "live/test_garbage:test_garbage_to_our_ports",
    "S72 markers": (
        "test_lsl:test_text_that_is_no_event_is_ignored",
        "test_drift_join:test_odd_markers_neither_move_nor_stop_the_gaze",
        "test_drift:test_a_target_that_is_no_place_moves_nothing",
        "test_wiring:test_markers_become_target_rows",
    ),
    "X73 no XDF, empty, torn, absurd": "test_archive_xdf:test_bad_files",
    "X74 cut off": (
        "test_archive_xdf:test_a_file_that_is_cut_off_keeps_what_came_before"
    ),
    "X75 packed to burst": (
        "test_archive_xdf:test_a_zip_bomb_is_refused_before_it_fills_the_memory"
    ),
    "X76 huge claims": ("test_archive_xdf:test_samples_that_are_claimed_but_not_there"),
    "X77 damage anywhere": ("test_archive_xdf:test_mutated_files_never_take_us_down"),
    "X78 two streams of a name": (
        "test_archive_xdf:test_of_several_gaze_streams_none_is_taken_silently"
    ),
    "X79 clock anew": "test_archive_xdf:test_a_clock_that_began_anew",
    "X80 stamps backward": ("test_archive_xdf:test_a_gap_and_stamps_that_run_backward"),
    "X81 unknown screen, two screens": (
        "test_archive_xdf:test_sessions_on_two_screens_are_not_mixed"
    ),
    "X82 descriptions of targets": (
        "test_archive_targets:test_descriptions_that_are_refused"
    ),
    "X83 tables of targets": "test_archive_targets:test_tables_that_are_refused",
    "X84 one bad file of many": (
        "test_archive_bids:test_one_bad_file_costs_nothing_that_is_there"
    ),
    "X85 a folder of somebody's own": (
        "test_archive_bids:test_what_is_there_is_not_lost"
    ),
    "X86 two persons, one name": "test_archive_bids:test_no_two_persons_share_a_label",
}


@pytest.mark.parametrize("row", ROWS)
def test_row_is_proved(row: str, request: pytest.FixtureRequest) -> None:
    proofs = ROWS[row]
    for proof in (proofs,) if isinstance(proofs, str) else proofs:
        prove(proof, request.session)


def test_there_are_86_rows() -> None:
    assert [int(row.split()[0][1:]) for row in ROWS] == list(range(1, 87))


# Protocols.


def refused(tmp_path: Path, text: str) -> str:
    from calibkit.kept import protocol

    path = tmp_path / "a.toml"
    path.write_text(text)
    with pytest.raises(InputError) as caught:
        protocol.load(str(path))
    assert str(path) in str(caught.value)
    return str(caught.value)


HEAD = '[protocol]\nversion = 1\nname = "mine"\n'


@pytest.mark.parametrize(
    ("line", "word"),
    [
        ('[targets]\nsize_deg = "1"', "targets.size_deg"),
        ("[targets]\nsize_deg = true", "targets.size_deg"),
        ("[pace]\nrepeats = 1.5", "pace.repeats"),
        ("[targets]\npoints = 5", "targets.points"),
        ("pace = 5", "pace"),
    ],
)
def test_p13_text_for_a_number_and_true_for_one(
    line: str, word: str, tmp_path: Path
) -> None:
    text = f"{line}\n{HEAD}" if line.startswith("pace") else f"{HEAD}{line}\n"
    assert word in refused(tmp_path, text)


def test_p16_too_many_points(tmp_path: Path) -> None:
    points = ",\n".join(["[0.5, 0.5]"] * 501)
    text = refused(tmp_path, f"{HEAD}[targets]\npoints = [\n{points}]\n")
    assert "targets.points" in text


def test_p18_a_point_off_the_screen(tmp_path: Path) -> None:
    text = refused(tmp_path, f"{HEAD}[targets]\npoints = [[1.5, 0.5]]\n")
    assert "1.5" in text


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
def test_p1_a_pipe_and_a_device_are_not_waited_for(tmp_path: Path) -> None:
    from calibkit.kept import protocol

    os.mkfifo(tmp_path / "a.toml")
    for path in (str(tmp_path / "a.toml"), "/dev/zero"):
        with pytest.raises(InputError, match="not a file"):
            protocol.load(path)


@pytest.mark.parametrize(
    "value", ['"mauve"', "[0.5, 0.5]", "[0, 0, 300]", "[nan, 0, 0]"]
)
def test_p21_a_colour_by_its_name(value: str, tmp_path: Path) -> None:
    text = refused(tmp_path, f"{HEAD}[targets]\nbackground = {value}\n")
    assert "targets.background" in text


# The command line.


def said(capsys: pytest.CaptureFixture[str], *words: object) -> tuple[int, str]:
    try:
        status = cli.main(list(map(str, words)))
    except SystemExit as end:
        status = int(str(end.code or 0))
    return status, capsys.readouterr().err


@pytest.mark.parametrize(
    "words",
    [
        (),
        ("nonsense",),
        ("fit", "--nonsense"),
        ("publish",),
        ("publish", "--person", "a", "--mapping", "b"),
    ],
    ids=repr,
)
def test_c25_calls_that_make_no_sense(
    words: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    status, text = said(capsys, *words)
    assert status == 2
    assert "--help" in text
    assert "Traceback" not in text


@pytest.mark.parametrize("value", ["-5", "nan", "1e9", "0x10", "1,5", "", "inf"])
def test_c26_numbers_that_are_none(
    value: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    status, text = said(capsys, "record", "-o", tmp_path / "a.h5", f"--for={value}")
    assert status == 2
    assert "--for" in text


@pytest.fixture
def rec(tmp_path: Path) -> Path:
    path = tmp_path / "rec.h5"
    recording().save(path)
    return path


def test_c28_an_output_that_exists_is_kept(
    rec: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    target = tmp_path / "there.csv"
    target.write_text("precious")
    mapping = tmp_path / "m.h5"
    case("screen")[0].save(mapping)
    status, text = said(capsys, "apply", mapping, rec, "-o", target)
    assert status == 2
    assert "--force" in text
    assert target.read_text() == "precious"


def test_c29_no_such_output_folder(
    rec: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    status, text = said(capsys, "fit", rec, "-o", tmp_path / "gone" / "m.h5")
    assert status == 5
    assert "gone" in text
    assert len(text.strip().splitlines()) == 1


@pytest.mark.skipif(os.name != "posix", reason="POSIX shells")
def test_c33_printing_never_crashes(tmp_path: Path) -> None:
    """Closed output, a closed error output, and a locale that knows only ASCII."""
    home = tmp_path / "heim – ü"
    environ = os.environ | {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONIOENCODING": ""}
    for end in (">&-", "2>&-", "| true", "</dev/null"):
        done = subprocess.run(
            f'"{sys.executable}" -m calibkit profiles list --home "{home}" {end}',
            shell=True,
            env=environ,
            capture_output=True,
            timeout=60,
        )
        assert done.returncode == 0, done.stderr
        assert b"Traceback" not in done.stderr + done.stdout


def test_c34_versions_do_not_ask_the_wall_clock(tmp_path: Path) -> None:
    for number, created in enumerate(("2026-01-01", "1970-01-01", "2099-01-01"), 1):
        plain = {"number": number}
        tree = store.Tree(attrs={"/mapping": {"number": float(number)}}, data={})
        when = f"{created}T00:00:00Z"
        profile.save(tmp_path, WHO, tree, plain, created=when)
        assert loaded(tmp_path) == number
    assert profile.rollback(tmp_path, WHO).number == 2


# Profiles and mappings.


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
@pytest.mark.parametrize("part", ["mean", "cov", "shares"])
def test_f38_a_mapping_that_is_not_finite(
    value: float, part: str, tmp_path: Path
) -> None:
    plain = case("screen")[0].snapshot()
    path = tmp_path / "m.h5"
    numbers = np.array(plain[part], float)
    numbers.reshape(-1)[0] = value
    tree = to_tree({**plain, part: numbers.tolist()})
    store.write(path, tree, format=FORMAT, version=VERSION)
    with pytest.raises(InputError) as caught:
        Mapping.load(path)
    one_line(caught.value)


@pytest.mark.parametrize("part", ["mean", "cov", "shares", "basis", "layout", "looks"])
@pytest.mark.parametrize("value", [[], [1.0], "text", 5, [[1.0, 2.0]], {}])
def test_f39_arrays_of_the_wrong_form(part: str, value: object) -> None:
    plain = case("screen")[0].snapshot()
    try:
        made = Mapping.from_snapshot({**plain, part: value})
    except CalibkitError as error:
        one_line(error)
        return
    # Where the form is one that can be, the answers are numbers or missing.
    with np.errstate(all="ignore"):
        gaze = made.apply(case("screen")[1][:5])
    assert gaze.xy.shape == (5, 2)


def test_f48_left_over_files_are_swept(tmp_path: Path) -> None:
    save(tmp_path, 1)
    old = tmp_path / "profiles" / WHO / f"v000002.h5{disk.TEMP_MARK}0000"
    old.write_bytes(b"torn")
    os.utime(old, (1, 1))
    save(tmp_path, 2)
    assert not leftovers(tmp_path)


def test_f52_a_file_that_grows_while_it_is_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a"
    path.write_bytes(b"abc")
    plain = disk.check_regular

    def slow(where: Path, limit_bytes: int) -> int:
        size = plain(where, limit_bytes)
        where.write_bytes(b"abcdef")
        return size

    monkeypatch.setattr(disk, "check_regular", slow)
    with pytest.raises(InputError, match="grew while it was read"):
        disk.read_regular(path, 100)


def test_f51_there_is_no_password_to_lose() -> None:
    """Nothing is encrypted: a forgotten word can never silence a person."""
    words = ("password", "passphrase", "--key-file", "encrypt")
    told = "".join(cli.command_parser(name).format_help() for name in cli.COMMANDS)
    assert "--person" in told
    assert not [word for word in words if word in told.lower()]
    home = Path(cli.__file__).parent
    for path in home.rglob("*.py"):
        lines = path.read_text(encoding="utf-8").splitlines()
        bad = [
            x for x in lines if x.lstrip().startswith(("import getpass", "from crypt"))
        ]
        assert not bad, path


# Recordings.


@pytest.mark.parametrize("value", [np.nan, -1e9, 1e12, 0.0])
def test_r56_odd_stamps(value: float) -> None:
    """Stamps that are none, all the same, or far off: refused, or the same looks."""
    whole = recording()
    time = np.array(whole.time)
    time[::2] = value
    for stamps in (time, np.full_like(time, value)):
        try:
            made = fit(replace(whole, time=stamps, time_raw=None, clock=None))
        except InputError as error:
            one_line(error)
        else:
            assert np.isfinite(made.weights.mean).all()
            assert len(made.looks) < len(whole.targets)


def test_r57_58_59_nothing_to_fit() -> None:
    whole = recording()
    samples = np.asarray(whole.samples)
    gone = np.full_like(samples, np.nan)
    empty = whole.targets[:0]
    cases: dict[str, Recording] = {
        "no targets": replace(whole, targets=empty),
        "all missing": replace(whole, samples=gone),
        "all zero": replace(whole, samples=np.zeros_like(samples)),
        "frozen": replace(whole, samples=np.full_like(samples, 7.5)),
        "two rows": replace(
            whole, time=whole.time[:2], samples=samples[:2], time_raw=None, clock=None
        ),
    }
    for name, rec in cases.items():
        with pytest.raises(InputError) as caught:
            fit(rec)
        assert caught.value.exit_status == 3, name
        one_line(caught.value)


def test_r62_frames_of_another_session(tmp_path: Path) -> None:
    from storing import header
    from test_journal import chunk

    from calibkit.kept import journal, journal_contents

    paths = []
    for name in ("s-01", "s-02"):
        path = tmp_path / f"{name}.journal"
        with journal.Writer(path, {**header(), "session": name}) as writer:
            for start in (0,) if name == "s-01" else (1000, 2000, 3000, 4000):
                stamps, rows = chunk(start)
                writer.gaze(stamps, rows, stamps - 0.5)
        paths.append(path)
    both = tmp_path / "both.journal"
    both.write_bytes(paths[0].read_bytes() + paths[1].read_bytes())
    contents = journal_contents.read(both)
    assert contents.header["session"] == "s-01"
    # The later ones' numbers would follow on.
    assert sum(len(g[0]) for g in contents.gaze) == 5
    assert max(g[0].max() for g in contents.gaze) < 1.0
    assert any("another session" in fault for fault in contents.faults)


def test_a_port_that_is_taken_is_no_matter() -> None:
    """Ports of the streaming library that others hold: it takes the next one."""
    held = []
    for port in range(16572, 16576):
        try:
            held.append(socket.create_server(("127.0.0.1", port)))
        except OSError:
            continue
    try:
        code = (
            "from calibkit.streams import lsl\n"
            "from calibkit.channels import Channel\n"
            "one = Channel(label='x', eye='', type='ScreenX', unit='px')\n"
            "lsl.GazeOutlet('a', 'calibkit-raw:taken', [one], 0.0)\n"
            "print('fine')"
        )
        command = [sys.executable, "-c", code]
        done = subprocess.run(command, capture_output=True, text=True, timeout=60)
        assert done.stdout.strip() == "fine", done.stderr
    finally:
        for one in held:
            one.close()
