"""Files of unknown origin: good ones are read, the rest is one sentence, we live on."""

from __future__ import annotations

import io
import json
import os
import random
import struct
import subprocess
import sys
import threading
import time
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from storing import one_line, same, scaled

from calibkit.errors import InputError
from calibkit.kept import foreign, reader, store

LIMIT = store.MAPPING_LIMIT_BYTES
ROOT = Path(foreign.__file__).parent.parent.parent


def read(path: Path, limit: int = LIMIT) -> store.Tree:
    return store.read(path, format="calibkit-test", max_version=1, limit_bytes=limit)


def make(path: Path, fill: Callable[[h5py.File], object], **more: Any) -> Path:
    with h5py.File(path, "w", **more) as file:
        file.attrs["format"] = "calibkit-test"
        file.attrs["version"] = 1
        fill(file)
    return path


def good(file: h5py.File) -> None:
    text = h5py.string_dtype()
    file["numbers"] = np.arange(6, dtype=">f4").reshape(2, 3)
    file["half"] = np.array([1.5, np.nan], "f2")
    file["words"] = ["", "ü", "three"]
    file["word"] = "alone"
    file["fixed"] = np.array([b"ab", b"c"])
    file["flags"] = np.array([True, False])
    file["wide"] = np.array([2**63], ">u8")
    file.create_dataset(
        "packed", data=np.arange(1000.0), compression="gzip", shuffle=True
    )
    rows = [(1.0, "one", True), (2.0, "zwölf", False)]
    file["rows"] = np.array(rows, [("t", "f8"), ("s", text), ("b", "?")])
    file.create_dataset("none", (0, 3), "f8")
    group = file.create_group("g", track_order=True)
    group.attrs["list"] = [1, 2]
    group.attrs["words"] = ["a", "bb"]
    group.attrs["word"] = "über"


@pytest.mark.parametrize("layout", ["earliest", "latest"])
def test_what_plain_h5py_writes_is_read(tmp_path: Path, layout: str) -> None:
    """Variable-length text, gzip, big-endian, bool; oracle: what was written."""
    tree = read(make(tmp_path / "a.h5", good, libver=layout))
    data = tree.data
    assert np.array_equal(data["/numbers"], np.arange(6).reshape(2, 3))
    assert data["/numbers"].dtype == "<f4"
    assert np.array_equal(data["/half"], [1.5, np.nan], equal_nan=True)
    assert store.texts(data["/words"]) == ["", "ü", "three"]
    assert store.texts(data["/word"]) == ["alone"]
    assert store.texts(data["/fixed"]) == ["ab", "c"]
    assert same(data["/flags"], np.array([1, 0], "u1"))
    assert data["/wide"][0] == 2**63
    assert np.array_equal(data["/packed"], np.arange(1000.0))
    assert store.texts(data["/rows"]["s"]) == ["one", "zwölf"]
    assert data["/rows"]["b"].tolist() == [1, 0]
    assert data["/none"].shape == (0, 3)
    assert np.array_equal(tree.attrs["/g"]["list"], [1, 2])
    assert store.texts(np.asarray(tree.attrs["/g"]["words"])) == ["a", "bb"]
    assert tree.attrs["/g"]["word"] == "über"
    assert not tree.dropped


def test_the_child_and_the_parent_read_alike(tmp_path: Path) -> None:
    path = tmp_path / "a.h5"
    path.write_bytes(store.dump(store.Tree(data={"/x": np.arange(5.0)}), "t", 1))
    with path.open("rb") as file:
        here = list(reader.items(file, LIMIT))
    there = foreign.read(path, LIMIT)
    assert [(i.path, i.attribute) for i in here] == [
        (i.path, i.attribute) for i in there
    ]
    for one, other in zip(here, there, strict=True):
        assert one.array is None or same(one.array, other.array)


