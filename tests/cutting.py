"""What a disk may hold after the power went, from the calls that were made.

A model, no real disk: data that was not flushed is kept, cut short or lost, write by
write; names that were not flushed are kept up to some point in their order, as a
journalling file system does. What was flushed is there.
"""

from __future__ import annotations

import random
import re
import shutil
from dataclasses import dataclass, field
from pathlib import Path

from tracing import Call, texts


@dataclass(frozen=True)
class Step:
    """One change: of data ("write"), of names, a flush, or a mark of the test's."""

    kind: str
    inode: int = -1
    data: bytes = b""
    names: tuple[str, ...] = ()


@dataclass
class Cut:
    """The steps below a folder, and the folder as it was before them."""

    home: Path
    mark: Path
    before: Path
    steps: list[Step] = field(default_factory=list)

    @classmethod
    def of(cls, home: Path, mark: Path) -> Cut:
        before = home.with_name("before")
        shutil.copytree(home, before)
        return cls(home, mark, before)

    def record(self, calls: list[Call]) -> None:
        """Turn calls into steps; files that are made get numbers."""
        handles: dict[int, tuple[str, int]] = {}
        inodes: dict[str, int] = {}
        for call in calls:
            if call.result < 0:
                continue
            names = [self._name(text) for text in texts(call.arguments)]
            first = int(m[0]) if (m := re.match(r"\d+", call.arguments)) else -1
            if call.name == "openat":
                self._open(call, names[0], handles, inodes)
            elif call.name in ("write", "pwrite64") and first in handles:
                kind, inode = handles[first]
                data = texts(call.arguments)[0][: call.result]
                self.steps.append(Step(kind, inode, data))
            elif call.name in ("fsync", "fdatasync") and first in handles:
                self.steps.append(Step("flush", handles[first][1]))
            elif call.name == "close":
                handles.pop(first, None)
            elif call.name.startswith(("link", "rename", "unlink", "mkdir")):
                self._names(call.name, [name for name in names if name], inodes)

    def _name(self, text: bytes) -> str:
        path = Path(text.decode("utf-8", "replace"))
        inside = path != self.home and path.is_relative_to(self.home)
        return str(path.relative_to(self.home)) if inside else ""

    def _open(
        self,
        call: Call,
        name: str,
        handles: dict[int, tuple[str, int]],
        inodes: dict[str, int],
    ) -> None:
        if texts(call.arguments)[0] == str(self.mark).encode():
            handles[call.result] = ("mark", -1)
        elif "O_DIRECTORY" in call.arguments:
            handles[call.result] = ("folder", -1)
        elif name and "O_CREAT" in call.arguments:
            inodes[name] = len(self.steps)
            self.steps.append(Step("create", inodes[name], names=(name,)))
            handles[call.result] = ("write", inodes[name])

    def _names(self, call: str, names: list[str], inodes: dict[str, int]) -> None:
        if not names:
            return
        kind = call.rstrip("2").removesuffix("at")
        self.steps.append(Step(kind, inodes.get(names[0], -1), names=tuple(names)))
        if kind in ("link", "rename"):
            inodes[names[1]] = inodes.get(names[0], -1)

    def state(self, rng: random.Random, place: Path) -> list[bytes]:
        """Make what a disk may hold after a cut; return the marks made before it."""
        shutil.copytree(self.before, place)
        end = rng.randrange(1, len(self.steps) + 1)
        done = self.steps[:end]
        flushed = [k for k, step in enumerate(done) if step.kind == "flush"]
        sure = max([-1, *flushed])
        other = ("write", "mark", "flush")
        naming = [k for k, step in enumerate(done) if step.kind not in other]
        last = rng.choice([k for k in [sure, *naming] if k >= sure])
        contents: dict[int, bytes] = {}
        for k, step in enumerate(done):
            if step.kind == "write":
                safe = any(j > k and done[j].inode == step.inode for j in flushed)
                keep = len(step.data) if safe else self._kept(rng, step.data)
                contents[step.inode] = contents.get(step.inode, b"") + step.data[:keep]
                if keep < len(step.data):
                    contents[step.inode] += self._garbage(rng, len(step.data) - keep)
            elif step.kind not in other and k <= last:
                self._rename(step, place)
        for path in place.rglob("*"):
            number = path.read_bytes()[:12] if path.is_file() else b""
            if number.startswith(b"inode "):
                path.write_bytes(contents.get(int(number[6:]), b""))
        return [step.data for step in done if step.kind == "mark"]

    @staticmethod
    def _kept(rng: random.Random, data: bytes) -> int:
        return rng.choice([0, len(data), rng.randrange(len(data) + 1)])

    @staticmethod
    def _garbage(rng: random.Random, count: int) -> bytes:
        """The length may be there and the data not: zeros, old blocks, or an end."""
        return rng.choice([b"", bytes(count), rng.randbytes(count)])

    @staticmethod
    def _rename(step: Step, place: Path) -> None:
        paths = [place / name for name in step.names]
        if step.kind == "create":
            paths[0].write_bytes(b"inode %d" % step.inode)
        elif step.kind == "mkdir":
            paths[0].mkdir(exist_ok=True)
        elif step.kind == "link" and paths[0].exists():
            paths[1].write_bytes(paths[0].read_bytes())
        elif step.kind == "rename" and paths[0].exists():
            paths[0].replace(paths[1])
        elif step.kind == "unlink":
            paths[0].unlink(missing_ok=True)
