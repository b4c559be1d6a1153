"""Time and memory against plain general-purpose work: ``python -m tests.benchmarks``.

For 1, 4, 10 and 20 million points: reading the LAZ file, thinning it to 1 cm and estimating
normals with k = 20 in open3d, beside ``treescan measure`` and ``treescan plan`` on the same file,
each in a process of its own.  Prints seconds, peak memory and the ratio; never passes or fails.
"""

from __future__ import annotations

import argparse
import math
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import laspy
import numpy as np

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


def timed(command: list[str]) -> tuple[float, float, int]:
    """Run a command; seconds, peak memory in GB, exit status."""
    start = time.perf_counter()
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    return time.perf_counter() - start, usage.ru_maxrss / 1e6, process.returncode


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--millions", type=float, nargs="+", default=[1, 4, 10, 20])
    parser.add_argument("--sample", default="oak_pond")
    parser.add_argument("--no-plan", action="store_true")
    args = parser.parse_args()
    scan, site = SAMPLES / f"{args.sample}.laz", SAMPLES / f"{args.sample}.toml"
    print(f"{'points':>10} {'work':<8} {'seconds':>8} {'peak GB':>8} {'ratio':>6} {'exit':>4}")
    seen: dict[str, list[tuple[float, float]]] = {}
    with tempfile.TemporaryDirectory() as scratch:
        for millions in args.millions:
            file = Path(scratch) / "scan.laz"
            densified(scan, file, int(millions * 1e6))
            base = ["--site", str(site), "--quiet", "--overwrite", "--out", f"{scratch}/out"]
            work = {
                "plain": [sys.executable, "-c", PLAIN, str(file)],
                "measure": [sys.executable, "-m", "treescan_cli", "measure", str(file), *base],
            }
            if not args.no_plan:
                work["plan"] = [sys.executable, "-m", "treescan_cli", "plan", str(file), *base]
            plain_s = math.nan
            for name, command in work.items():
                seconds, memory, status = timed(command)
                plain_s = seconds if name == "plain" else plain_s
                seen.setdefault(name, []).append((millions, seconds))
                ratio = seconds / plain_s
                print(
                    f"{millions * 1e6:>10,.0f} {name:<8} {seconds:>8.1f} {memory:>8.2f} "
                    f"{ratio:>6.2f} {status:>4}",
                    flush=True,
                )
    for name, rows in seen.items():
        if len(rows) > 1:
            (n0, t0), (n1, t1) = rows[0], rows[-1]
            print(f"{name}: time grows as n^{math.log(t1 / t0) / math.log(n1 / n0):.2f}")


if __name__ == "__main__":
    main()