def test_a_foreign_file_is_parsed_in_another_process(tmp_path: Path) -> None:
    """So damage in it can end, freeze or take over only that one. This one never even
    loads the HDF5 library."""
    path = make(tmp_path / "a.h5", good)
    named = {"format": "calibkit-test", "max_version": 1, "limit_bytes": LIMIT}
    code = f"""
import sys
from calibkit.kept import store
def here(*_):
    raise SystemExit("parsed here")
store.reader.items = here
tree = store.read({str(path)!r}, **{named!r})
print(len(tree.data["/packed"]), "h5py" in sys.modules)
"""
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=60
    )
    assert done.stdout.split() == ["1000", "False"], done.stderr


def test_what_is_not_plain_is_left_out_and_named(tmp_path: Path) -> None:
    def fill(file: h5py.File) -> None:
        file["complex"] = np.array([1 + 2j])
        file.create_dataset("ragged", (1,), h5py.vlen_dtype("i4"))[0] = [1, 2]
        file["reference"] = np.array([file.ref], h5py.ref_dtype)
        file["nothing"] = h5py.Empty("f8")
        file["kind"] = np.dtype("f8")
        file.attrs["pointer"] = file.ref
        file["fine"] = 1.0

    tree = read(make(tmp_path / "a.h5", fill))
    with pytest.warns(store.LeftOutWarning, match="/complex"):
        store.warn_of("a.h5", tree)
    assert tree.data.keys() == {"/fine"}
    names = ("complex", "ragged", "reference", "nothing", "kind")
    assert tree.dropped.keys() == {*(f"/{n}" for n in names), "/ (pointer)"}


def external(file: h5py.File) -> None:
    secret = Path(file.filename).with_name("secret")
    secret.write_bytes(b"s" * 80)
    file.create_dataset("x", (10,), "f8", external=[(str(secret), 0, 80)])


def virtual(file: h5py.File) -> None:
    layout = h5py.VirtualLayout((10,), "f8")
    layout[:] = h5py.VirtualSource("missing.h5", "x", shape=(10,))
    file.create_virtual_dataset("x", layout)


def external_link(file: h5py.File) -> None:
    file["x"] = h5py.ExternalLink("other.h5", "/x")


def soft_link(file: h5py.File) -> None:
    file["x"] = h5py.SoftLink("/y")


def two_names(file: h5py.File) -> None:
    file["x"] = 1.0
    file["y"] = file["x"]


def ring(file: h5py.File) -> None:
    file.create_group("a")["b"] = file["/"]


def huge(file: h5py.File) -> None:
    file.create_dataset("x", (1 << 33,), "f8", chunks=(1 << 16,))


def bomb(file: h5py.File) -> None:
    data = np.zeros(40 << 20)
    file.create_dataset("x", data=data, compression="gzip", chunks=(1 << 20,))


def overflow(file: h5py.File) -> None:
    file.create_dataset("x", (1 << 62, 1 << 62), "f8", chunks=(1, 1))


def large_chunk(file: h5py.File) -> None:
    file.create_dataset("x", (1,), "f8", chunks=(1 << 27,), maxshape=(None,))


def checksum_filter(file: h5py.File) -> None:
    file.create_dataset("x", data=np.arange(10.0), fletcher32=True)


def lzf(file: h5py.File) -> None:
    file.create_dataset("x", data=np.arange(10.0), compression="lzf")


def deep(file: h5py.File) -> None:
    file.create_group("/".join("abcdefghijk"))


def crowd(file: h5py.File) -> None:
    for number in range(reader.MAX_OBJECTS + 1):
        file.create_group(f"g{number}")


def attributes(file: h5py.File) -> None:
    space, kind = h5py.h5s.create(h5py.h5s.SCALAR), h5py.h5t.NATIVE_INT8
    for number in range(reader.MAX_ATTRIBUTES + 1):
        h5py.h5a.create(file.id, b"a%d" % number, kind, space)


def strange_name(file: h5py.File) -> None:
    file["a\x1b[2Jb"] = 1.0


def texts(file: h5py.File) -> None:
    file.create_dataset("x", (reader.MAX_TEXTS + 1,), h5py.string_dtype())


def big_attribute(file: h5py.File) -> None:
    file.attrs["x"] = np.zeros(20_000)


