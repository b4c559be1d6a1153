"""``treescan measure`` and ``plan`` beside plain work on the same file."""

from __future__ import annotations

import math
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

import laspy
import numpy as np

from tests.benchmarks.memory import timed

SAMPLES = Path(__file__).parents[2] / "sample_scans"

PLAIN = """
import sys
import laspy, numpy as np
from treescan.geometry.open3d_gate import open3d
o3d = open3d()
las = laspy.read(sys.argv[1])
xyz = np.column_stack([las.x, las.y, las.z])
cloud = o3d.geometry.PointCloud(o3d.utility.Vector3dVector(xyz - xyz.mean(axis=0)))
cloud = cloud.voxel_down_sample(0.01)
cloud.estimate_normals(o3d.geometry.KDTreeSearchParamKNN(20))
"""


def densified(sample: Path, target: Path, points: int, seed: int = 0) -> None:
    """Write ``points`` points around those of a sample: same surfaces, 3 mm more noise."""
    las = laspy.read(sample)
    rng = np.random.default_rng(seed)
    xyz = np.column_stack([las.x, las.y, las.z])
    header = laspy.LasHeader(point_format=las.header.point_format.id, version=las.header.version)
    header.scales, header.offsets = las.header.scales, las.header.offsets
    header.vlrs.extend(las.header.vlrs)
    with laspy.open(target, mode="w", header=header) as writer:
        left = points
        while left > 0:
            take = min(left, 1_000_000)
            rows = rng.integers(0, len(xyz), take)
            moved = xyz[rows] + rng.normal(0.0, 0.003, (take, 3))
            record = laspy.ScaleAwarePointRecord.zeros(take, header=header)
            record.x, record.y, record.z = moved.T
            writer.write_points(record)
            left -= take


def table(sample: str, millions: Sequence[float], *, plan: bool) -> None:
    """Print seconds, peak memory and ratio for each size, then how the time grows."""
    scan, site = SAMPLES / f"{sample}.laz", SAMPLES / f"{sample}.toml"
    print(f"{'points':>10} {'work':<8} {'seconds':>8} {'peak GB':>8} {'ratio':>6} {'exit':>4}")
    seen: dict[str, list[tuple[float, float]]] = {}
    with tempfile.TemporaryDirectory() as scratch:
        file = Path(scratch) / "scan.laz"
        options = ["--site", str(site), "--quiet", "--overwrite", "--out", f"{scratch}/out"]
        own = [sys.executable, "-m", "treescan_cli"]
        work = {
            "plain": [sys.executable, "-c", PLAIN, str(file)],
            "measure": [*own, "measure", str(file), *options],
            "plan": [*own, "plan", str(file), *options],
        }
        if not plan:
            del work["plan"]
        for size in millions:
            densified(scan, file, int(size * 1e6))
            plain_s = math.nan
            for name, command in work.items():
                cost = timed(command)
                plain_s = cost.seconds if name == "plain" else plain_s
                seen.setdefault(name, []).append((size, cost.seconds))
                print(
                    f"{size * 1e6:>10,.0f} {name:<8} {cost.seconds:>8.1f} {cost.peak_gb:>8.2f} "
                    f"{cost.seconds / plain_s:>6.2f} {cost.status:>4}",
                    flush=True,
                )
    for name, rows in seen.items():
        if len(rows) > 1:
            (n0, t0), (n1, t1) = rows[0], rows[-1]
            print(f"{name}: time grows as n^{math.log(t1 / t0) / math.log(n1 / n0):.2f}")
