"""Our files: to the bit what was given, readable by others, damage always found."""

from __future__ import annotations

import hashlib
import random
import subprocess
import sys
import warnings
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from storing import NAMES, TEXT, one_line, plain_arrays, same, scaled

from calibkit.errors import CallError, InputError
from calibkit.kept import store
from calibkit.kept.store import Tree

KIND = {"format": "calibkit-test", "max_version": 1}
LIMIT = store.MAPPING_LIMIT_BYTES
EXAMPLE = Tree(
    attrs={"/": {"who": "p-01"}, "/a": {"size_mm": np.array([1.5, 2.0])}, "/empty": {}},
    data={
        "/a/numbers": np.linspace(0, 1, 500),
        "/a/text": store.text_array(["ä", "longer"]),
        "/table": np.array([(1, b"x")], [("n", "<i4"), ("t", "S3")]),
    },
)
DATA = store.dump(EXAMPLE, "calibkit-test", 1)

values = st.one_of(
    TEXT,
    st.floats(allow_nan=False),
    st.integers(-(2**63), 2**63 - 1),
    plain_arrays(),
)


@st.composite
def trees(draw: st.DrawFn) -> Tree:
    names = draw(st.lists(NAMES, unique=True, max_size=4))
    data = {f"/group/{name}": draw(plain_arrays()) for name in names}
    groups = ["/", "/group", "/other/deep", *data]
    texts = st.dictionaries(NAMES, values, max_size=3)
    return Tree(attrs={g: draw(texts) for g in groups}, data=data)


def parse(data: bytes) -> Tree:
    return store.parse(data, format="calibkit-test", max_version=1)


def read(path: Path, **more: Any) -> Tree:
    options = {**KIND, "limit_bytes": LIMIT, **more}
    return store.read(path, **options)


def equal_values(a: Any, b: Any) -> bool:
    if isinstance(a, str) or isinstance(b, str):
        return bool(a == b)
    return same(a, b) if isinstance(a, np.ndarray) and a.ndim else bool(np.all(a == b))


@given(trees())
@settings(max_examples=scaled(60), deadline=None)
def test_round_trip(tree: Tree) -> None:
    back = parse(store.dump(tree, "calibkit-test", 1))
    assert {p: a.tobytes() for p, a in back.data.items()} == {
        p: a.tobytes() for p, a in tree.data.items()
    }
    assert all(same(back.data[p], a) for p, a in tree.data.items())
    for path, wanted in tree.attrs.items():
        found = dict(back.attrs.get(path, {}))
        if path == "/":
            assert found.pop("format") == wanted.get("format", "calibkit-test")
            assert found.pop("version") == 1
        assert found.keys() == wanted.keys()
        for name, value in wanted.items():
            if isinstance(value, np.ndarray) and value.shape == ():
                if value.dtype.kind == "S":
                    assert found[name] == store.texts(value)[0]
                    continue
                assert np.asarray(value).tobytes() == np.asarray(found[name]).tobytes()
            else:
                assert equal_values(value, found[name])


def test_the_same_tree_gives_the_same_bytes() -> None:
    assert store.dump(EXAMPLE, "calibkit-test", 1) == DATA


def test_the_checksum_is_sha256_of_all_but_the_first_block() -> None:
    """Source: hashlib; `tail -c +513 FILE | sha256sum` shows the same."""
    words = DATA[:512].split()
    assert words[words.index(b"sha256") + 1].split(b"\0")[0].decode() == (
        hashlib.sha256(DATA[512:]).hexdigest()
    )


def test_plain_h5py_reads_what_we_wrote(tmp_path: Path) -> None:
    """Oracle: h5py and the HDF5 file format specification 3.0, section II.A."""
    path = tmp_path / "a.h5"
    store.write(path, EXAMPLE, format="calibkit-test", version=1)
    with h5py.File(path) as file:
        assert file.userblock_size == 512
        assert file.attrs["format"].decode() == "calibkit-test"
        assert np.array_equal(file["a/numbers"][:], EXAMPLE.data["/a/numbers"])
        assert [t.decode() for t in file["a/text"][:]] == ["ä", "longer"]
        assert file["table"][0]["n"] == 1
        kinds: list[Any] = []

        def look(_: str, thing: Any) -> None:
            plain = [thing.attrs.get_id(name) for name in thing.attrs]
            if isinstance(thing, h5py.Dataset):
                assert thing.id.get_create_plist().get_nfilters() == 0
                plain.append(thing.id)
            kinds.extend(p.get_type() for p in plain)

        file.visititems(look)
    text = [k for k in kinds if isinstance(k, h5py.h5t.TypeStringID)]
    assert text
    assert not any(k.is_variable_str() for k in text)
    assert all(k.get_cset() == h5py.h5t.CSET_UTF8 for k in text)
    assert DATA[512:520] == b"\x89HDF\r\n\x1a\n"
    assert DATA[520] == 0  # superblock version 0: no consistency flag to be stuck


