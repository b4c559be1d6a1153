"""The public names of ``treescan`` and the script of DEVELOPERS.md."""

import re
import subprocess
import sys
import typing
from pathlib import Path

import pytest

import treescan

ROOT = Path(__file__).parents[1]


def fresh(code):
    return subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    ).stdout


def test_every_public_name_is_there_and_documented():
    for name in treescan.__all__:
        thing = getattr(treescan, name)
        assert name == "__version__" or thing.__doc__
        assert name in dir(treescan)
    assert len(treescan.__all__) <= 16


def test_public_functions_are_annotated():
    for name in treescan.__all__:
        thing = getattr(treescan, name)
        if callable(thing) and not isinstance(thing, type):
            assert "return" in thing.__annotations__, name


def test_an_unknown_name_is_an_attribute_error():
    with pytest.raises(AttributeError, match="no attribute 'plan_the_tree'"):
        treescan.plan_the_tree  # noqa: B018


def test_import_loads_nothing_heavy():
    code = (
        "import sys, treescan\n"
        "print(sorted({m.split('.')[0] for m in sys.modules} & {'numpy', 'open3d', 'numba',"
        " 'pydantic', 'matplotlib', 'scipy'}))"
    )
    assert fresh(code) == "[]\n"


def test_static_names_and_lazy_names_are_the_same():
    source = Path(treescan.__file__).read_text(encoding="utf-8")
    block = source.split("if TYPE_CHECKING:")[1].split("__all__")[0]
    typed = {
        name: home
        for home, names in re.findall(r"from (\S+) import (.+)", block)
        for name in names.split(", ")
    }
    assert typed == treescan._HOME
    assert {*typed, "__version__"} == set(treescan.__all__)
    assert typing.TYPE_CHECKING is False


def test_the_package_says_that_it_is_typed():
    assert (Path(treescan.__file__).parent / "py.typed").exists()


def script():
    """The python block of DEVELOPERS.md that plans a sample."""
    blocks = re.findall(r"```python\n(.*?)```", (ROOT / "DEVELOPERS.md").read_text("utf-8"), re.S)
    (text,) = (block for block in blocks if "plan_removal" in block)
    return text


def test_the_script_of_the_developers_page_is_short_and_uses_public_names():
    text = script()
    assert len([line for line in text.splitlines() if line.strip()]) <= 20
    compile(text, "DEVELOPERS.md", "exec")
    assert set(re.findall(r"treescan\.(\w+)", text)) <= set(treescan.__all__)


@pytest.mark.slow
def test_the_script_of_the_developers_page_runs(tmp_path):
    (tmp_path / "sample_scans").symlink_to(ROOT / "sample_scans", target_is_directory=True)
    done = subprocess.run(
        [sys.executable, "-c", script()], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert "m high" in done.stdout
    assert re.search(r"^1: ", done.stdout, re.M)
    assert (tmp_path / "out" / "from_script" / "report.html").stat().st_size
