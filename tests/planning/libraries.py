"""Small trees with every piece that some candidate cuts can make, and what its ways cost.

All divisions can be listed, so that cuts, order and anchors together have a known best plan.  No
ground crew and no wishes: then the best order of a division is exact by dynamic programming.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cached_property
from itertools import combinations, product

import numpy as np
from ortools.sat.python import cp_model

from tests.planning.trees import Builder
from treescan.planning.candidates import CutSet, Key, cut_set
from treescan.planning.covering import Cover, Coverable
from treescan.planning.joint import Change, Effort, Whole, joint_search
from treescan.planning.order_solver import solve_order
from treescan.planning.ordering import NO_ANCHOR, OrderProblem, Way
from treescan.planning.precedence import carriers
from treescan.skeleton.graph import TreeGraph

SCALE = 1000
ALL = Effort(judged=0, orders=10_000, batch=4, promise_min=0.0, starts=10)


@dataclass(frozen=True)
class LibraryWay:
    """A way: its cost, and the anchor's number and node (``NO_ANCHOR`` and -1 for a fall)."""

    cost_min: float
    anchor: int = NO_ANCHOR
    node: int = -1


@dataclass(frozen=True)
class LibraryPiece:
    """A piece that some division has."""

    nodes: tuple[int, ...]
    ways: tuple[LibraryWay, ...]
    place: int


@dataclass
class Library:
    """Every piece of every division, by key; also the space of the joint search.

    ``root`` is the cut that every division has; ``free`` are those that may be left out.
    """

    graph: TreeGraph
    root: int
    free: tuple[int, ...]
    pieces: dict[Key, LibraryPiece]
    move_min: float = 2.0
    anchor_min: float = 11.5
    floor_min: float = 0.0
    asked: list[int] = field(default_factory=list)

    def division(self, cuts) -> CutSet:
        standing = np.zeros(len(self.graph), bool)
        standing[self.graph.subtree(self.root)] = True
        return cut_set(self.graph, [self.root, *cuts], standing)

    def divisions(self) -> Iterator[CutSet]:
        for size in range(len(self.free) + 1):
            for cuts in combinations(self.free, size):
                pieces = self.division(cuts)
                if all(pieces.key(row) in self.pieces for row in range(len(pieces))):
                    yield pieces

    # -- the space of the joint search
    def changes(self, pieces: CutSet) -> Iterator[Change]:
        cuts = set(pieces.cuts.tolist())
        out = [c for c in self.free if c not in cuts]
        inside = [c for c in self.free if c in cuts]
        yield from (Change((), (c,)) for c in inside)
        yield from (Change((c,), ()) for c in out)
        yield from (Change((a,), (d,)) for a, d in product(out, inside))

    def allowed(self, before: CutSet, after: CutSet) -> bool:
        return all(after.key(row) in self.pieces for row in range(len(after)))

    def known(self, pieces: CutSet, row: int) -> bool:
        return True

    def cannot_fall(self, pieces: CutSet, row: int) -> bool:
        return False

    def on_line(self, pieces: CutSet, row: int) -> bool:
        return all(w.anchor for w in self.pieces[pieces.key(row)].ways)

    def learn(self, wanted, falls_only=()) -> None:
        self.asked.append(len(wanted))

    def least_min(self, pieces: CutSet, row: int) -> float:
        return min(w.cost_min for w in self.pieces[pieces.key(row)].ways)

    def stuck_kg(self, pieces: CutSet, row: int) -> float:
        return 0.0

    def problem(self, pieces: CutSet) -> OrderProblem:
        ways, places = [], []
        for row in range(len(pieces)):
            piece = self.pieces[pieces.key(row)]
            own = []
            for way in piece.ways:
                holding = carriers(pieces, way.node) if way.node >= 0 else []
                own.append(Way(way.cost_min, way.anchor, tuple(r for r in holding[:1] if r != row)))
            ways.append(tuple(own))
            places.append(piece.place)
        before = tuple((row, int(h)) for row, h in enumerate(pieces.holder) if h >= 0)
        heights = (0.0,) * len(pieces)
        return OrderProblem(
            tuple(ways), before, tuple(places), heights, (), self.anchor_min, self.move_min, 0.0
        )

    # -- three ways to a plan
    def ordered(self, pieces: CutSet, seed: int = 0) -> Whole:
        problem = self.problem(pieces)
        return Whole(pieces, problem, solve_order(problem, seed=seed))

    @property
    def cover(self) -> Cover:
        """The pieces as they cover the tree."""
        pieces = [
            Coverable(
                cut,
                inner,
                tuple((w.cost_min, None if w.anchor < 0 else f"A{w.anchor}") for w in piece.ways),
            )
            for (cut, inner), piece in self.pieces.items()
        ]
        return Cover(tuple(pieces), (self.root,), self.move_min, self.anchor_min)

    def starts(self, pieces: CutSet) -> list[CutSet]:
        return [self.division(c for c in cuts if c != self.root) for cuts in self.cover.starts()]

    @cached_property
    def cheapest_division(self) -> CutSet:
        """Divided first: cheapest by the pieces alone, each with a climber's move."""
        return self.division(c for c in self.cover.cheapest()[1] if c != self.root)

    def divide_first(self) -> Whole:
        return self.ordered(self.cheapest_division)

    def jointly(self, seed: int = 0, start: CutSet | None = None) -> Whole:
        first = self.ordered(start or self.cheapest_division)
        found = joint_search(self, first, seed=seed, effort=ALL)
        last = self.ordered(found.pieces)
        return min((first, found, last), key=lambda whole: whole.cost_min)


