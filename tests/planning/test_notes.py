"""What a round says about itself: each caveat on both sides of the number that it hangs on."""
import types

import numpy as np
import pandas as pd
import pytest
from definitions import TERRACOTTA

import labkit
from labkit.aside import ASIDE, ASIDE_COLUMNS
from labkit.attributes import Attribute
from labkit.core.terms import polynomial_terms
from labkit.planning import notes


def told(monkeypatch, *, q, melts, before=0, failed=0, model="quadratic", prior="weak", alike=False, repeats=0, control=None,
         aside=0):
    """The caveat about melts, for a pot that can vary in q ways, after some melts that were good and some that failed.

    All pots are different, but for those of the round where they are `alike`. aside : of the good ones, set aside.
    """
    monkeypatch.setattr(notes, "pot_dimensions", lambda plan: q)
    monkeypatch.setattr(notes, "_pot_keys", lambda plan, pours: pours[["key"]].to_numpy(dtype=float))
    names = [f"M{k:02d}" for k in range(before + failed)]
    found = pd.DataFrame({"melt": range(melts), "key": -1.0 if alike else -1.0 - np.arange(melts)})
    made = pd.DataFrame({"melt": names, "ok": np.arange(before + failed) < before, "key": np.arange(before + failed)})
    recipe = types.SimpleNamespace(pot=("wax", "oil"), per_melt=("wax",))
    rows = pd.DataFrame([dict.fromkeys(ASIDE_COLUMNS, "") | {"action": ASIDE, "pour": name} for name in names[:aside]],
                        columns=list(ASIDE_COLUMNS))
    made.index = names
    trial = types.SimpleNamespace(recipe=recipe, made=made, made_formulas=pd.DataFrame(index=made.index), set_aside=rows)
    plan = types.SimpleNamespace(region=types.SimpleNamespace(recipe=recipe), control=control)
    wish = types.SimpleNamespace(model=model, prior=prior, repeats=repeats)
    return notes._few_melts(trial, wish, plan, types.SimpleNamespace(melts=tuple(found["melt"]), to_frame=lambda: found))


class TestFewMelts:
    @pytest.mark.parametrize("model", ["linear", "interaction", "quadratic"])
    @pytest.mark.parametrize("q", [1, 2, 3])
    def test_as_many_pots_are_needed_as_the_pots_part_of_the_model_has_terms(self, monkeypatch, q, model):
        terms = len(polynomial_terms([f"x{i}" for i in range(q)], model=model).names)
        assert told(monkeypatch, q=q, melts=terms, model=model) == []
        assert told(monkeypatch, q=q, melts=terms - 1, before=1, model=model) == []
        few = told(monkeypatch, q=q, melts=1, before=terms - 2, model=model)
        assert few == [f"The {model} model needs {terms} different pots for wax; with 1 melt"
                       f"{f' and {terms - 2} before' if terms > 2 else ''} the plan rests on the prior there."]

    def test_what_failed_does_not_count_and_without_a_prior_only_melts_help(self, monkeypatch):
        assert told(monkeypatch, q=1, melts=2, failed=3, prior="flat") == [
            "The quadratic model needs 3 different pots for wax; with 2 melts more melts would tell them apart."]

    def test_what_is_set_aside_does_not_count(self, monkeypatch):
        assert told(monkeypatch, q=1, melts=2, before=1) == []
        assert told(monkeypatch, q=1, melts=2, before=1, aside=1) == told(monkeypatch, q=1, melts=2) != []

    def test_pots_that_are_alike(self, monkeypatch):
        says = "All melts have the same pot: the criterion gains more elsewhere. Fewer melts would do nearly as well."
        few = ("The quadratic model needs 3 different pots for wax; with 3 melts, 1 different pot in all, the plan rests on the "
               "prior there.")
        assert told(monkeypatch, q=1, melts=3, alike=True) == [says, few]
        assert told(monkeypatch, q=1, melts=3, alike=True, repeats=1) == [few]
        assert told(monkeypatch, q=1, melts=2, before=2, alike=True) == [says]
        assert told(monkeypatch, q=1, melts=1, before=2, alike=True) == []

    def test_where_nothing_in_the_pot_varies(self, monkeypatch):
        assert told(monkeypatch, q=0, melts=2) == ["Nothing in the pot varies: a single melt would do."]
        assert told(monkeypatch, q=0, melts=1) == told(monkeypatch, q=0, melts=2, control="starting formula") == []


