"""Sets of things in a formula, what is said about them, and the rows of masses that follow.

Everything here is linear in the masses m of the things on the shelf. A thing made of others counts by its
constituents: the pair (thing, constituent) is a *piece*, and a named set is a set of pieces. The named sets and
the whole batch form a tree; `rest_rules` says what the members do that no statement names.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from labkit.checks import meant_or
from labkit.errors import FormulaError
from labkit.handing import fixed
from labkit.ingredients import role_of
from labkit.wording import words_joined

TO_100 = "to 100"
Piece = tuple[str, str]
Pieces = frozenset[Piece]


@dataclass(frozen=True, kw_only=True)
class Share:
    """A factor: mass(of) = s mass(within), low <= s <= high; `within` is empty for the whole batch."""

    name: str
    of: tuple[str, ...]
    within: tuple[str, ...] = ()
    low: float
    high: float


@dataclass(frozen=True, kw_only=True)
class Blend:
    """Parts that fill a whole between them, each with its lowest and highest share of that whole."""

    name: str
    parts: tuple[str, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]

    @property
    def columns(self) -> tuple[str, ...]:
        return tuple(f"{self.name}: {part}" for part in self.parts)


@dataclass(frozen=True, kw_only=True)
class Setting:
    """Something set on the bench and not weighed, with its low, high and unit; per_melt : it cannot change in a pot.

    step : to how much it can be set and read, 0 where that is not stated. A reading within a step of low or high keeps
    the range, as weights do within a step of the balance.
    """

    name: str
    low: float
    high: float
    unit: str = ""
    per_melt: bool = False
    step: float = 0.0

    @property
    def room(self) -> float:
        """How far readings of the same may be apart: a step, and what rounding adds."""
        return self.step * (1 + 1e-9)


@dataclass(frozen=True, kw_only=True)
class Limit:
    """low mass(within) <= mass(of) <= high mass(within); `within` is empty for the whole batch."""

    name: str
    of: tuple[str, ...]
    within: tuple[str, ...] = ()
    low: float = 0.0
    high: float = 1.0


@dataclass(frozen=True, kw_only=True, eq=False)
class Shelf:
    """What is on the shelf: starting masses (fractions), what is made of what, which things go into the pot.

    slack : the thing that is "to 100", or nothing.
    """

    starting: Mapping[str, float]
    made_of: Mapping[str, Mapping[str, float]]
    pot: tuple[str, ...] = ()
    slack: str = ""

    def __post_init__(self):
        object.__setattr__(self, "starting", fixed(self.starting))
        object.__setattr__(self, "made_of", fixed({thing: fixed(of) for thing, of in self.made_of.items()}))

    @property
    def things(self) -> tuple[str, ...]:
        return tuple(self.starting)

    @property
    def batch(self) -> Pieces:
        """Every piece of the whole batch."""
        return frozenset(piece for thing in self.starting for piece in self.pieces_of_thing(thing))

    def pieces_of_thing(self, thing: str) -> Pieces:
        return frozenset((thing, part) for part in self.made_of.get(thing, {thing: 1.0}))

    def pieces(self, name: str, *, where: str) -> Pieces:
        """The pieces that a name stands for; carrier oil stirred in with colour is not the pot's oil of that name."""
        if name in self.made_of:
            return self.pieces_of_thing(name)
        found = frozenset(piece for piece in self.batch if piece[1] == name)
        if not found:
            raise FormulaError(f"{where} names {name!r}, which is not in [formula]. {self._advice(name)}")
        own = (name, name)
        return frozenset(p for p in found if p == own or self._same(own, p)) if own in found else found

    def _same(self, own: Piece, piece: Piece) -> bool:
        if self.pot:
            return (own[0] in self.pot) == (piece[0] in self.pot)
        return role_of(own[0]) in ("colorant", "")

    def _advice(self, name: str) -> str:
        known = sorted(
            {part for thing in self.starting for _, part in self.pieces_of_thing(thing)} | set(self.starting)
        )
        return meant_or(name, known, f"Choose among {words_joined(known)}.")

    def set_of(self, names: Iterable[str], *, where: str) -> Pieces:
        """The pieces of several names together; the whole batch for none."""
        names = tuple(names)
        if not names:
            return self.batch
        return frozenset().union(*(self.pieces(name, where=where) for name in names))

    def row(self, pieces: Pieces) -> np.ndarray:
        """The mass of a set as a row over the things on the shelf.

        Shares add up in the order of trial.toml: a set has none of its own, and the last digit of a sum depends on it.
        """
        parts = {thing: self.made_of.get(thing, {thing: 1.0}) for thing in self.starting}
        return np.array(
            [
                sum(share for part, share in shares.items() if (thing, part) in pieces)
                for thing, shares in parts.items()
            ]
        )

    def words(self, pieces: Pieces) -> str:
        """A set in the maker's words."""
        if pieces == self.batch:
            return "the whole batch"
        if self.pot and pieces == self.set_of_things(self.pot):
            return "the pot"
        return self.names(pieces)

    def names(self, pieces: Pieces) -> str:
        """A set by the names of its constituents."""
        order = {
            name: i for i, name in enumerate(part for t in self.starting for part in self.made_of.get(t, {t: 1.0}))
        }
        return words_joined(sorted({part for _, part in pieces}, key=order.__getitem__))

    def set_of_things(self, things: Iterable[str]) -> Pieces:
        return frozenset().union(*(self.pieces_of_thing(thing) for thing in things))

    def masses(self) -> np.ndarray:
        return np.array(list(self.starting.values()), dtype=float)


