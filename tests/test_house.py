"""House rules: sizes of modules and functions, what a docstring says, and nothing dead."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
LIBRARY = sorted((ROOT / "treescan").rglob("*.py"))
PRODUCT = [*LIBRARY, *sorted((ROOT / "cli").rglob("*.py"))]
TESTS = sorted((ROOT / "tests").rglob("*.py"))
MOST_LINES, MOST_LINES_OF_A_FUNCTION = 500, 60

Function = ast.FunctionDef | ast.AsyncFunctionDef

ARRAY = re.compile(r"NDArray|ndarray|\b(Floats|Ints|Bools|Int32s|Int64s|Float32s|\w*Metres)\b")
FLOATS = re.compile(r"float64|float32|\b(Floats|Float32s|\w*Metres)\b")
SHAPE = re.compile(r"shape|array_like|broadcast|scalar|\([a-z0-9.][\w. +/*-]*,[\w ,+/*-]*\)", re.I)
"""How a docstring says a shape: "shape (n, 3)", "(n,)", or array_like where all broadcast."""

UNIT_IN_NAME = re.compile(
    r"_(m|mm|cm|m2|m3|m4|n|n_m|kn|kg|kg_m|kg_m3|rad|deg|s|min|pa|j|kj|hz|m_s|rad_s|lb|in|pct|"
    r"share|ratio|factor|cv)$"
)
UNIT_IN_TEXT = re.compile(
    r"\[[^\]\n]{1,30}\]|\bunits?\b|shares?\b|ratio|coefficient|quaternion|rotation|degrees|"
    r"radians|metres|log",
    re.I,
)
"""A unit in brackets or words, or words for numbers without one."""

ERRORS = set(re.findall(r"^class (\w+)\(", (ROOT / "treescan/errors.py").read_text(), re.M))
CHECK_ID = re.compile(r"^test_[a-z]\d+_")
KEPT = {
    "model_config": "read by pydantic",
    "torsion_n_m": "of the whole state of a section, held against a frame solver",
    "shear_n": "of the whole state of a section, held against a frame solver",
    "space_share": "of the fullest trip: what every packing is held to",
    "payload_share": "of the fullest trip: what every packing is held to",
    "exhaustive": "all orders tried: what the search for an order is held against",
    "violated": "which rule an order breaks: what every order is held against",
    "preview_edit": "both pieces of a moved cut in one answer; the page asks piece by piece",
}
"""What nothing reads and stays all the same, with the reason."""


@cache
def tree_of(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def where(path: Path, node: ast.AST, name: str) -> str:
    return f"{path.relative_to(ROOT)}:{getattr(node, 'lineno', 1)} {name}"


def length(function: Function) -> int:
    """Lines of a function without its docstring."""
    first = function.body[0]
    text = ast.get_docstring(function) is not None
    return function.end_lineno - function.lineno + 1 - text * (first.end_lineno - first.lineno + 1)


def public_functions(path: Path) -> Iterator[tuple[str, Function]]:
    for node in tree_of(path).body:
        if isinstance(node, Function):
            yield node.name, node
        elif isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
            for member in node.body:
                if isinstance(member, Function):
                    yield f"{node.name}.{member.name}", member


def public_docstrings() -> Iterator[tuple[Path, str, Function, str]]:
    for path in LIBRARY:
        for name, function in public_functions(path):
            if not function.name.startswith("_"):
                yield path, name, function, ast.get_docstring(function) or ""


def annotated(function: Function) -> dict[str, str]:
    """Annotation of each argument, in the words of the source."""
    given = function.args
    rows = [*given.posonlyargs, *given.args, *given.kwonlyargs]
    return {row.arg: ast.unparse(row.annotation) for row in rows if row.annotation}


def test_no_module_is_longer_than_500_lines():
    long = {
        str(path.relative_to(ROOT)): lines
        for path in [*PRODUCT, *TESTS]
        if (lines := len(path.read_text(encoding="utf-8").splitlines())) > MOST_LINES
    }
    assert not long


def test_no_function_is_longer_than_60_lines():
    long = [
        f"{where(path, node, node.name)}: {length(node)} lines"
        for path in [*PRODUCT, *TESTS]
        for node in ast.walk(tree_of(path))
        if isinstance(node, Function) and length(node) > MOST_LINES_OF_A_FUNCTION
    ]
    assert not long, "\n".join(long)


def test_docstrings_say_the_shape_of_every_array():
    silent = []
    for path, name, function, text in public_docstrings():
        arrays = [arg for arg, kind in annotated(function).items() if ARRAY.search(kind)]
        result = ast.unparse(function.returns) if function.returns else ""
        if (arrays or ARRAY.search(result)) and not SHAPE.search(text):
            silent.append(f"{where(path, function, name)}: no shape")
        silent += [
            f"{where(path, function, name)}: {arg} is not described"
            for arg in arrays
            if not re.search(rf"\b{arg}\b", text)
        ]
    assert not silent, "\n".join(silent)


def test_docstrings_or_names_say_the_unit_of_every_array():
    silent = []
    for path, name, function, text in public_docstrings():
        args = {arg for arg, kind in annotated(function).items() if FLOATS.search(kind)}
        result = ast.unparse(function.returns) if function.returns else ""
        args |= {function.name} if FLOATS.search(result) else set()
        bare = sorted(arg for arg in args if not UNIT_IN_NAME.search(arg))
        if bare and not UNIT_IN_TEXT.search(text):
            silent.append(f"{where(path, function, name)}: {', '.join(bare)}")
    assert not silent, "\n".join(silent)


def test_classes_say_the_shapes_of_their_arrays():
    silent = [
        where(path, node, node.name)
        for path in LIBRARY
        for node in tree_of(path).body
        if isinstance(node, ast.ClassDef)
        and not node.name.startswith("_")
        and any(isinstance(f, ast.AnnAssign) and is_array(f) for f in node.body)
        and not SHAPE.search(ast.get_docstring(node) or "")
    ]
    assert not silent, "\n".join(silent)


def is_array(field: ast.AnnAssign) -> bool:
    """Whether a field is an array; in the site file "Metres" is a number."""
    kind = ast.unparse(field.annotation)
    return bool(ARRAY.search(kind)) and kind != "Metres"


def test_docstrings_name_the_errors_that_a_function_raises():
    silent = []
    for path, name, function, text in public_docstrings():
        raised = {
            node.exc.func.id
            for node in ast.walk(function)
            if isinstance(node, ast.Raise)
            and isinstance(node.exc, ast.Call)
            and isinstance(node.exc.func, ast.Name)
        }
        silent += [
            f"{where(path, function, name)}: {error}"
            for error in sorted(raised & ERRORS)
            if error not in text
        ]
    assert not silent, "\n".join(silent)


def definitions(path: Path) -> Iterator[tuple[ast.AST, str]]:
    """Functions, classes, constants, methods and fields of a module."""
    for node in tree_of(path).body:
        yield from named(node)
        if isinstance(node, ast.ClassDef):
            for member in node.body:
                yield from named(member)


def named(node: ast.AST) -> Iterator[tuple[ast.AST, str]]:
    if isinstance(node, Function | ast.ClassDef):
        # a decorated method may be called by what decorates it: a validator, a route
        if not getattr(node, "decorator_list", []) or isinstance(node, ast.ClassDef):
            yield node, node.name
    elif isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
        yield node, node.target.id
    elif isinstance(node, ast.Assign):
        for target in node.targets:
            yield from ((node, n.id) for n in ast.walk(target) if isinstance(n, ast.Name))


@cache
def read_names() -> frozenset[str]:
    """Every name that the product reads, as a name, an attribute, or a word of a string."""
    found = set()
    for path in PRODUCT:
        texts = {id(doc) for doc in docstrings(tree_of(path))}
        for node in ast.walk(tree_of(path)):
            if isinstance(node, ast.Name | ast.Attribute) and isinstance(node.ctx, ast.Load):
                found.add(node.id if isinstance(node, ast.Name) else node.attr)
            elif isinstance(node, ast.Constant) and isinstance(node.value, str):
                found |= set() if id(node) in texts else set(re.findall(r"\w+", node.value))
    return frozenset(found)


def docstrings(module: ast.Module) -> Iterator[ast.Constant]:
    for node in ast.walk(module):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            yield node.value


@cache
def published_names() -> frozenset[str]:
    """Every name in a test of a published value."""
    found = set()
    for path in TESTS:
        for node in tree_of(path).body:
            if isinstance(node, Function) and node.name.startswith("test_"):
                marks = " ".join(ast.unparse(mark) for mark in node.decorator_list)
                if "published" in marks or CHECK_ID.match(node.name):
                    found |= set(re.findall(r"\w+", ast.unparse(node)))
    return frozenset(found)


@pytest.mark.parametrize("path", LIBRARY, ids=lambda p: p.relative_to(ROOT).as_posix())
def test_nothing_is_dead(path):
    """What neither the product reads nor a published value is held against goes."""
    alive = read_names() | published_names() | set(KEPT)
    dead = [
        where(path, node, name)
        for node, name in definitions(path)
        if name not in alive and not name.startswith("__")
    ]
    assert not dead, "\n".join(dead)


def test_what_is_kept_is_still_there():
    names = {name for path in LIBRARY for _, name in definitions(path)}
    assert set(KEPT) <= names