HOSTILE: dict[Callable[[h5py.File], None], str] = {
    external: "in another file",
    virtual: "other files",
    external_link: "link",
    soft_link: "link",
    two_names: "two names",
    ring: "two names",
    huge: "claims more data",
    bomb: "claims more data",
    overflow: "claims more data",
    large_chunk: "chunks",
    checksum_filter: "filter",
    lzf: "filter",
    deep: "deeper",
    crowd: "more than",
    attributes: "more than",
    strange_name: "unprintable",
    texts: "texts",
    big_attribute: "64,000",
}


@pytest.mark.parametrize("fill", HOSTILE, ids=lambda f: f.__name__)
def test_hostile_files_are_refused(
    fill: Callable[[h5py.File], None], tmp_path: Path
) -> None:
    """Source of the list: HDF5 features that reach outside or blow up (reliability)."""
    path = make(tmp_path / "a.h5", fill, libver="latest")
    with pytest.raises(InputError) as caught:
        read(path)
    one_line(caught.value, str(path), HOSTILE[fill])
    assert caught.value.exit_status == 3


def zipped() -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        archive.writestr("a.h5", "x" * 1000)
    return buffer.getvalue()


@pytest.mark.parametrize(
    "data",
    [b"\0", b"hello\n" * 200, zipped(), b"\x89PNG\r\n\x1a\n" + bytes(900), bytes(5000)],
    ids=["one byte", "text", "zip", "picture", "zeros"],
)
def test_other_files_under_our_ending(data: bytes, tmp_path: Path) -> None:
    path = tmp_path / "a.h5"
    path.write_bytes(data)
    with pytest.raises(InputError) as caught:
        read(path)
    one_line(caught.value, str(path), "no HDF5 file")


def mutated(data: bytes, rng: random.Random) -> bytes:
    """Flip bits, cut, or copy one stretch over another."""
    changed = bytearray(data)
    kind = rng.randrange(3)
    if kind == 0:
        for _ in range(rng.randrange(1, 20)):
            changed[rng.randrange(len(changed))] ^= 1 << rng.randrange(8)
    elif kind == 1:
        del changed[rng.randrange(len(changed)) :]
    else:
        start, end = (rng.randrange(len(changed) - 64) for _ in range(2))
        changed[end : end + 64] = changed[start : start + 64]
    return bytes(changed)


def test_mutated_foreign_files_never_take_us_down(tmp_path: Path) -> None:
    """Each gives a tree or one sentence within the time; the child may die."""
    data = make(tmp_path / "seed.h5", good).read_bytes()
    rng = random.Random(5)
    path = tmp_path / "a.h5"
    read_well = 0
    for number in range(scaled(40)):
        path.write_bytes(mutated(data, rng) or b"x")
        start = time.monotonic()
        try:
            items = foreign.read(path, LIMIT, timeout_s=5.0)
        except InputError as error:
            one_line(error, str(path))
        else:
            read_well += 1
            assert all(i.array is None or i.array.dtype.kind in "fiuSV" for i in items)
        assert time.monotonic() - start < 8.0, f"mutation {number} took too long"
    assert read_well < scaled(40)


def test_a_child_that_takes_too_long_is_ended(tmp_path: Path) -> None:
    path = make(tmp_path / "a.h5", good)
    with pytest.raises(InputError) as caught:
        foreign.read(path, LIMIT, timeout_s=0.0)
    one_line(caught.value, str(path), "took too long")


def test_a_child_that_freezes_takes_no_thread_of_ours_with_it(tmp_path: Path) -> None:
    beats: list[float] = []
    stop = threading.Event()

    def beat() -> None:
        while not stop.wait(0.005):
            beats.append(time.monotonic())

    thread = threading.Thread(target=beat)
    thread.start()
    try:
        read(make(tmp_path / "a.h5", good))
    finally:
        stop.set()
        thread.join()
    assert len(beats) > 3


def frames(*heads: object, body: bytes = b"") -> io.BytesIO:
    parts = []
    for head in heads:
        text = json.dumps(head).encode()
        parts.append(struct.pack("<I", len(text)) + text + body)
    return io.BytesIO(b"".join(parts))


def receive(stream: io.BytesIO) -> list[reader.Item]:
    return foreign._receive(Path("x"), stream, 1 << 20, threading.Event())


