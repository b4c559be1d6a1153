"""Shapes that this project's generator did not grow, scanned with an instrument's faults.

Exact solids, the closed surface of a real stem, and trees of another generator (the PyPI package
``modular-tree``, skipped where it is not installed), all against their own volume.
"""

from pathlib import Path

import numpy as np
import pytest

from tests.scenes import place
from tests.scenes.instrument import instrument, scan, stations, world
from tests.scenes.mesh import Mesh, tube
from treescan.mensuration.measure import measure_tree
from treescan.mensuration.volume import edge_volume_m3
from treescan.pointcloud.cloud import PointCloud
from treescan.pointcloud.ground import find_ground
from treescan.pointcloud.isolate import isolate_tree
from treescan.skeleton.extract import extract_skeleton

STEM = Path(__file__).parents[2] / "../shared/data/misc/F_BR08_08_stem_Poisson.obj"
MOST_POINTS = 600_000


def volume_m3(mesh):
    """Volume of a closed surface by the divergence theorem; its foot may lie open on z = 0."""
    a, b, c = (mesh.vertex_m[mesh.triangle[:, k]] for k in range(3))
    return abs(float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6))


def measured(mesh, setting, seed=1):
    """Volume of the wood and measures of a mesh that stands at the origin, foot at z = 0."""
    rng = np.random.default_rng(seed)
    ground = place.terrain(rng, 0.0)
    base = np.array([0.0, 0.0, float(ground.height(0.0, 0.0))])
    wood = mesh.moved(base)
    crown = float(np.abs(mesh.vertex_m[:, :2]).max())
    parts = [(ground.mesh(), place.GROUND), (wood, place.WOOD)]
    node = np.zeros(len(mesh.triangle), dtype=np.int32)
    top = float(wood.vertex_m[:, 2].max())
    tool, there = instrument(setting), world(parts, node, ground, base, top, crown)
    found = scan(tool, there, stations(tool, there, [], rng), rng)
    keep = np.arange(len(found.xyz))
    if len(keep) > MOST_POINTS:
        keep = np.sort(rng.choice(keep, MOST_POINTS, replace=False))
    cloud = PointCloud(xyz=found.xyz[keep], origin_m=np.zeros(3), spacing_m=0.01)
    found_ground = find_ground(cloud)
    tree = isolate_tree(cloud, found_ground, near_m=(0.0, 0.0))
    graph = extract_skeleton(tree, found_ground, origin_m=np.zeros(3))
    return float(edge_volume_m3(graph).sum()), measure_tree(graph, found_ground, tree=tree)


def solid(kind):
    """A column, a cone frustum, or a stem that bends over in part of a torus."""
    if kind == "cylinder":
        return tube(np.array([[0, 0, 0], [0, 0, 8.0]]), np.array([0.18, 0.18]), 48)
    if kind == "cone":
        z = np.linspace(0, 10, 21)
        return tube(np.column_stack([0 * z, 0 * z, z]), 0.25 - 0.02 * z, 48)
    turn = np.radians(np.linspace(0, 75, 26))
    arch = np.column_stack([2.5 * (1 - np.cos(turn)), 0 * turn, 3.0 + 2.5 * np.sin(turn)])
    line = np.concatenate([[[0, 0, 0]], arch])
    return tube(line, np.full(len(line), 0.14), 48)


@pytest.mark.parametrize("kind", ["cylinder", "cone", "bend"])
def test_an_exact_solid_keeps_its_volume_through_an_instrument(kind):
    # Each of the five stations is 2 mm off: 0.9 mm of mean radius, 1.3 % of the bend's volume, so
    # twice that, and 1 % for all else.  (Five scans of the bend read -0.1 to +3.0 %, without the
    # stations' faults -0.1 to +0.7 %; the beam's width makes no difference.)
    mesh = solid(kind)
    found, _ = measured(mesh, "tripod")
    assert -0.02 < found / volume_m3(mesh) - 1 < 0.036


