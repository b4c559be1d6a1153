"""The import rule of DEVELOPERS.md: a package may import only what stands left of it."""

import ast
from pathlib import Path

ORDER = [
    "errors", "units", "sources", "processes", "geometry", "pointcloud", "skeleton",
    "mensuration", "wood", "mechanics", "site", "motion", "rigging", "planning", "report",
    "pipeline", "page",
]  # fmt: skip
LIBRARY = Path(__file__).parents[1] / "treescan"


def imported_layers(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.level:
            raise AssertionError(f"{path}: use absolute imports")
        names = []
        if isinstance(node, ast.ImportFrom):
            names = [f"{node.module}.{alias.name}" for alias in node.names]
        elif isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        found |= {n.split(".")[1] for n in names if n.startswith("treescan.")}
        if any(n.split(".")[0] == "treescan_cli" for n in names):
            raise AssertionError(f"{path}: the library never imports the command")
    return found - {"_version", "__version__"}


def test_every_import_points_to_a_lower_layer():
    wrong = []
    for path in sorted(LIBRARY.rglob("*.py")):
        layer = path.relative_to(LIBRARY).with_suffix("").parts[0]
        if layer in {"__init__", "_version"}:
            continue
        assert layer in ORDER, f"{path}: add '{layer}' to ORDER or move the module"
        wrong += [
            f"{path.relative_to(LIBRARY)} imports {other}"
            for other in imported_layers(path) - {layer}
            if other not in ORDER or ORDER.index(other) > ORDER.index(layer)
        ]
    assert not wrong, "\n".join(wrong)


def test_only_one_module_imports_open3d():
    users = [
        path.relative_to(LIBRARY)
        for path in sorted(LIBRARY.rglob("*.py"))
        if any(
            isinstance(node, ast.Import | ast.ImportFrom)
            and any(
                (name or "").split(".")[0] == "open3d"
                for name in (
                    [node.module]
                    if isinstance(node, ast.ImportFrom)
                    else [alias.name for alias in node.names]
                )
            )
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        )
    ]
    assert users == [Path("geometry/open3d_gate.py")]
