"""What treescan stands on: pinned, within the stated ranges, licences listed."""

from __future__ import annotations

import tomllib
from importlib import metadata
from itertools import chain

import pytest
from packaging.markers import Marker
from packaging.requirements import Requirement

from tests.licences import LISTED, LOCKED, ROOT, locked_names


def pins() -> list[Requirement]:
    lines = LOCKED.read_text(encoding="utf-8").splitlines()
    return [Requirement(line) for line in lines if line and not line.startswith("#")]


def declared() -> list[Requirement]:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    table = project["project"]
    texts = list(table["dependencies"])
    for extra in ("e57", "page", "cluster"):
        texts += table["optional-dependencies"][extra]
    texts += [row for row in project["dependency-groups"]["test"] if isinstance(row, str)]
    return [Requirement(text) for text in texts]


def test_every_declared_package_is_pinned_inside_its_range() -> None:
    by_name: dict[str, list[Requirement]] = {}
    for pin in pins():
        by_name.setdefault(pin.name.lower().replace("_", "-"), []).append(pin)
    for wanted in declared():
        found = by_name[wanted.name.lower().replace("_", "-")]
        for pin in found:
            version = next(iter(pin.specifier)).version
            assert wanted.specifier.contains(version), (wanted, pin)


def test_every_runtime_package_has_an_upper_bound() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = (project["optional-dependencies"][extra] for extra in ("e57", "page", "cluster"))
    for text in (*project["dependencies"], *chain.from_iterable(extras)):
        operators = {part.operator for part in Requirement(text).specifier}
        assert {">=", "<"} <= operators, text


@pytest.mark.parametrize("python", ["3.11", "3.12", "3.13"])
def test_one_pin_a_package_and_python(python: str) -> None:
    environment = {"python_version": python, "python_full_version": f"{python}.5"}
    environment |= {"sys_platform": "linux", "platform_machine": "x86_64"}
    names = [
        pin.name
        for pin in pins()
        if pin.marker is None or Marker(str(pin.marker)).evaluate(environment)
    ]
    assert len(names) == len(set(names))


def test_every_pinned_package_has_its_licence_listed() -> None:
    listed = [
        row.split("|")[1].strip()
        for row in LISTED.read_text(encoding="utf-8").splitlines()
        if row.startswith("| ") and not row.startswith("| package")
    ]
    assert listed == locked_names()


def test_the_project_states_no_host() -> None:
    for path in (LOCKED, ROOT / "pyproject.toml", LISTED):
        assert "://" not in path.read_text(encoding="utf-8"), path


def test_treescan_itself_is_installed_with_its_types() -> None:
    files = [str(path) for path in metadata.files("treescan") or []]
    assert files
    assert (ROOT / "treescan" / "py.typed").exists()


def _needs(name: str, extras: frozenset[str]) -> list[Requirement]:
    """What an installed package needs on this machine with some of its extras."""
    found = [Requirement(text) for text in metadata.requires(name) or []]
    return [
        need
        for need in found
        if need.marker is None or any(need.marker.evaluate({"extra": e}) for e in (*extras, ""))
    ]


def test_every_installed_package_has_what_it_needs() -> None:
    """As ``pip check``, for everything that treescan stands on here."""
    seen: set[tuple[str, frozenset[str]]] = set()
    left = [("treescan", frozenset({"e57", "page", "cluster"}))]
    wrong = []
    while left:
        name, extras = left.pop()
        if (name, extras) in seen:
            continue
        seen.add((name, extras))
        for need in _needs(name, extras):
            try:
                version = metadata.version(need.name)
            except metadata.PackageNotFoundError:
                if name != "treescan":  # an extra of ours may be left out
                    wrong.append(f"{name} needs {need}, which is not installed")
                continue
            if not need.specifier.contains(version, prereleases=True):
                wrong.append(f"{name} needs {need}, installed is {version}")
            left.append((need.name, frozenset(need.extras)))
    assert len(seen) > 30
    assert wrong == []