def read_obj(path):
    """Vertices and triangles of a Wavefront file of plain triangles."""
    rows = [line.split() for line in path.read_text().splitlines()]
    vertex = np.array([row[1:4] for row in rows if row[:1] == ["v"]], dtype=float)
    corner = [
        [int(part.split("/")[0]) - 1 for part in row[1:4]] for row in rows if row[:1] == ["f"]
    ]
    return Mesh(vertex, np.array(corner))


@pytest.mark.slow
@pytest.mark.parametrize(("setting", "share"), [("tripod", 0.03), ("mobile", 0.05)])
def test_a_real_stem_keeps_its_volume_and_diameter(setting, share):
    # The closed surface of the stem holds 1.037 m3; diameter of equal area 34.1 cm at 1.3 m.
    if not STEM.exists():
        pytest.skip("the real data are not beside this project")
    mesh = read_obj(STEM)
    foot = mesh.vertex_m[mesh.vertex_m[:, 2] < mesh.vertex_m[:, 2].min() + 0.3].mean(axis=0)
    mesh = mesh.moved(-np.array([foot[0], foot[1], mesh.vertex_m[:, 2].min()]))
    found, measures = measured(mesh, setting)
    assert volume_m3(mesh) == pytest.approx(1.037, abs=0.002)
    assert found == pytest.approx(volume_m3(mesh), rel=share)
    assert measures.dbh_m == pytest.approx(0.341, abs=0.012)


def other_tree(m_tree, seed):
    """A tree of another generator, 13 m high: mesh and diameter at breast height. [m]"""

    def fixed(value):
        wrapper = m_tree.PropertyWrapper()
        wrapper.set_constant_property(m_tree.ConstantProperty(value))
        return wrapper

    def branches(number, length_m, ratio, density, angle_deg):
        made = m_tree.BranchFunction()
        made.seed, made.resolution, made.end_radius = seed + number, 6, 0.008
        made.length, made.start_radius = fixed(length_m), fixed(ratio)
        made.start_angle, made.randomness = fixed(angle_deg), fixed(0.25)
        made.break_chance, made.split.probability, made.gravity.strength = 0.0, 0.0, 2.0
        made.distribution.start, made.distribution.end = 0.3, 0.92
        made.distribution.density = density
        return made

    trunk = m_tree.TrunkFunction()
    trunk.seed, trunk.length, trunk.resolution = seed, 11.0, 6
    trunk.start_radius, trunk.end_radius = 0.2, 0.03
    trunk.randomness, trunk.up_attraction = 0.15, 0.6
    limbs = branches(1, 3.5, 0.45, 1.6, 50.0)
    limbs.add_child(branches(2, 1.2, 0.5, 1.5, 45.0))
    trunk.add_child(limbs)
    tree = m_tree.Tree()
    tree.set_trunk_function(trunk)
    tree.execute_functions()
    mesher = m_tree.ManifoldMesher()
    mesher.radial_n_points, mesher.smooth_iterations = 24, 0
    made = mesher.mesh_tree(tree)
    vertex = np.array(made.get_vertices()).reshape(-1, 3)
    face = np.array(made.get_polygons()).reshape(-1, 4)
    near = (np.abs(vertex[:, 2] - 1.3) < 0.15) & (
        np.array(made.get_float_attribute("radius")) > 0.1
    )
    ring = vertex[near, :2]
    diameter = 2 * float(np.hypot(*(ring - ring.mean(axis=0)).T).mean())
    return Mesh(vertex, np.concatenate([face[:, :3], face[:, [0, 2, 3]]])), diameter


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("setting", ["tripod", "mobile"])
def test_trees_of_another_generator_keep_their_volume(setting, seed):
    m_tree = pytest.importorskip("m_tree")
    mesh, diameter = other_tree(m_tree, seed)
    found, measures = measured(mesh, setting, seed)
    assert found == pytest.approx(volume_m3(mesh), rel=0.12)
    assert measures.dbh_m == pytest.approx(diameter, abs=0.012)
