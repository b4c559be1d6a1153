"""A tree of forty nodes as tree.json: a real input that runs through everything in seconds."""

import json


def tree_rows(*, height_m=9.0, radius_m=0.14):
    """A stem of 0.3 m steps with two limbs, tapering to the tip."""
    rows = []

    def add(x, y, z, radius, parent, limb, order):
        rows.append(
            {"id": len(rows), "x": x, "y": y, "z": z, "radius_m": round(radius, 4),
             "radius_sd_m": 0.003, "parent": parent, "limb": limb, "order": order,
             "source": "fitted", "support": 0.8}
        )  # fmt: skip
        return len(rows) - 1

    steps = round(height_m / 0.3)
    stem = [add(0.0, 0.0, 0.0, radius_m, None, 0, 0)]
    for step in range(1, steps + 1):
        radius = radius_m * (1.0 - 0.9 * step / steps)
        stem.append(add(0.0, 0.01 * step, 0.3 * step, radius, stem[-1], 0, 0))
    for limb, (node, way) in enumerate(((steps // 2, 1.0), (2 * steps // 3, -1.0)), start=1):
        base, parent = rows[stem[node]], stem[node]
        for step in range(1, 7):
            radius = 0.6 * base["radius_m"] * (1.0 - 0.13 * step)
            z = base["z"] + 0.2 * step
            parent = add(way * 0.3 * step, base["y"], z, radius, parent, limb, 1)
    return rows


def tree_document(rows=None, **changes):
    return {
        "format": "treescan-tree", "version": 1, "scan_name": "small", "crs": "",
        "origin_m": [100.0, 200.0, 10.0], "summary": {"unseen_share": 0.1},
        "nodes": tree_rows() if rows is None else rows, **changes,
    }  # fmt: skip


def write_tree(path, rows=None, **changes):
    path.write_text(json.dumps(tree_document(rows, **changes)), encoding="utf-8")
    return path


SITE = """
[job]
name = "small tree"
species = "Acer platanoides"
[[target]]
name = "shed"
footprint_m = [[104.0, 198.0], [107.0, 198.0], [107.0, 202.0], [104.0, 202.0]]
[[drop_zone]]
name = "lawn"
footprint_m = [[88.0, 188.0], [102.0, 188.0], [102.0, 212.0], [88.0, 212.0]]
"""
