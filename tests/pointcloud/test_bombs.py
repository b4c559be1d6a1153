"""Packed files that unpack to far more than they are."""

import gzip
import io
import tracemalloc
import zipfile

import laspy
import pytest

from treescan.errors import ScanError
from treescan.pointcloud.reading import read_scan

POINTS = 8_000_000


def write_laz_of_one_point(path, count):
    """All the same: a hundred and fifty points a byte."""
    header = laspy.LasHeader(point_format=0, version="1.2")
    header.scales = [0.001] * 3
    with laspy.open(str(path), mode="w", header=header) as writer:
        for _ in range(count // 1_000_000):
            writer.write_points(laspy.ScaleAwarePointRecord.zeros(1_000_000, header=header))


def test_a_laz_bomb_is_read_a_piece_at_a_time(tmp_path):
    write_laz_of_one_point(tmp_path / "scan.laz", POINTS)
    assert (tmp_path / "scan.laz").stat().st_size < POINTS / 100
    tracemalloc.start()
    try:
        with pytest.raises(ScanError, match=f"only 1 usable points.*{POINTS:,} read"):
            read_scan([tmp_path / "scan.laz"])
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 15 * POINTS  # bytes; the records of the whole file alone take 20 a point


def zipped(data):
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("scan.xyz", data)
    return file.getvalue()


@pytest.mark.parametrize(
    ("pack", "said"),
    [(zipped, "ZIP archive"), (gzip.compress, "gzip archive"),
     (lambda data: b"7z\xbc\xaf\x27\x1c" + data[:100], "7-zip archive")],
    ids=["zip", "gzip", "7-zip"],
)  # fmt: skip
@pytest.mark.parametrize("name", ["scan.zip", "scan.laz", "scan.xyz"])
def test_archives_are_never_unpacked(pack, said, name, tmp_path):
    (tmp_path / name).write_bytes(pack(bytes(5_000_000)))
    with pytest.raises(ScanError, match=said):
        read_scan([tmp_path / name])
