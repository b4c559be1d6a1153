"""``--paper`` and ``--rows`` shape the printed cut list of ``plan``, whatever the units."""

from __future__ import annotations

import pypdf
import pytest

from tests.report.job import make_job
from treescan.pipeline import run
from treescan_cli.main import main


@pytest.fixture(scope="module")
def made():
    return make_job()


@pytest.mark.parametrize(
    ("words", "size"),
    [
        ([], (595, 842)),
        (["--paper", "letter", "--rows"], (612, 792)),
        (["--units", "us", "--paper", "a4"], (595, 842)),
    ],
)
def test_paper_and_rows(made, monkeypatch, tmp_path, words, size):
    monkeypatch.setattr(run, "plan_removal", lambda *_: made)
    for name in ("yard.laz", "yard.toml"):
        (tmp_path / name).write_text("not read here")
    where = ["plan", str(tmp_path / "yard.laz"), "--site", str(tmp_path / "yard.toml")]
    assert main([*where, "--out", str(tmp_path / "out"), "--quiet", *words]) == 0
    pages = pypdf.PdfReader(tmp_path / "out" / "cut_list.pdf").pages
    assert (round(pages[0].mediabox.width), round(pages[0].mediabox.height)) == size
    heads = "Goes to, closest" in pages[1].extract_text()
    assert heads == ("--rows" in words)


def test_an_unknown_paper_names_the_choices(capsys):
    with pytest.raises(SystemExit, match="2"):
        main(["plan", "yard.laz", "--out", "there", "--paper", "a5"])
    assert "letter" in capsys.readouterr().err
