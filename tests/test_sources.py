"""Every shipped table row names its source and its place there."""

import csv
import re
import tomllib
from pathlib import Path

import pytest

from treescan.errors import SourceDataError
from treescan.sources import citation

LIBRARY = Path(__file__).parents[1] / "treescan"
TABLES = sorted(LIBRARY.glob("*/data/*.csv"))


def rows_of(path):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_tables_are_found():
    assert len(TABLES) >= 4


def keyed(path):
    """Tables with a locator column cite by key; the others hold the whole source in words."""
    return "locator" in rows_of(path)[0]


MARK = re.compile(r"\[(from memory|derived|judgement)|\b(19|20)\d\d\b|\bEN \d{3,}|page \d+")
"""What a source in words must hold: its mark, a year, a standard or a page."""


@pytest.mark.parametrize("path", TABLES, ids=lambda p: p.name)
def test_every_row_has_its_source(path):
    for number, row in enumerate(rows_of(path), start=2):
        where = f"{path.name} line {number}"
        assert (row.get("source") or "").strip(), f"{where}: source is empty"
        if keyed(path):
            assert (row.get("locator") or "").strip(), f"{where}: locator is empty"
            citation(row["source"])
        else:
            assert MARK.search(row["source"]), f"{where}: source names no origin"


@pytest.mark.parametrize("path", TABLES, ids=lambda p: p.name)
def test_a_source_from_memory_is_marked_where_it_is_shown(path):
    for number, row in enumerate(rows_of(path), start=2):
        if "from-memory" in row["source"].split(";"):
            text = " ".join(value for key, value in row.items() if key != "source")
            assert "from memory" in text, f"{path.name} line {number} hides its mark"


def test_no_row_has_more_cells_than_columns():
    for path in TABLES:
        assert all(None not in row for row in rows_of(path)), path.name


def test_unknown_keys_are_refused():
    with pytest.raises(SourceDataError, match="no-such-key"):
        citation("kane-2007;no-such-key")
    with pytest.raises(SourceDataError, match="add it there"):
        citation(" ")


def test_every_citation_has_a_text():
    keys = tomllib.loads((LIBRARY / "sources.toml").read_text(encoding="utf-8"))
    assert all(len(citation(key)) > 20 for key in keys)
