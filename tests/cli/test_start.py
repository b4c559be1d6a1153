"""The command starts without loading what the verb at hand does not need."""

import subprocess
import sys

import pytest

from treescan._version import __version__
from treescan_cli.main import main, verbs

HEAVY = "{'numpy', 'scipy', 'numba', 'pydantic', 'rich', 'open3d', 'matplotlib', 'distributed'}"


@pytest.mark.parametrize("word", ["--version", "--help"])
def test_version_and_help_load_nothing_heavy(word):
    code = (
        "import sys\nfrom treescan_cli.main import main\n"
        f"try:\n    main(['{word}'])\nexcept SystemExit as stop:\n    assert stop.code == 0\n"
        f"print(sorted({{m.split('.')[0] for m in sys.modules}} & {HEAVY}), file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stderr == "[]\n"
    assert (__version__ if word == "--version" else "haul") in done.stdout


@pytest.mark.parametrize("verb", [module.NAME for module in verbs()])
def test_every_verb_lists_its_own_options(verb, capsys):
    with pytest.raises(SystemExit) as stop:
        main([verb, "--help"])
    assert stop.value.code == 0
    assert capsys.readouterr().out.count("--") > 3


def test_an_unknown_verb_is_one_line(capsys):
    with pytest.raises(SystemExit) as stop:
        main(["fell"])
    assert stop.value.code == 2
    assert capsys.readouterr().err.count("\n") == 1