def random_library(seed: int, limbs: int = 3, cuts_a_limb: int = 2) -> Library:
    """A stem with limbs; what ways cost is drawn, more for more wood, and falls are rare."""
    rng = np.random.default_rng(seed)
    tree = Builder(0.2)
    stem = tree.grow(0, [0, 0, 1], 6.0, 0.18, 0.08, 0, 0.5)
    free = []
    for i in range(limbs):
        at = stem[4 + (7 * i) // max(limbs, 1)]
        limb = tree.grow(at, [np.cos(2.4 * i), np.sin(2.4 * i), 0.3], 3.0, 0.06, 0.02, 1, 0.5)
        free += [limb[int(k)] for k in np.linspace(0, len(limb) - 2, cuts_a_limb)]
    free.append(stem[7])
    graph = tree.graph()
    anchors = [(0, stem[10]), (1, stem[5]), (2, free[0])]
    empty = Library(graph, stem[0], tuple(free), {})
    pieces: dict[Key, LibraryPiece] = {}
    for size in range(len(free) + 1):
        for cuts in combinations(free, size):
            division = empty.division(cuts)
            for row, nodes in enumerate(division.members):
                key = division.key(row)
                if key not in pieces:
                    pieces[key] = _drawn(rng, graph, nodes, anchors)
    return Library(graph, stem[0], tuple(free), pieces)


def _drawn(rng, graph: TreeGraph, nodes, anchors) -> LibraryPiece:
    """Ways of one piece: one that always is, and some on the line from what it does not carry."""
    size = 0.6 * len(nodes)
    ways = [LibraryWay(float(rng.uniform(2, 8) + size**1.6))]
    for number, node in anchors:
        if node not in nodes and rng.random() < 0.6:
            ways.append(LibraryWay(float(rng.uniform(4, 9) + 0.3 * size**1.6), number, node))
    return LibraryPiece(tuple(int(n) for n in nodes), tuple(ways), int(graph.limb[nodes[0]]))


@dataclass(frozen=True)
class Solved:
    """What CP-SAT found: a cost, a bound that holds for every plan, and whether they meet."""

    cost_min: float
    bound_min: float
    proved: bool


def solved_together(library: Library, seconds: float, seed: int = 0) -> Solved:
    """Cuts, order, ways and anchors in one CP-SAT model.

    A Boolean for every piece that may be, way and place in the order.  The pieces chosen cover the
    tree: the root's cut has one, and every other cut has as many as chosen pieces end at it.
    """
    model = cp_model.CpModel()
    keys = sorted(library.pieces)
    slots = range(len(library.free) + 1)
    at = {
        (j, k, i): model.new_bool_var("")
        for j, key in enumerate(keys)
        for k in range(len(library.pieces[key].ways))
        for i in slots
    }
    used: dict[tuple[int, int], list[cp_model.IntVar]] = {}
    for (j, k, _i), literal in at.items():
        used.setdefault((j, k), []).append(literal)
    chosen = [model.new_bool_var("") for _ in keys]
    when = [sum(i * x for (p, _k, i), x in at.items() if p == j) for j in range(len(keys))]
    for j, key in enumerate(keys):
        ways = range(len(library.pieces[key].ways))
        model.add(sum(x for k in ways for x in used[j, k]) == chosen[j])
    for cut in (library.root, *library.free):
        own = sum(chosen[j] for j, key in enumerate(keys) if key[0] == cut)
        ends = sum(chosen[j] for j, key in enumerate(keys) if cut in key[1])
        model.add(own == (1 if cut == library.root else ends))
    full = []
    for i in slots:
        full.append(model.new_bool_var(""))
        model.add(sum(x for (_j, _k, s), x in at.items() if s == i) == full[i])
        if i:
            model.add_implication(full[i], full[i - 1])
    _must_follow(model, library, keys, (chosen, used, when))
    terms = [
        round(SCALE * library.pieces[keys[j]].ways[k].cost_min) * x for (j, k, _i), x in at.items()
    ]
    anchor_of = {(j, k): library.pieces[keys[j]].ways[k].anchor for j, k in used}
    place_of = {(j, k): library.pieces[keys[j]].place for j, k in used}
    for states, minutes in ((anchor_of, library.anchor_min), (place_of, library.move_min)):
        terms += _changes(model, at, states, (len(slots), minutes))
    model.minimize(sum(terms))
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    solver.parameters.random_seed = seed
    solver.parameters.max_deterministic_time = seconds
    status = solver.solve(model)
    found = status in (cp_model.OPTIMAL, cp_model.FEASIBLE)
    value = solver.objective_value / SCALE if found else float("inf")
    bound = solver.best_objective_bound / SCALE
    return Solved(value, bound, status == cp_model.OPTIMAL)


def _must_follow(model, library: Library, keys, variables) -> None:
    """Outer before inner, and what carries an anchor after its use."""
    chosen, used, when = variables
    for j, (_cut, inner) in enumerate(keys):
        for p, (other, _ends) in enumerate(keys):
            if other in inner:
                model.add(when[p] + 1 <= when[j]).only_enforce_if(chosen[p], chosen[j])
    for (j, k), literals in used.items():
        node = library.pieces[keys[j]].ways[k].node
        if node < 0:
            continue
        taken = model.new_bool_var("")
        model.add(sum(literals) == taken)
        for p, key in enumerate(keys):
            if p != j and node in library.pieces[key].nodes:
                model.add(when[j] + 1 <= when[p]).only_enforce_if(taken, chosen[p])


def _changes(model, at, state_of, rest) -> list:
    """Charge every change of a state along the order."""
    slots, minutes = rest
    names = sorted(set(state_of.values()) - {NO_ANCHOR})
    held = {(s, i): model.new_bool_var("") for s in names for i in range(slots)}
    for i in range(slots):
        model.add_exactly_one(held[s, i] for s in names)
    for (j, k, i), literal in at.items():
        if state_of[j, k] != NO_ANCHOR:
            model.add_implication(literal, held[state_of[j, k], i])
    terms = []
    for i in range(1, slots):
        moved = model.new_bool_var("")
        for s in names:
            model.add(held[s, i] - held[s, i - 1] <= moved)
        terms.append(round(SCALE * minutes) * moved)
    return terms
