"""List the licence of every pinned package: ``python -m tests.licences``.

Writes ``.github/licences.md`` from the metadata of the packages installed here; `test_supply.py`
holds the file to ``cli/locked.txt``.
"""

from __future__ import annotations

from importlib import metadata
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
LOCKED = ROOT / "cli" / "locked.txt"
LISTED = ROOT / ".github" / "licences.md"
HEAD = """# Licences of what treescan stands on

The packages of `cli/locked.txt` with the licence each states in its own metadata; those of the
tests and of linting included. Made by `python -m tests.licences`; none is changed or shipped here.

| package | licence stated |
|---|---|
"""


def locked_names() -> list[str]:
    """The pinned packages, each once, in the order of the file."""
    lines = LOCKED.read_text(encoding="utf-8").splitlines()
    return list(dict.fromkeys(line.split("==")[0] for line in lines if "==" in line[:60]))


def stated_licence(name: str) -> str | None:
    """What the installed package states, or None when it is not installed."""
    try:
        found = metadata.metadata(name)
    except metadata.PackageNotFoundError:
        return None
    if expression := found.get("License-Expression"):
        return expression
    kinds = [
        row.split("::")[-1].strip()
        for row in found.get_all("Classifier") or []
        if row.startswith("License ::")
    ]
    kinds = [kind for kind in kinds if kind != "OSI Approved"]
    return ", ".join(kinds) or (found.get("License") or "not stated").splitlines()[0][:60]


def main() -> None:
    """Write the list."""
    rows = [
        f"| {name} | {stated_licence(name) or 'not needed on the machine that made this list'} |"
        for name in locked_names()
    ]
    LISTED.write_text(HEAD + "\n".join(rows) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
