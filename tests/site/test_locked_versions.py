"""What README's commands install is locked: every dependency, in a version that pyproject.toml lets in, with hashes."""

from __future__ import annotations

import re
import tomllib

import pytest
from django.conf import settings
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

PINNED = re.compile(r"^([a-z0-9._-]+)==(\S+)(?: ; [^\\]*)? \\\n((?: +--hash=sha256:[0-9a-f]{64}(?: \\)?\n)+)", re.M)


def locked(name: str) -> dict[str, list[str]]:
    """The versions of each package in a lock, which may differ by the version of Python."""
    text = (settings.BASE_DIR / ".lock" / f"{name}.txt").read_text()
    found: dict[str, list[str]] = {}
    for package, version, _ in PINNED.findall(text):
        found.setdefault(package, []).append(version)
    lines = [line for line in text.splitlines() if line and not line.startswith(("#", " "))]
    assert len(lines) == sum(map(len, found.values())), "a line of the lock has no hash, or is none"
    return found


@pytest.mark.parametrize("name", ["run", "test"])
def test_each_dependency_is_locked_in_a_version_that_it_may_have(name: str) -> None:
    project = tomllib.loads((settings.BASE_DIR / "pyproject.toml").read_text())["project"]
    wanted = [*project["dependencies"], *(project["optional-dependencies"]["test"] if name == "test" else [])]
    there = locked(name)
    for requirement in map(Requirement, wanted):
        versions = there.get(canonicalize_name(requirement.name), [])
        assert versions and all(version in requirement.specifier for version in versions), requirement


def test_readme_installs_from_the_lock_and_nothing_else() -> None:
    commands = re.findall(r"pip install .*?(?= && |$)", (settings.BASE_DIR / "README.md").read_text(), re.M)
    assert commands == [f"pip install -q --require-hashes -r .lock/{name}.txt" for name in ("run", "test")]
