"""Small files beside a scan: hand edits, lists of scans, own species, the page's own files.

Every reader takes the path of one mutant, puts what else is needed beside it, and raises a
``TreescanError`` where the mutant is refused.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

from tests.fuzz import seeds
from tests.pipeline.small_tree import SITE, write_tree


def _result_folder(folder: Path) -> None:
    """Put a whole result of the small tree into a folder, once."""
    if (folder / "tree.json").exists():
        return
    folder.mkdir(parents=True, exist_ok=True)
    write_tree(folder / "tree.json")
    (folder / "site.toml").write_text(SITE, encoding="utf-8")
    plan = json.loads(seeds.plan_seeds()[0])
    (folder / "plan.json").write_text(json.dumps({**plan, "feasible": True}), encoding="utf-8")


def read_hand_edits(path: Path) -> None:
    """Read a file of edits against the plan of its folder, and apply them to its cuts."""
    from treescan.pipeline.folder import read_folder
    from treescan.pipeline.replanning import hand_edits
    from treescan.planning.candidates import cut_set
    from treescan.planning.edits import edited_cuts, forced, order_pairs

    _result_folder(path.parent)
    job = read_folder(path.parent)
    edits = hand_edits(job, path) or ()
    steps = job.plan["steps"] if job.plan else []
    pieces = cut_set(job.survey.graph, [int(step["node"]) for step in steps])
    pieces, said = edited_cuts(pieces, edits)
    order_pairs(pieces, edits)
    for node in pieces.cuts:
        forced(edits, int(node))
    if any("\n" in text for text in said):
        raise AssertionError(f"a note of several lines: {said}")


def read_scan_list(path: Path) -> None:
    """Read the list of many scans."""
    from treescan.pipeline.batch import fingerprint, read_list

    for job in read_list(path, path.parent / "out"):
        if job.folder.parent.parent != path.parent / "out" / "jobs":
            raise AssertionError(f"results outside their folder: {job.folder}")
        fingerprint(job)


def read_own_rows(path: Path) -> None:
    """Read a table of own species."""
    from treescan.wood.own_species import read_own_species

    for species in read_own_species(path):
        if not species.green_density_over_bark_kg_m3 > 0.0:
            raise AssertionError(f"a wood without weight: {species}")


def read_set_words(path: Path) -> None:
    """Read every line as a ``--set`` of the command."""
    from treescan.pipeline.changes import changed_site
    from treescan.site.reading import parse_site

    lines = path.read_bytes().decode("utf-8", errors="replace").splitlines()
    changed_site(parse_site(SITE), lines[:20])


def read_upload(path: Path) -> None:
    """Read a file without an ending, as one that was sent to the page."""
    from tests.fuzz.parsers import read_as_scan
    from treescan.page.session import Session

    Session.check_upload(path)
    read_as_scan(path)


def page_reader(inside: str) -> Callable[[Path], None]:
    """Open a job in which the file at ``inside`` is the mutant, as the page does."""

    def read(path: Path) -> None:
        from treescan.page.job_store import JobStore
        from treescan.page.session import Session
        from treescan.page.steps import STEPS
        from treescan.page.work import finished, progress

        folder = path
        for _ in Path(inside).parts:
            folder = folder.parent
        _result_folder(folder / "plan")
        for name, data in page_files().items():
            place = folder / name
            if place != path:
                place.parent.mkdir(parents=True, exist_ok=True)
                place.write_bytes(data)
        session = Session(JobStore.opened(folder))
        for step in STEPS:
            step.standing(session)
        session.drafts.of("a", "site")
        session.open_ground()
        progress(folder)
        finished(folder)
        data = path.read_bytes()
        session.store.undo()
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)

    return read


def page_files() -> dict[str, bytes]:
    """The page's own files of one job, each valid."""
    state = {
        "scans": ["scan/scan-1.laz"], "done": [1, 2], "edits": [{"do": "merge", "node": 20}],
        "held": [{"do": "force", "node": 20, "method": "lower"}], "confirmed": ["scan", "site"],
        "proposals": {"wire 100 200": "ignored"}, "prefer": "quickest", "notice": "a word",
        "scan_units": "m", "up": "z", "tree_from": "0123", "plan_from": "4567",
    }  # fmt: skip
    drafts = {
        "a site": {"kind": "area", "corners": [[1.0, 2.0], [2.0, 3.0]], "values": {"name": "x"},
                   "replaces": ["target", "shed"], "proposal": ""}
    }  # fmt: skip
    past = {"said": "a change", "at": 1e9, "site": SITE, "state": state, "results": {"plan": ""}}
    order = {"order": "plan", "pid": 4_000_000, "created": 1.0, "started": 2.0, "notes": {}}
    proposed = """[job]
name = "proposed site"

[[target]]
# proposed, how sure: 0.70 (eaves 2.2 m, ridge 2.6 m)
name = "building 1"
footprint_m = [[104.0, 198.0], [107.0, 198.0], [107.0, 202.0]]
height_m = 2.60

# proposed, how sure: 0.50 (60 m2, nothing stands there)
# [[drop_zone]]
# name = "open ground 1"
# footprint_m = [[88.0, 188.0], [102.0, 188.0], [102.0, 212.0]]
"""
    return {
        "site.toml": SITE.encode(),
        "page.json": json.dumps(state).encode(),
        "drafts.json": json.dumps(drafts).encode(),
        "history/00000001.json": json.dumps(past).encode(),
        "work/order.json": json.dumps(order).encode(),
        "work/stage.json": b'{"stage": "Reading the scan", "share": 0.3}',
        "tree/proposed_site.toml": proposed.encode(),
    }


