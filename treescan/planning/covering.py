"""The cheapest divisions of a tree into pieces that are judged already.

A division covers the tree: its last cuts have one piece each, and where a piece ends at a cut
another begins.  For a fixed set of anchors the cheapest cover by the pieces alone is exact, taken
from the tips inward.  Anchors are chosen as in facility location: each in use but one costs a
move, and sets are grown and thinned one by one.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property

Cuts = tuple[int, ...]
MOST_STARTS = 10


@dataclass(frozen=True)
class Coverable:
    """A piece that may be used: its cut, those it ends at, and its ways.

    ``ways`` are (cost in minutes, name of the anchor or None).
    """

    cut: int
    inner: Cuts
    ways: tuple[tuple[float, str | None], ...]

    def least_min(self, anchors: frozenset[str] | None) -> float:
        """Cost of the cheapest way with these anchors (all when None); inf without one."""
        return min(
            (c for c, a in self.ways if a is None or anchors is None or a in anchors),
            default=float("inf"),
        )


@dataclass(frozen=True)
class Cover:
    """Pieces to choose from, the cuts that must be, and what moves cost. [min]"""

    pieces: tuple[Coverable, ...]
    roots: Cuts
    move_min: float
    anchor_min: float

    @cached_property
    def _inward(self) -> tuple[Coverable, ...]:
        return tuple(sorted(self.pieces, key=lambda p: -p.cut))

    @property
    def anchors(self) -> list[str]:
        """Names of all anchors that some way uses."""
        return sorted({a for p in self.pieces for _, a in p.ways if a is not None})

    def cheapest(self, anchors: frozenset[str] | None = None) -> tuple[float, Cuts]:
        """Least cost of the pieces with a climber's move to each, and the cuts; inf without any.

        Parents have lower numbers than what grows on them, so one pass from the highest cut
        knows everything outside a cut before it comes to it.
        """
        best: dict[int, tuple[float, Cuts]] = {}
        for piece in self._inward:
            if any(other not in best for other in piece.inner):
                continue
            value = piece.least_min(anchors) + self.move_min
            value += sum(best[other][0] for other in piece.inner)
            if value < best.get(piece.cut, (float("inf"), ()))[0] - 1e-9:
                best[piece.cut] = (value, piece.inner)
        if any(root not in best for root in self.roots):
            return float("inf"), ()
        cuts: list[int] = []
        waiting = list(self.roots)
        while waiting:
            cut = waiting.pop()
            cuts.append(cut)
            waiting += best[cut][1]
        return sum(best[root][0] for root in self.roots), tuple(sorted(cuts))

    def starts(self) -> list[Cuts]:
        """Divisions that are cheap with few anchors, the cheapest first."""
        names = self.anchors
        found: dict[frozenset[str], tuple[float, Cuts]] = {}

        def with_moves(chosen: frozenset[str]) -> float:
            if chosen not in found:
                value, cuts = self.cheapest(chosen)
                moves = self.anchor_min * max(len(chosen) - 1, 0)
                found[chosen] = (value + moves, cuts)
            return found[chosen][0]

        for chosen in (frozenset[str](), frozenset(names)):
            while True:
                others = _neighbours(chosen, names)
                best = min(others, key=lambda s: (with_moves(s), sorted(s)), default=chosen)
                if with_moves(best) >= with_moves(chosen) - 1e-9:
                    break
                chosen = best
        ranked = sorted(found.values(), key=lambda item: item[0])
        distinct = dict.fromkeys(cuts for value, cuts in ranked if value < float("inf"))
        return list(distinct)[:MOST_STARTS]


def _neighbours(chosen: frozenset[str], names: Sequence[str]) -> Iterable[frozenset[str]]:
    """Sets with one anchor more or less."""
    return [chosen ^ {name} for name in names]
