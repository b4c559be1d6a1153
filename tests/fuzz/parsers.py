"""The parsers under test: how a file is read, what a good answer is, and how it is mutated."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from unittest import mock

import numpy as np

from tests.fuzz import job_files, seeds
from tests.pipeline.small_tree import SITE, write_tree

LONGEST_MESSAGE = 1000


class BadAnswer(AssertionError):
    """A reader gave back what no reader may give."""


@dataclass(frozen=True)
class Parser:
    """One kind of file.

    ``read`` takes the path of a file of that name in a folder of its own and raises a
    ``TreescanError`` for bad input; ``shape`` is how it is mutated (:mod:`tests.fuzz.mutation`).
    ``mend`` puts right what would otherwise stop every mutant at the door (checksums).  A
    ``native`` reader is compiled code of others: no branches can be counted in it, so its mutants
    are made from the valid seeds alone.
    """

    name: str
    file_name: str
    seeds: Callable[[], list[bytes]]
    read: Callable[[Path], None]
    shape: str = "bytes"
    instrumented: tuple[str, ...] = ()
    mend: Callable[[bytes], bytes] = bytes
    native: bool = False


def read_as_scan(path: Path) -> None:
    """Read a scan; what comes out must be finite and of a size that the file can hold."""
    from treescan.pointcloud import meshes, reading

    with (
        mock.patch.object(reading, "MIN_POINTS", 8),
        mock.patch.object(meshes, "SAMPLE_POINTS", 2000),
    ):  # small files are read to the end
        cloud = reading.read_scan([path])
    if not (np.isfinite(cloud.xyz).all() and np.isfinite(cloud.origin_m).all()):
        raise BadAnswer("coordinates that are not finite")
    if len(cloud) > max(path.stat().st_size, 4000):
        raise BadAnswer(f"{len(cloud)} points from {path.stat().st_size} bytes")
    if cloud.rgb is not None and cloud.rgb.shape != cloud.xyz.shape:
        raise BadAnswer("colours that do not fit the points")
    if not all(isinstance(text, str) and "\n" not in text for text in cloud.decisions):
        raise BadAnswer(f"a note of several lines: {cloud.decisions}")


def read_in_folder(path: Path) -> None:
    """Read a result folder in which one file is the mutant."""
    from treescan.pipeline.folder import haul_again, read_folder
    from treescan.planning.edits import edits_between
    from treescan.planning.replan import earlier_steps, still_standing
    from treescan.site.obstacles import build_obstacles, check_site_against_tree

    folder = path.parent
    if not (folder / "tree.json").exists():
        write_tree(folder / "tree.json")
    if not (folder / "site.toml").exists():
        (folder / "site.toml").write_text(SITE, encoding="utf-8")
    job = read_folder(folder)
    graph = job.survey.graph
    if not (np.isfinite(graph.position_m).all() and np.isfinite(graph.radius_m).all()):
        raise BadAnswer("a tree that is not finite")
    check_site_against_tree(job.site, graph.position_m[0], job.survey.measures.dbh_m)
    build_obstacles(job.site, job.survey.ground)
    if job.plan is not None:
        haul_again(job)
        steps = earlier_steps(job.plan["steps"])
        still_standing(graph, steps, {1}, {1})
        edits_between(job.plan, job.plan)


def with_page_checksums(data: bytes) -> bytes:
    """An E57 file whose pages of 1020 bytes end in their CRC-32C (ASTM E2807-11, 6.2)."""
    pages = [data[k : k + 1020] for k in range(0, len(data) - 4, 1024)]
    return b"".join(page + crc32c(page).to_bytes(4, "big") for page in pages if len(page) == 1020)


def _crc_table() -> list[int]:
    table = []
    for byte in range(256):
        for _ in range(8):
            byte = (byte >> 1) ^ (0x82F63B78 if byte & 1 else 0)
        table.append(byte)
    return table


_TABLE = _crc_table()


def crc32c(data: bytes) -> int:
    """Castagnoli's checksum (RFC 3720, appendix B.4).

    >>> hex(crc32c(b"123456789"))
    '0xe3069283'
    """
    value = 0xFFFFFFFF
    for byte in data:
        value = (value >> 8) ^ _TABLE[(value ^ byte) & 0xFF]
    return value ^ 0xFFFFFFFF


_SCAN = ("treescan.pointcloud.sniffing", "treescan.pointcloud.crs")


def _scan(name: str, made: Callable[[], list[bytes]], *modules: str, **more: object) -> Parser:
    return Parser(name, f"scan.{name}", made, read_as_scan, instrumented=(*_SCAN, *modules), **more)


def _document(name: str, file_name: str, made: Callable[[], list[bytes]], *modules: str) -> Parser:
    shape = "json" if file_name.endswith("json") else "words"
    return Parser(name, file_name, made, read_in_folder, shape, modules)


def _page(name: str, inside: str, shape: str = "json") -> Parser:
    made = partial(lambda key: [job_files.page_files()[key]], inside)
    return Parser(name, inside, made, job_files.page_reader(inside), shape, _PAGE)


_PAGE = ("treescan.page.job_store", "treescan.page.work", "treescan.page.history",
         "treescan.page.drafts", "treescan.page.proposals")  # fmt: skip
_PLY = "treescan.pointcloud.ply_pcd"
_LAS = ("treescan.pointcloud.las", "laspy")
_MESH = ("treescan.pointcloud.meshes", "trimesh")
PARSERS = {
    parser.name: parser
    for parser in (
        _scan("las", partial(seeds.las_seeds, "las"), *_LAS),
        _scan("laz", partial(seeds.las_seeds, "laz"), *_LAS),
        _scan("ply", seeds.ply_seeds, _PLY, *_MESH),
        _scan("pcd", seeds.pcd_seeds, _PLY),
        _scan("txt", seeds.text_seeds, "treescan.pointcloud.text", shape="words"),
        _scan("e57", seeds.e57_seeds, mend=with_page_checksums, shape="places", native=True),
        _scan("obj", partial(seeds.mesh_seeds, "obj"), *_MESH, shape="words"),
        _scan("stl", partial(seeds.mesh_seeds, "stl"), *_MESH),
        _scan("glb", partial(seeds.mesh_seeds, "glb"), *_MESH),
        _scan("gltf", seeds.gltf_seeds, "treescan.pointcloud.gltf_check", *_MESH, shape="json"),
        _document("site", "site.toml", seeds.site_seeds, "treescan.site.reading", "tomllib"),
        _document("tree", "tree.json", seeds.tree_seeds, "treescan.report.tree_json"),
        _document("plan", "plan.json", seeds.plan_seeds, "treescan.pipeline.folder"),
        _document("state", "state.json", seeds.state_seeds, "treescan.pipeline.folder"),
        Parser("edits", "edits.json", job_files.edit_seeds, job_files.read_hand_edits, "json",
               ("treescan.planning.edits", "treescan.pipeline.replanning")),
        Parser("list", "list.csv", job_files.list_seeds, job_files.read_scan_list, "words",
               ("treescan.pipeline.batch",)),
        Parser("species", "own.csv", job_files.species_seeds, job_files.read_own_rows, "words",
               ("treescan.wood.own_species",)),
        Parser("set", "set.txt", job_files.set_seeds, job_files.read_set_words, "words",
               ("treescan.pipeline.changes", "treescan.site.reading")),
        Parser("upload", "upload", job_files.upload_seeds, job_files.read_upload,
               instrumented=(*_SCAN, _PLY, "treescan.pointcloud.las", "treescan.pointcloud.text")),
        _page("page", "page.json"),
        _page("drafts", "drafts.json"),
        _page("history", "history/00000001.json"),
        _page("order", "work/order.json"),
        _page("stage", "work/stage.json"),
        _page("proposed", "tree/proposed_site.toml", "words"),
    )
}  # fmt: skip