def check_tree(shelf: Shelf, named: Mapping[str, Pieces]) -> None:
    """Any two named sets are nested or disjoint."""
    items = list(named.items())
    for i, (one, a) in enumerate(items):
        for other, b in items[i + 1 :]:
            if a & b and not a <= b and not b <= a:
                raise FormulaError(
                    f"{one} ({shelf.names(a)}) and {other} ({shelf.names(b)}) share {shelf.names(a & b)}, "
                    "but neither holds the other. Name sets that lie one within the other, or apart."
                )


def rest_rules(
    shelf: Shelf, sets: Iterable[Pieces], named: Iterable[Pieces]
) -> tuple[list[np.ndarray], list[np.ndarray]]:
    """Rows r with r m = 0 for the members of each set that no statement names: (rules, rules of last resort).

    Of the rest of a set, the member that is or holds the "to 100" thing takes up the slack and the others keep their
    starting share of the set; where none does, the rest keep their ratios to each other. A thing whose
    constituents fall into different sets is carried along with what is said of them; its own rules come last, those of
    the smallest set first.
    """
    sets, named = set(sets), set(named)
    first, last = [], []
    for whole in sorted(sets, key=lambda pieces: (-len(pieces), sorted(pieces))):
        members, carried = _members(shelf, whole, sets)
        rest = [m for m in members if m not in named]
        first += _rules(shelf, whole, rest)
        if carried:
            last = _rules(shelf, whole, rest + carried) + last
    return first, last


def _members(shelf: Shelf, whole: Pieces, sets: set[Pieces]) -> tuple[list[Pieces], list[Pieces]]:
    """The largest sets within `whole` and its loose things; then loose pieces of things that lie partly elsewhere."""
    below = [s for s in sets if s < whole]
    largest = [s for s in below if not any(s < other for other in below)]
    loose = whole.difference(*largest) if largest else whole
    things = [shelf.pieces_of_thing(thing) for thing in shelf.things]
    entire = [t for t in things if t <= loose]
    carried = [t & loose for t in things if t & loose and not t <= loose]
    return sorted(largest, key=sorted) + entire, carried


def _rules(shelf: Shelf, whole: Pieces, rest: list[Pieces]) -> list[np.ndarray]:
    start, total = shelf.masses(), shelf.row(whole)
    rows = [shelf.row(member) for member in rest]
    held = [row @ start for row in rows]
    slack = next((i for i, m in enumerate(rest) if any(piece[0] == shelf.slack for piece in m)), None)
    if slack is not None:
        return [row - held[i] / (total @ start) * total for i, row in enumerate(rows) if i != slack]
    lead = int(np.argmax(held)) if held else 0
    if not held or held[lead] == 0:
        return rows
    return [row - held[i] / held[lead] * rows[lead] for i, row in enumerate(rows) if i != lead]
