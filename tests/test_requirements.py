"""What `make` installs is what pyproject.toml asks for: pinned, with hashes, from no certain registry."""

from __future__ import annotations

import json
import tomllib

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from miner.distribution import NAME
from tests.conftest import ROOT

PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
ENVIRONMENTS = [
    {
        "python_version": python,
        "python_full_version": f"{python}.7",
        "sys_platform": system,
        "platform_system": {"linux": "Linux", "darwin": "Darwin", "win32": "Windows"}[system],
        "os_name": "nt" if system == "win32" else "posix",
        "implementation_name": "cpython",
        "platform_python_implementation": "CPython",
    }
    for python in ("3.11", "3.12", "3.13", "3.14")
    for system in ("linux", "darwin", "win32")
]
EVERYWHERE = pytest.mark.parametrize(
    "environment", ENVIRONMENTS, ids=lambda one: f"{one['sys_platform']}-{one['python_version']}"
)
LOCKED = {
    "build": (),
    "demo": ("print",),
    "container": ("cluster", "print", "remote"),
    "dev": ("dev",),
    "tools": (),
}
"""The files of pinned packages, and the extras that each must hold."""


def lines_of(name: str) -> list[str]:
    """The requirements of a file, each on one line with its hashes."""
    text = (ROOT / "requirements" / f"{name}.txt").read_text(encoding="utf-8").replace("\\\n", " ")
    return [line for line in text.splitlines() if line and not line.lstrip().startswith("#")]


def pins(name: str, environment: dict[str, str]) -> dict[str, str]:
    """The versions that a file installs in an environment, by package; one of each."""
    found: dict[str, str] = {}
    for line in lines_of(name):
        requirement = Requirement(line.split("--hash")[0])
        if requirement.marker is None or requirement.marker.evaluate(environment):
            (specifier,) = requirement.specifier
            package = canonicalize_name(requirement.name)
            assert specifier.operator == "==", f"{line} is not pinned"
            assert package not in found, f"{package} is pinned twice"
            found[package] = specifier.version
    return found


def asked_for(extras: tuple[str, ...]) -> list[Requirement]:
    """What the project asks for with some extras, with the extras that those are made of."""
    wanted: list[Requirement] = [Requirement(one) for one in PROJECT["dependencies"]]
    for extra in extras:
        for one in map(Requirement, PROJECT["optional-dependencies"][extra]):
            wanted += asked_for(tuple(sorted(one.extras))) if one.name == PROJECT["name"] else [one]
    return wanted


def test_the_name_is_that_of_the_advice() -> None:
    """What an error says is to be installed is what this project is called."""
    assert PROJECT["name"] == NAME


@EVERYWHERE
@pytest.mark.parametrize("name", ["demo", "container", "dev"])
def test_every_dependency_is_pinned_within_its_range(name: str, environment: dict[str, str]) -> None:
    """After a change of pyproject.toml `make lock` must be run."""
    pinned = pins(name, environment)

    wanted = [
        one for one in asked_for(LOCKED[name]) if one.marker is None or one.marker.evaluate(environment)
    ]

    missing = [str(one) for one in wanted if canonicalize_name(one.name) not in pinned]
    outside = [str(one) for one in wanted if not one.specifier.contains(pinned[canonicalize_name(one.name)])]
    assert (missing, outside) == ([], []), "run `make lock`"


@EVERYWHERE
@pytest.mark.parametrize("name", ["build", "demo", "container"])
def test_the_smaller_lists_are_parts_of_the_large_one(name: str, environment: dict[str, str]) -> None:
    """Whoever runs the tests after the demo has nothing replaced."""
    part, whole = pins(name, environment), pins("dev", environment)

    assert {package: whole.get(package) for package in part} == part


@pytest.mark.parametrize("name", LOCKED)
def test_every_file_is_known_by_its_hash_and_none_by_its_place(name: str) -> None:
    """No option and no address: whoever installs chooses the registry, and gets the same bytes."""
    lines = lines_of(name)

    assert lines
    assert [line for line in lines if "--hash=sha256:" not in line] == []
    assert [line for line in lines if line.startswith("-") or "://" in line or " @ " in line] == []


def test_the_tools_of_the_page_are_pinned_likewise() -> None:
    """One version of each, by its hash and from no certain place."""
    told = json.loads((ROOT / "tools/page/package.json").read_text(encoding="utf-8"))
    lock = json.loads((ROOT / "tools/page/package-lock.json").read_text(encoding="utf-8"))
    asked = lock["packages"].pop("")["devDependencies"]

    pinned = {name.removeprefix("node_modules/"): one["version"] for name, one in lock["packages"].items()}

    assert asked == told["devDependencies"], "run `make lock`"
    assert {name: pinned[name] for name in asked} == asked
    assert [one for one in lock["packages"].values() if "integrity" not in one or "resolved" in one] == []
