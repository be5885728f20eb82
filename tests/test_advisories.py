"""What calibkit installs, held against known advisories.

`advisories.toml` is looked up by hand and dated, since the machines that test have no
source of advisories; where one is in reach, pip-audit asks it too. By hand, after an
update of the list: python -m pytest tests/test_advisories.py
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
import tomllib
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.specifiers import SpecifierSet
from packaging.utils import canonicalize_name
from packaging.version import Version

ROOT = Path(__file__).parent.parent
SHIPPED = ("screen", "webcam", "archive", "cluster")


@dataclass(frozen=True)
class Advisory:
    package: str
    id: str
    first: Version
    fixed: Version | None
    accepted: str

    def hits(self, version: Version) -> bool:
        return self.first <= version and (self.fixed is None or version < self.fixed)

    def permitted(self, allowed: SpecifierSet) -> bool:
        """Whether the range allows an affected version: all ranges are [a, b)."""
        assert {part.operator for part in allowed} <= {">=", "<"}, allowed
        floors = [Version(p.version) for p in allowed if p.operator == ">="]
        lowest = max([self.first, *floors])
        return self.hits(lowest) and allowed.contains(lowest)


def advisories() -> list[Advisory]:
    plain = tomllib.loads((ROOT / "tests" / "advisories.toml").read_text())
    return [
        Advisory(
            package=row["package"],
            id=row["id"],
            first=Version(row.get("from", "0")),
            fixed=Version(row["fixed"]) if "fixed" in row else None,
            accepted=row.get("accepted", ""),
        )
        for row in plain["advisory"]
    ]


def ranges() -> dict[str, SpecifierSet]:
    """What may be installed, by package: the core's and the shipped extras' needs."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    extras = project["optional-dependencies"]
    lines = project["dependencies"] + [line for e in SHIPPED for line in extras[e]]
    wanted = [Requirement(line) for line in lines]
    return {canonicalize_name(one.name): one.specifier for one in wanted}


KNOWN = advisories()


@pytest.mark.parametrize("one", KNOWN, ids=lambda one: f"{one.package} {one.id}")
def test_no_range_allows_a_version_with_a_known_fault(one: Advisory) -> None:
    assert re.fullmatch(r"(CVE|PYSEC)-\d{4}-\d+|GHSA(-\w{4}){3}", one.id)
    assert one.package in ranges(), f"{one.package} is no dependency any more"
    if one.accepted:
        assert one.permitted(ranges()[one.package]), f"{one.id} needs no excuse"
    else:
        assert not one.permitted(ranges()[one.package]), (
            f"the range of {one.package} allows what {one.id} tells; raise its floor "
            f"to {one.fixed}"
        )


@pytest.mark.parametrize("one", KNOWN, ids=lambda one: f"{one.package} {one.id}")
def test_nothing_installed_here_has_a_known_fault(one: Advisory) -> None:
    try:
        here = Version(metadata.version(one.package))
    except metadata.PackageNotFoundError:
        pytest.skip(f"{one.package} is not installed")
    assert one.accepted or not one.hits(here), f"{one.package} {here} has {one.id}"


def test_the_judge_can_say_no() -> None:
    """Worked by hand: 3.1.4 and 3.1.5 are allowed, and affected."""
    jinja = next(one for one in KNOWN if one.id == "CVE-2025-27516")
    assert jinja.permitted(SpecifierSet(">=3.1.4"))
    assert not jinja.permitted(SpecifierSet(">=3.1.6"))
    assert jinja.permitted(SpecifierSet("<81"))
    late = next(one for one in KNOWN if one.id == "CVE-2026-25087")
    assert late.permitted(SpecifierSet(">=14"))
    assert not late.permitted(SpecifierSet(">=14,<15"))
    unmended = next(one for one in KNOWN if one.fixed is None)
    assert unmended.permitted(SpecifierSet(">=3.11"))
    assert len(ranges()) > 10


def installed() -> dict[str, str]:
    """calibkit's own needs and theirs, as they are here."""
    found: dict[str, str] = {}
    waiting = list(ranges())
    while waiting:
        name = waiting.pop()
        if name in found:
            continue
        try:
            found[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            continue
        needs = [Requirement(line) for line in metadata.requires(name) or []]
        waiting += [
            canonicalize_name(one.name)
            for one in needs
            if one.marker is None or one.marker.evaluate({"extra": ""})
        ]
    return found


@pytest.mark.live
def test_a_source_of_advisories_knows_no_other(tmp_path: Path) -> None:
    audit = pytest.importorskip("pip_audit", reason="pip-audit is not installed")
    lines = [f"{name}=={version}" for name, version in sorted(installed().items())]
    path = tmp_path / "installed.txt"
    # A few first: without a source in reach the rest need not be asked for.
    for asked in (lines[:2], lines):
        path.write_text("\n".join(asked))
        command = [sys.executable, "-m", audit.__name__, "--no-deps", "--disable-pip"]
        command += ["-r", str(path), "-f", "json", "--progress-spinner", "off"]
        done = subprocess.run(
            [*command, "--timeout", "5"], capture_output=True, text=True, timeout=250
        )
        if not done.stdout.strip():
            last = done.stderr.strip().splitlines()[-1:]
            pytest.skip(f"no source of advisories in reach: {last}")
        told = json.loads(done.stdout)["dependencies"]
        if all("skip_reason" in one for one in told):
            pytest.skip("the package registry in reach tells no advisories")
    accepted = {one.id for one in KNOWN if one.accepted}
    found = [
        f"{one['name']} {one['version']}: {fault['id']}"
        for one in told
        for fault in one.get("vulns", [])
        if not accepted & {fault["id"], *fault.get("aliases", [])}
    ]
    assert not found, found