@pytest.mark.parametrize("apart, alike", [(0.0, True), (0.0015, True), (0.004, False)])
def test_pots_are_alike_within_a_fiftieth_of_what_they_can_differ(apart, alike):
    """Wax may run from .10 to .22, so a fiftieth of that is .0024."""
    from labkit.rounds import round_from_factors

    trial = labkit.Trial.from_toml(TERRACOTTA.replace("balance_step_g = 0.01", "balance_step_g = 0.0001"))
    points = pd.DataFrame({"wax": [0.15, 0.15 + apart], "red_share": 0.5, "load": 0.05, "pour_temperature": 74.0})
    found = round_from_factors(trial.recipe, trial.batch, number=1, melts=["M01", "M02"], pours=["P01", "P02"], coordinates=points)
    keys = np.array([[0.10, 0.0], [0.22, 0.0]])
    ends = round_from_factors(trial.recipe, trial.batch, number=1, melts=["M01", "M02"], pours=["P01", "P02"],
                              coordinates=points.assign(wax=keys[:, 0]))
    frame = ends.to_frame()
    grams = frame[[f"{i} [g]" for i in trial.recipe.ingredients]].to_numpy(dtype=float)
    pots = notes.Points(recipe=trial.recipe, formulas=grams, settings=frame[["pour_temperature"]].to_numpy(dtype=float))
    plan = types.SimpleNamespace(region=trial.region, offer=types.SimpleNamespace(pots=pots))
    keys = notes._pot_keys(plan, found.to_frame())
    assert notes._different(keys) == (1 if alike else 2)


@pytest.mark.parametrize("pours, says", [
    (1, ["A single pour has no other of its round beside it: what the round and the pot did stays in it."]),
    (2, []), (notes.SITTING, []),
    (notes.SITTING + 1, [f"{notes.SITTING + 1} pours are more than the {notes.SITTING} of one sitting: serve them in 2."]),
    (2 * notes.SITTING, [f"{2 * notes.SITTING} pours are more than the {notes.SITTING} of one sitting: serve them in 2."]),
    (2 * notes.SITTING + 1, [f"{2 * notes.SITTING + 1} pours are more than the {notes.SITTING} of one sitting: serve them in 3."])])
def test_one_pour_and_more_than_a_sitting(monkeypatch, pours, says):
    monkeypatch.setattr(notes, "_few_melts", lambda *given: [])
    monkeypatch.setattr(notes, "outside_limits", lambda trial, found: np.zeros(pours, dtype=bool))
    found = types.SimpleNamespace(pours=tuple(range(pours)))
    assert notes._caveats(types.SimpleNamespace(attributes={}), None, None, found) == says
    read = types.SimpleNamespace(attributes={"firmness": Attribute(name="firmness", reading="push force", unit="N")})
    assert notes._caveats(read, None, None, found) == [told for told in says if "sitting" not in told]


def test_what_whole_steps_carry_over_a_limit_is_named(monkeypatch):
    monkeypatch.setattr(notes, "_few_melts", lambda *given: [])
    monkeypatch.setattr(notes, "outside_limits", lambda trial, found: np.array([False, True, True]))
    assert notes._caveats(types.SimpleNamespace(attributes={}), None, None, types.SimpleNamespace(pours=("P01", "P02", "P03"))) == [
        "Whole balance steps carry P02 and P03 over a limit, by less than a step."]
