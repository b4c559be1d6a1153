"""Cuts, order, ways and anchors together: the division is changed with the order in the loop.

A local search.  Changes of the division (a cut left out, added, moved, or one below a union in
place of one through each leader) are taken by how much they could gain at most for each piece that
must be judged for them.  A change that may pay by its pieces alone is judged by the whole plan: the
order is carried over, the new pieces put in their place, order and ways are searched anew from
there, and the division with the cheaper plan goes on.

Bounded by counts, never by the clock: the same input gives the same division on every machine.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Protocol

import numpy as np

from treescan.planning.candidates import CutSet, Key
from treescan.planning.order_search import HOTTEST_MIN, WARM_MIN, search
from treescan.planning.ordering import NO_ANCHOR, OrderProblem, OrderResult, cost, greedy, is_valid

THOROUGH = 10
"""So many times as much is looked at where a person has the time."""

LEAST_GAIN_MIN = 1.0
"""A change of the division must make the whole plan cheaper by more: our choice. [min]"""

FREE = 0.2
"""What a change costs whose pieces are all judged already, in pieces judged."""

LONG_TRIALS = 8000
TRIALS = 3000
"""Trials of the order of another start, and of one that is carried over."""


@dataclass(frozen=True)
class Change:
    """Cuts to add and to drop, as nodes."""

    add: tuple[int, ...] = ()
    drop: tuple[int, ...] = ()


class Space(Protocol):
    """What may be changed, and what it costs.

    ``move_min`` is a climber's move and ``anchor_min`` an anchor's; no piece costs less than
    ``floor_min``.  [min]
    """

    move_min: float
    anchor_min: float
    floor_min: float

    def changes(self, pieces: CutSet) -> Iterable[Change]:
        """Changes worth a look."""

    def allowed(self, before: CutSet, after: CutSet) -> bool:
        """Whether the new pieces keep the rules of size."""

    def known(self, pieces: CutSet, row: int) -> bool:
        """Whether a piece is judged already."""

    def cannot_fall(self, pieces: CutSet, row: int) -> bool:
        """Whether a piece was looked at before and may not be let fall."""

    def on_line(self, pieces: CutSet, row: int) -> bool:
        """Whether a piece that is known has ways on the line only."""

    def learn(self, wanted: Sequence[tuple[CutSet, int]], falls_only: Collection[Key] = ()) -> None:
        """Judge pieces; those of ``falls_only`` stay unknown where they may not be let fall."""

    def least_min(self, pieces: CutSet, row: int) -> float:
        """Cost of the cheapest way of a piece that is known. [min]"""

    def stuck_kg(self, pieces: CutSet, row: int) -> float:
        """Mass of a known piece that has no way which keeps every limit, else 0. [kg]"""

    def problem(self, pieces: CutSet) -> OrderProblem:
        """Order and ways of a division whose pieces are known."""

    def starts(self, pieces: CutSet) -> Iterable[CutSet]:
        """Other divisions into known pieces that may be cheap, and leave no more wood stuck."""


@dataclass(frozen=True)
class Whole:
    """A division with an order and the ways of its pieces."""

    pieces: CutSet
    problem: OrderProblem
    result: OrderResult

    @property
    def cost_min(self) -> float:
        """Cost of the whole plan in minutes."""
        return self.result.cost_min

    @property
    def alone(self) -> list[int]:
        """Rows of the pieces that are the only one on their anchor."""
        picks = zip(self.problem.ways, self.result.picks, strict=True)
        anchors = [ways[pick].anchor for ways, pick in picks]
        return [
            row
            for row, anchor in enumerate(anchors)
            if anchor != NO_ANCHOR and anchors.count(anchor) == 1
        ]


@dataclass(frozen=True)
class Effort:
    """How much is looked at.

    ``judged`` pieces, ``orders`` and other ``starts`` (each time) at most; ``batch`` changes at a
    time; none that could gain less than ``promise_min`` for each piece to be judged. [min]
    """

    judged: int = 128
    orders: int = 200
    batch: int = 8
    promise_min: float = 6.0
    starts: int = 3

    def times(self, factor: int) -> Effort:
        """More pieces and orders."""
        return replace(self, judged=factor * self.judged, orders=factor * self.orders)


@dataclass(frozen=True)
class _Trial:
    """A change with the pieces that go (rows before) and come (rows after)."""

    change: Change
    before: CutSet
    after: CutSet
    gone: tuple[int, ...]
    came: tuple[int, ...]

    @staticmethod
    def of(pieces: CutSet, change: Change) -> _Trial:
        after = pieces.changed(add=list(change.add), drop=list(change.drop))
        gone = touched(pieces, change)
        cuts = ({int(pieces.cuts[r]) for r in gone} | set(change.add)) - set(change.drop)
        came = tuple(int(np.searchsorted(after.cuts, c)) for c in sorted(cuts))
        return _Trial(change, pieces, after, gone, came)

    def gain_min(self, space: Space) -> float:
        """What the pieces alone save, each by its cheapest way. [min]"""
        old = sum(space.least_min(self.before, r) for r in self.gone)
        new = sum(space.least_min(self.after, r) for r in self.came)
        return old - new + space.move_min * (len(self.gone) - len(self.came))

    def on_line(self, space: Space) -> bool:
        """Whether a piece that goes was taken on the line, so that a new one may be as well."""
        return any(space.on_line(self.before, r) for r in self.gone)

    def sticks(self, space: Space) -> bool:
        """Whether more wood is left without a way than before."""
        old = sum(space.stuck_kg(self.before, r) for r in self.gone)
        return sum(space.stuck_kg(self.after, r) for r in self.came) > old + 1e-6


def touched(pieces: CutSet, change: Change) -> tuple[int, ...]:
    """Rows of the pieces that a change alters."""
    rows = {int(pieces.piece_of[n]) for n in change.add}
    for cut in change.drop:
        row = int(np.searchsorted(pieces.cuts, cut))
        rows |= {row, int(pieces.holder[row])}
    return tuple(sorted(r for r in rows if r >= 0))


@dataclass
class _Search:
    """What was looked at, and what is left to spend."""

    space: Space
    effort: Effort
    seed: int
    judged: int = 0
    orders: int = 0
    looked: set[tuple[Change, tuple[Key, ...]]] = field(default_factory=set)
    started: set[tuple[int, ...]] = field(default_factory=set)

    def promising(self, best: Whole) -> list[_Trial]:
        """The next changes to look at, the most promising first."""
        found: list[tuple[float, int, _Trial]] = []
        for most, trial in self._allowed(best):
            new = sum(not self.space.known(trial.after, r) for r in trial.came)
            rank = most / (new + FREE)
            if rank >= self.effort.promise_min:
                found.append((rank, new, trial))
            if len(found) >= 3 * self.effort.batch:
                break
        found.sort(key=lambda row: -row[0])
        chosen: list[_Trial] = []
        left = self.effort.judged - self.judged
        for _, new, trial in found:
            if len(chosen) < self.effort.batch and new <= left:
                chosen.append(trial)
                left -= new
        return chosen

    def _allowed(self, best: Whole) -> Iterator[tuple[float, _Trial]]:
        """Allowed changes not looked at before with the most each could gain, greatest first.

        A piece for which alone an anchor is rigged could save that move as well.
        """
        space, pieces = self.space, best.pieces
        cost_of = [space.least_min(pieces, r) + space.move_min for r in range(len(pieces))]
        for row in best.alone:
            cost_of[row] += space.anchor_min
        least = space.floor_min + space.move_min
        rough = []
        for change in space.changes(pieces):
            gone = touched(pieces, change)
            came = len(gone) + len(change.add) - len(change.drop)
            most = sum(cost_of[r] for r in gone) - came * least
            if most > LEAST_GAIN_MIN and self._look(pieces, change, gone) not in self.looked:
                rough.append((most, change))
        rough.sort(key=lambda row: -row[0])
        for most, change in rough:
            trial = _Trial.of(pieces, change)
            if space.allowed(pieces, trial.after):
                yield most, trial
            else:
                self.note(trial)

    @staticmethod
    def _look(
        pieces: CutSet, change: Change, gone: tuple[int, ...]
    ) -> tuple[Change, tuple[Key, ...]]:
        return change, tuple(pieces.key(r) for r in gone)

    def note(self, trial: _Trial) -> None:
        """Remember that a change was looked at among these neighbours."""
        self.looked.add(self._look(trial.before, trial.change, trial.gone))

    def learn(self, batch: Sequence[_Trial]) -> None:
        """Judge what is new in some changes."""
        wanted: dict[Key, tuple[CutSet, int]] = {}
        lined: set[Key] = set()
        for trial in batch:
            on_line = trial.on_line(self.space)
            for row in trial.came:
                key, known = trial.after.key(row), self.space.known(trial.after, row)
                if not known and (on_line or not self.space.cannot_fall(trial.after, row)):
                    wanted.setdefault(key, (trial.after, row))
                    lined |= {key} if on_line else set()
        self.space.learn(list(wanted.values()), wanted.keys() - lined)
        self.judged += len(wanted)

    def ranked(self, batch: Sequence[_Trial]) -> list[_Trial]:
        """The changes whose pieces are known, the greatest gain first; the others are noted."""
        known = []
        for trial in batch:
            if all(self.space.known(trial.after, r) for r in trial.came):
                known.append(trial)
            else:
                self.note(trial)
        return sorted(known, key=lambda t: -t.gain_min(self.space))

    def better(self, best: Whole, trial: _Trial) -> Whole:
        """The plan with a change made where that is cheaper, else the plan as it was."""
        space = self.space
        if trial.before is not best.pieces:
            if not self._fits(best.pieces, trial):
                return best
            trial = _Trial.of(best.pieces, trial.change)
            if not all(space.known(trial.after, r) for r in trial.came):
                return best
            if not space.allowed(best.pieces, trial.after):
                return best
        self.note(trial)
        if trial.sticks(space) or trial.gain_min(space) < -space.anchor_min:
            return best
        self.orders += 1
        found = carried_over(space, best, trial.after, self.seed)
        return found if found.cost_min < best.cost_min - LEAST_GAIN_MIN else best

    def other_start(self, best: Whole) -> Whole:
        """The best of a plan and of the other divisions into what is known by now."""
        now = best
        for pieces in list(self.space.starts(now.pieces))[: self.effort.starts]:
            cuts = tuple(pieces.cuts.tolist())
            if cuts in self.started:
                continue
            self.started.add(cuts)
            self.orders += 1
            other = carried_over(
                self.space, now, pieces, self.seed, trials=LONG_TRIALS, hottest_min=HOTTEST_MIN
            )
            if other.cost_min < best.cost_min - LEAST_GAIN_MIN:
                best = other
        return best

    @staticmethod
    def _fits(pieces: CutSet, trial: _Trial) -> bool:
        """Whether a change made for an earlier division still means something."""
        cuts = set(pieces.cuts.tolist())
        return set(trial.change.drop) <= cuts and not cuts & set(trial.change.add)


def joint_search(
    space: Space, start: Whole, *, seed: int = 0, effort: Effort | None = None
) -> Whole:
    """Change the cuts of a plan while the whole plan gets cheaper by it.

    Parameters
    ----------
    start : Whole
        A division whose pieces are known to the space, with an order.

    Returns
    -------
    Whole
        ``start`` itself where nothing better was found; never a dearer plan, and never one that
        leaves more wood without a way.
    """
    run = _Search(space, effort or Effort(), seed)
    best = run.other_start(start)
    while run.orders < run.effort.orders:
        batch = run.promising(best)
        run.learn(batch)
        for trial in run.ranked(batch):
            best = run.better(best, trial)
        if not batch:
            other = run.other_start(best)
            if other is best:
                break
            best = other
    return best


def carried_over(
    space: Space,
    near: Whole,
    pieces: CutSet,
    seed: int,
    *,
    trials: int = TRIALS,
    hottest_min: float = WARM_MIN,
) -> Whole:
    """A division with an order found from that of a plan with nearly the same cuts.

    Its cost is infinite where no order was found that keeps every rule.
    """
    problem = space.problem(pieces)
    start = carried_order(problem, near.pieces, near.result, pieces) or greedy(problem)
    result = search(problem, start, seed=seed, trials=trials, hottest_min=hottest_min)
    if not is_valid(problem, result.order, result.picks):
        result = replace(result, cost_min=float("inf"))
    return Whole(pieces, problem, result)


def carried_order(
    problem: OrderProblem, before: CutSet, result: OrderResult, after: CutSet
) -> OrderResult | None:
    """The order of a plan for another division, or None where it breaks a rule there."""
    order, picks = carried(before, result, after)
    # a piece may have fewer ways than it had when the plan was made: it then takes its first
    picks = [pick if pick < len(problem.ways[row]) else 0 for row, pick in enumerate(picks)]
    if not is_valid(problem, order, picks):
        return None
    value = cost(problem, order, picks)
    return OrderResult(tuple(order), tuple(picks), value, float("-inf"), False)


def carried(before: CutSet, result: OrderResult, after: CutSet) -> tuple[list[int], list[int]]:
    """Order and ways of a plan for another division; new pieces where the old ones came down.

    A new piece takes its first way, and comes after the pieces on it.
    """
    at = {int(before.cuts[row]): float(i) for i, row in enumerate(result.order)}
    pick = {int(before.cuts[row]): result.picks[row] for row in range(len(before))}
    old = {before.key(row) for row in range(len(before))}
    place = np.zeros(len(after))
    picks = [0] * len(after)
    for row in range(len(after) - 1, -1, -1):
        cut = int(after.cuts[row])
        own = at.get(cut)
        if own is None:
            own = at[int(before.cuts[before.piece_of[cut]])] - 0.5
        place[row] = max([own, *(place[outer] + 1e-6 for outer in after.outer[row])])
        if after.key(row) in old:
            picks[row] = pick[cut]
    return np.argsort(place, kind="stable").tolist(), picks