@pytest.mark.parametrize(
    "head",
    [
        {"path": "/x", "attribute": None, "dtype": "|O", "shape": [1]},
        {"path": "/x", "attribute": None, "dtype": "O", "shape": [1]},
        {"path": "/x", "attribute": None, "dtype": "<f8", "shape": [1 << 40]},
        {"path": "/x", "attribute": None, "dtype": "<f8", "shape": [-1]},
        {"path": "/x", "attribute": None, "dtype": "<f8", "shape": ["1"]},
        {"path": "/x", "attribute": None, "dtype": "<f8", "shape": [2]},
        {"path": "/x", "attribute": None, "dtype": [["a", "|O"]], "shape": [1]},
        {"path": "/x", "attribute": None, "dtype": [["a", "u1"], ["a", "u1"]]},
        {"path": 5, "attribute": None},
        {"path": "/x", "attribute": 5},
        [],
    ],
    ids=str,
)
def test_a_child_that_lies_is_not_believed(head: object) -> None:
    with pytest.raises(InputError):
        receive(frames(head, {"end": True}, body=b"12345678"))


def test_a_child_that_stops_half_way_is_not_believed() -> None:
    head = {"path": "/x", "attribute": None, "dtype": "<f8", "shape": [1]}
    with pytest.raises(InputError, match="without an answer"):
        receive(frames(head, body=bytes(8)))


@given(st.binary(max_size=200))
@settings(max_examples=scaled(200), deadline=None)
def test_any_bytes_from_a_child(data: bytes) -> None:
    with pytest.raises(InputError):
        receive(io.BytesIO(data))


def test_an_unguarded_script_runs_once(tmp_path: Path) -> None:
    """A child made by multiprocessing would run the caller's script again."""
    path = make(tmp_path / "a.h5", good)
    script = tmp_path / "script.py"
    script.write_text(
        f"print('once')\nfrom calibkit.kept import foreign\nfrom pathlib import Path\n"
        f"print(len(foreign.read(Path({str(path)!r}), 10**7)) > 0)\n"
    )
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    done = subprocess.run(
        [sys.executable, script], capture_output=True, text=True, env=environment
    )
    assert done.stdout.split() == ["once", "True"], done.stderr


def test_a_module_in_the_working_folder_is_not_imported(tmp_path: Path) -> None:
    path = make(tmp_path / "a.h5", good)
    for name in ("h5py", "numpy", "json"):
        (tmp_path / f"{name}.py").write_text("open('trap', 'w').close()\n")
    code = f"""
import sys; sys.path.insert(0, {str(ROOT)!r})
from pathlib import Path
from calibkit.kept import foreign
import os; os.chdir({str(tmp_path)!r})
foreign.read(Path({str(path)!r}), 10**7)
"""
    subprocess.run([sys.executable, "-c", code], check=True, cwd=ROOT)
    assert not (tmp_path / "trap").exists()


def test_the_environment_keeps_plug_ins_out() -> None:
    # Source: HDF5 manual, "Filters in HDF5", dynamically loaded: "::" turns it off.
    assert foreign._environment()["HDF5_PLUGIN_PRELOAD"] == "::"


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no such limits")
def test_the_child_lives_under_limits(tmp_path: Path) -> None:
    code = (
        "import resource as r; from calibkit.kept import reader;"
        "reader._limit(3, 1 << 30);"
        "print(*(r.getrlimit(k)[0] for k in (r.RLIMIT_CPU, r.RLIMIT_AS,"
        " r.RLIMIT_FSIZE, r.RLIMIT_CORE)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.stdout.split() == ["3", str(1 << 30), "0", "0"]


def test_the_child_starts_fast() -> None:
    """It loads nothing that h5py itself does not load, apart from our lazy package."""
    code = (
        "import sys, h5py, json, struct, contextlib, dataclasses, __future__;"
        "before = set(sys.modules); import calibkit.kept.reader;"
        "print(*sorted(set(sys.modules) - before))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT
    )
    assert done.stdout.split() == ["calibkit", "calibkit.kept", "calibkit.kept.reader"]
