"""``python -m tests.scenes SAMPLE_DIR [NAME ...]``: make the sample scans again."""

from __future__ import annotations

import argparse
from pathlib import Path

from tests.scenes.samples import SAMPLES, write_sample


def main() -> None:
    """Write every sample, or those named."""
    parser = argparse.ArgumentParser(prog="python -m tests.scenes", description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("name", nargs="*", help="samples to write; all of them by default")
    given = parser.parse_args()
    for sample in SAMPLES:
        if given.name and sample.name not in given.name:
            continue
        scene = write_sample(sample, given.folder)
        size = (given.folder / f"{sample.name}.laz").stat().st_size
        print(f"{sample.name}: {len(scene.cloud):,} points, {size / 1e6:.2f} MB")


if __name__ == "__main__":
    main()