OWN_ROWS = """scientific_name,common_name,kind,basic_specific_gravity,mc_average_pct,\
bark_pct_of_wood_volume,bark_density_kg_m3,MOR_green_MPa,MOE_green_GPa,\
compression_parallel_green_MPa,source
Sorbus aucuparia,rowan,broadleaf,0.60,70,10,900,50,8,22,own drying test
Pinus sylvestris,"pine, Scots",conifer,0.42,100,12,600,40,7,20,own test
"""


def edit_seeds() -> list[bytes]:
    """Edits of every kind, and a plan changed by hand."""
    rows = [
        {"do": "merge", "node": 20}, {"do": "split", "node": 10},
        {"do": "move cut", "node": 20, "to": 18}, {"do": "order", "nodes": [20, 1]},
        {"do": "force", "node": 20, "method": "lower", "tie": "butt", "anchor": "A1"},
    ]  # fmt: skip
    plan = json.loads(seeds.plan_seeds()[0])
    plan["steps"][0]["method"] = "free fall"
    return [json.dumps(rows).encode(), json.dumps(plan).encode()]


def list_seeds() -> list[bytes]:
    """Lists with and without site files, quoted, with a byte order mark."""
    return [
        b"scan,site\na.laz,a.toml\nb.laz,\n",
        b'\xef\xbb\xbfsite,scan,remark\r\n,"c, d.laz","two\r\nlines"\r\n',
    ]


def species_seeds() -> list[bytes]:
    """A table of two own species."""
    return [OWN_ROWS.encode(), OWN_ROWS.replace("\n", "\r\n").encode("utf-8-sig")]


def set_seeds() -> list[bytes]:
    """Changes of every shape."""
    return [
        b"conditions.wet=true\nclimber.mass_kg = 80\n",
        b"haul.trucks.0.payload_kg=5000\njob.species=Quercus rubra\ntree.near_m=[100.0, 200.0]\n",
    ]


def upload_seeds() -> list[bytes]:
    """One scan of every kind."""
    made = (
        seeds.las_seeds("las")[2:3], seeds.las_seeds("laz")[-1:], seeds.ply_seeds()[:1],
        seeds.pcd_seeds()[:1], seeds.text_seeds()[:3], seeds.mesh_seeds("obj")[:1],
        seeds.mesh_seeds("stl")[:1], seeds.mesh_seeds("glb")[:1],
    )  # fmt: skip
    return [data for some in made for data in some]
