"""What is added to a round, on benches where every formula pays 1 in the worlds that are named, and can be counted by hand."""
import types

import numpy as np
import pandas as pd
import pytest

from labkit.aside import ASIDE_COLUMNS
from labkit.tweaks import search
from labkit.tweaks.additions import NEW_MELT, Around
from labkit.tweaks.looking import Looked


class Bench:
    """Formulas are a pot and a colour; `pays` : both together -> the worlds of ten in which that formula pays."""

    def __init__(self, pays, pot=True, failed=(), aside=(), forbidden=()):
        self.pays, self.outlook, self.forbidden = pays, self, forbidden
        rows = pd.DataFrame([dict.fromkeys(ASIDE_COLUMNS, "") | {"action": "set aside", "pour": pour} for pour in aside],
                            columns=ASIDE_COLUMNS)
        self.trial = types.SimpleNamespace(recipe=types.SimpleNamespace(pot=pot), failed=failed, set_aside=rows)

    def draws(self, points):
        return np.array([[float(str(world) in self.pays.get(pot + colour, "")) for world in range(10)]
                         for pot, colour in points[["pot", "colour"]].to_numpy()]).reshape(len(points), 10).T

    def mean(self, points):
        return self.draws(points).mean(axis=0)

    def crossed(self, pots, colours):
        points = pots[["pot"]].reset_index(names="which").merge(colours[["colour"]].drop_duplicates(), how="cross")
        points = points[~(points["pot"] + points["colour"]).isin(self.forbidden)].reset_index(drop=True)
        return Looked(points=points[["pot", "colour"]], pots=points["which"].to_numpy(), draws=self.draws(points))


def formulas(*names):
    return pd.DataFrame([list(name) for name in names], columns=["pot", "colour"])


def around(bench, round_, melts, found, *, settled=""):
    """A round, the candidates that were looked at, and the colours that may be stirred in: those of both."""
    points, looked = formulas(*round_), formulas(*found)
    colours = pd.concat([points, looked], ignore_index=True).drop_duplicates("colour", ignore_index=True)
    return Around(bench=bench, points=points, melts=melts, colours=colours,
                  settled=np.array([float(str(world) in settled) for world in range(10)]),
                  looked=Looked(points=looked, pots=np.arange(len(looked)), draws=bench.draws(looked)))


def names_of(evening):
    return ["".join(row) for row in evening.points.to_numpy()]


def test_a_pour_more_is_what_adds_most_beside_the_round_and_beside_what_is_known():
    """Ax pays in three worlds and the formula settled on in three more. In pot A, y pays in six, of which one is new; z
    in two, both new; in pot B, y in three that are new, and z in none."""
    bench = Bench({"Ax": "012", "Bx": "0", "Ay": "012347", "Az": "89", "By": "679", "Bz": "345"})
    found = around(bench, ["Ax", "Bx"], ("M1", "M2"), ["Ay", "Az"], settled="345").with_pour()
    assert [names_of(evening)[-1] for evening in found] == ["By", "Az", "Ax"]
    assert [evening.melts for evening in found] == [("M1", "M2", "M2"), ("M1", "M2", "M1"), ("M1", "M2", "M1")]
    assert all(names_of(evening)[:2] == ["Ax", "Bx"] and len(set(evening.places)) == 3 for evening in found)


def test_without_a_common_pot_a_pour_more_has_a_melt_of_its_own():
    bench = Bench({"Ax": "01234", "Bx": "0", "By": "679"}, pot=False)
    found = around(bench, ["Ax", "Bx"], ("M1", "M2"), ["By"]).with_pour()
    assert {evening.melts for evening in found} == {("M1", "M2", NEW_MELT)}
    assert around(bench, ["Ax", "Bx"], ("M1", "M2"), ["By"]).with_melt() == []


def test_a_melt_more_takes_the_place_of_the_pour_that_is_missed_least():
    """Ay pays where Ax does already: with Cz for it seven worlds pay, with Cz for Ax six. Bx is alone in its pot."""
    bench = Bench({"Ax": "01234", "Ay": "0123", "Bx": "", "Cz": "89"})
    moved, first, second = around(bench, ["Ax", "Ay", "Bx"], ("M1", "M1", "M2"), ["Cz"]).with_melt()
    assert names_of(moved) == ["Ax", "Ay", "Bx"] and moved.melts == (NEW_MELT, "M1", "M2")
    assert names_of(first) == ["Ax", "Bx", "Cz"] and first.melts == ("M1", "M2", NEW_MELT)
    assert names_of(second) == ["Ay", "Bx", "Cz"]


@pytest.mark.parametrize("failed, aside, best", [((), (), "P02"), (("P02",), (), "P01"), ((), ("P02",), "P01")])
def test_the_repeat_is_of_the_best_that_held_and_fills_its_melt_with_what_pays_elsewhere(monkeypatch, failed, aside, best):
    """In its pot y pays in three worlds, x in two of these, and z in another: after y that is z."""
    made = formulas("Dw", "Ew").set_axis(["P01", "P02"])
    monkeypatch.setattr(search, "poured", lambda trial: made)
    pot = made.at[best, "pot"]
    bench = Bench({"Dw": "0", "Ew": "01", f"{pot}y": "567", f"{pot}x": "56", f"{pot}z": "9", "Bx": "1"}, failed=failed,
                  aside=aside)
    it = around(bench, ["Ax", "Ay", "Az", "Bx"], ("M1", "M1", "M1", "M2"), ["Ax"])
    assert list(it.best.index) == [best]
    found = it.with_repeat()
    assert names_of(found[0]) == ["Bx", f"{pot}w", f"{pot}y", f"{pot}z"] and found[0].melts == ("M2", *[NEW_MELT] * 3)
    assert names_of(found[1]) == ["Ax", "Ay", "Az", f"{pot}w"] and found[1].melts == ("M1", "M1", "M1", NEW_MELT)
    assert set(found[0].places) == {"3", "more 0", "more 1", "more 2"}       # luck of their own beside what stays


def test_before_a_pour_has_held_there_is_nothing_to_repeat(monkeypatch):
    monkeypatch.setattr(search, "poured", lambda trial: formulas("Dw").set_axis(["P01"]))
    assert around(Bench({"Ax": "1"}, failed=("P01",)), ["Ax"], ("M1",), ["Ax"]).with_repeat() == []


def test_where_the_limits_let_nothing_else_into_a_pot_nothing_is_offered_of_it(monkeypatch):
    """Nothing fits pot D but its own pour, so that it takes the place of a pour alone; and nothing new fits A or B."""
    monkeypatch.setattr(search, "poured", lambda trial: formulas("Dw").set_axis(["P01"]))
    bench = Bench({"Dw": "01"}, forbidden=("Dx", "Dy", "Ax", "Ay", "Bx", "By"))
    it = around(bench, ["Ax", "Ay", "Bx"], ("M1", "M1", "M2"), ["Ax"])
    repeated, = it.with_repeat()
    assert names_of(repeated) == ["Ax", "Ay", "Dw"] and repeated.melts == ("M1", "M1", NEW_MELT)
    again, = it.with_pour()
    assert names_of(again) == ["Ax", "Ay", "Bx", "Ax"]