def test_every_flipped_bit_of_the_block_and_a_sample_of_the_rest_is_found() -> None:
    rng = random.Random(3)
    rest = [rng.randrange(512 * 8, len(DATA) * 8) for _ in range(scaled(1000))]
    for bit in [*range(512 * 8), *rest]:
        damaged = bytearray(DATA)
        damaged[bit // 8] ^= 1 << bit % 8
        with pytest.raises(InputError, match="damaged"):
            parse(bytes(damaged))


@pytest.mark.parametrize("cut", [1, 100, 512, 513, 600, len(DATA) - 1])
def test_a_truncated_file_of_ours_is_refused_without_a_child(
    cut: int, tmp_path: Path
) -> None:
    path = tmp_path / "a.h5"
    path.write_bytes(DATA[:cut])
    with pytest.raises(InputError) as caught:
        read(path)
    one_line(caught.value, str(path))


def test_other_formats_and_versions_are_named(tmp_path: Path) -> None:
    path = tmp_path / "a.h5"
    store.write(path, Tree(), format="calibkit-mapping", version=1)
    with pytest.raises(InputError) as caught:
        read(path)
    one_line(caught.value, str(path), "calibkit-mapping", "calibkit-test")
    store.write(path, Tree(), format="calibkit-test", version=7, overwrite=True)
    with pytest.raises(InputError) as caught:
        read(path)
    one_line(caught.value, "version 7", "newer calibkit")
    with pytest.raises(InputError, match="version 0"):
        store.parse(
            store.dump(Tree(), "calibkit-test", 0),
            format="calibkit-test",
            max_version=1,
        )


@pytest.mark.parametrize(
    "version", [None, "one", "", "-1", "1.0", "9" * 5000, 1.5, np.array([1, 2])]
)
def test_a_version_that_is_none(version: Any, tmp_path: Path) -> None:
    path = tmp_path / "foreign.h5"
    with h5py.File(path, "w") as file:
        file.attrs["format"] = "calibkit-test"
        if version is not None:
            file.attrs["version"] = version
    with pytest.raises(InputError) as caught:
        read(path)
    one_line(caught.value, "names no version")


@pytest.mark.parametrize("version", ["1", b"1", 1, 1.0, np.uint8(1), np.array([1])])
def test_a_version_in_any_form_that_says_it(version: Any, tmp_path: Path) -> None:
    # Source: contract, recording file: it gives attribute names, and no type of this.
    path = tmp_path / "foreign.h5"
    with h5py.File(path, "w") as file:
        file.attrs["format"], file.attrs["version"] = "calibkit-test", version
    read(path)
    with h5py.File(path, "a") as file:
        file.attrs["version"] = "99"
    with pytest.raises(InputError, match="version 99"):
        read(path)


def test_a_file_that_another_program_changed(tmp_path: Path) -> None:
    path = tmp_path / "a.h5"
    path.write_bytes(DATA)
    with h5py.File(path, "r+") as file:
        file["note"] = 5
    with pytest.raises(InputError, match="checksum"):
        read(path)
    tree = read(path, changed="accept")
    with pytest.warns(store.ChangedFileWarning, match="checksum differs"):
        store.warn_of(path, tree)
    assert tree.data["/note"] == 5
    assert same(tree.data["/a/numbers"], EXAMPLE.data["/a/numbers"])


def test_a_valid_file_needs_no_child_and_no_warning(tmp_path: Path) -> None:
    path = tmp_path / "a.h5"
    store.write(path, EXAMPLE, format="calibkit-test", version=1)
    code = f"""
from calibkit.kept import foreign, store
foreign.read = None
store.read({str(path)!r}, format="calibkit-test", max_version=1, limit_bytes=99999)
"""
    subprocess.run([sys.executable, "-c", code], check=True)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        store.warn_of(path, read(path, changed="accept"))


def test_sizes_and_emptiness(tmp_path: Path) -> None:
    path = tmp_path / "a.h5"
    path.write_bytes(b"")
    with pytest.raises(InputError, match="empty"):
        read(path)
    path.write_bytes(DATA)
    with pytest.raises(InputError, match="bytes, more than the 100"):
        read(path, limit_bytes=100)


def test_an_existing_file_is_kept(tmp_path: Path) -> None:
    path = tmp_path / "a.h5"
    path.write_bytes(b"precious")
    with pytest.raises(CallError):
        store.write(path, EXAMPLE, format="calibkit-test", version=1)
    assert path.read_bytes() == b"precious"


def test_importing_the_store_loads_no_h5py() -> None:
    code = (
        "import sys, calibkit.kept.store, calibkit.kept.profile, calibkit.kept.journal;"
        "assert 'h5py' not in sys.modules and 'scipy' not in sys.modules"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


def test_text_arrays() -> None:
    assert store.texts(store.text_array(["", "ü", "abc"])) == ["", "ü", "abc"]
    assert store.text_array("").dtype == "S1"
    assert store.text_array([]).shape == (0,)
    assert store.texts(np.array(b"\xff")) == ["\ufffd"]
