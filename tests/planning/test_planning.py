"""Planning a round: what holds for every round, determinants from outside, kriging as the oracle, hard cases."""
import itertools
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from definitions import TERRACOTTA
from wishes import blend, coordinates, planned, refusal, settings_only, trial_of

import labkit
from labkit.core.optimal import d_optimum
from labkit.core.terms import degree_basis, polynomial_terms
from labkit.planning.layout import layout_of
from labkit.planning.points import spread_out
from labkit.planning.question import DENSE, WEAK
from labkit.rounds import grams_column


class TestEveryRound:
    WISHES = [
        {"pours": 4, "melts": 2},
        {"pours": 6, "melts": 3, "seed": 5},
        {"pours": 5, "melts": 2, "criterion": "D"},
        {"pours": 4, "melts": 4, "model": "linear"},
        {"pours": 7, "melts": 3, "model": "interaction"},
        {"pours": 16, "melts": 8, "prior": "flat", "criterion": "D"},
        {"pours": 3, "melts": 1},
        {"pours": 6, "melts": 3, "hold": (("red_share", 0.5),)},
    ]

    @pytest.mark.parametrize("wish", WISHES, ids=str)
    def test_can_be_weighed_and_keeps_the_limits(self, terracotta, wish):
        round_ = planned(tuple(wish.items()))
        frame, recipe = round_.to_frame(), terracotta.recipe
        grams = frame[[grams_column(i) for i in recipe.ingredients]].to_numpy()
        assert np.allclose(grams / 0.01, np.round(grams / 0.01), atol=1e-6)
        assert np.allclose(grams.sum(axis=1), 20.0, atol=1e-9)
        assert terracotta.region.contains(recipe.formula_at(coordinates(terracotta, round_))).all()
        bounds = recipe.bounds.loc["pour_temperature"]
        assert frame["pour_temperature"].between(bounds["low"] - 1e-9, bounds["high"] + 1e-9).all()

    @pytest.mark.parametrize("wish", WISHES, ids=str)
    def test_melts_are_as_asked_and_kept_together(self, wish):
        frame = planned(tuple(wish.items())).to_frame()
        assert len(frame) == wish["pours"] and frame["melt"].nunique() == wish["melts"]
        assert (frame["melt"] != frame["melt"].shift()).sum() == wish["melts"]
        assert frame["melt"].value_counts().max() - frame["melt"].value_counts().min() <= 1
        assert (frame.groupby("melt")["wax"].nunique() == 1).all()
        assert frame["order"].tolist() == list(range(1, wish["pours"] + 1))

    def test_takes_the_next_names(self, twelve):
        frame = labkit.plan_round(twelve, pours=4, melts=2).to_frame()
        assert frame["round"].unique().tolist() == [4]
        assert frame["pour"].tolist() == ["P13", "P14", "P15", "P16"]
        assert frame["melt"].unique().tolist() == ["M07", "M08"]

    def test_repeats_bit_for_bit(self, twelve):
        one, other = (labkit.plan_round(twelve, pours=6, melts=3, seed=3) for _ in range(2))
        assert one.to_frame().equals(other.to_frame()) and one.notes == other.notes

    def test_the_pot_varies_between_melts(self, terracotta):
        """A second pot that equals the first would be wasted."""
        for seed in range(4):
            wax = labkit.plan_round(terracotta, pours=4, melts=2, seed=seed).to_frame()["wax"]
            assert np.ptp(wax) > 0.02

    def test_can_be_poured_and_recorded(self, terracotta):
        round_ = labkit.plan_round(terracotta, pours=4, melts=2)
        poured = terracotta.with_round(round_).with_pours(round_.as_poured())
        made = poured.made[list(terracotta.recipe.coordinates)]
        assert np.allclose(made, coordinates(terracotta, round_), atol=5e-4)  # one step in the wax of each pour

    def test_other_units_plan_the_same_round(self, terracotta):
        fahrenheit = trial_of(TERRACOTTA.replace("low = 68\nhigh = 80", "low = 154.4\nhigh = 176"))
        here = labkit.plan_round(terracotta, pours=4, melts=2, seed=0).to_frame()
        there = labkit.plan_round(fahrenheit, pours=4, melts=2, seed=0).to_frame()
        assert np.allclose(there["pour_temperature"], here["pour_temperature"] * 9 / 5 + 32, atol=0.15)  # each is set to 0.1
        assert np.allclose(there["wax"], here["wax"])

    def test_without_a_melt_table_every_pour_has_its_pot(self, hazel):
        frame = labkit.plan_round(hazel, pours=5).to_frame()
        assert frame["melt"].nunique() == 5
        assert np.allclose(frame[[c for c in frame if c.startswith("base: ")]].sum(axis=1), 1)


class TestStartingFormula:
    """What somebody uses today is the yardstick of a first round."""

    def starts(self, trial, round_):
        start = trial.recipe.starting_factors.iloc[0]
        return np.isclose(coordinates(trial, round_), start, atol=5e-4).all(axis=1).sum()

    def test_is_poured_in_the_first_round(self, terracotta, hazel):
        for trial, size in ((terracotta, {"pours": 5, "melts": 2}), (hazel, {"pours": 6})):
            round_ = labkit.plan_round(trial, **size, seed=3)
            assert self.starts(trial, round_) == 1
            told = [note for note in round_.notes
                    if note.endswith("is the starting formula: whatever is settled on has to beat it.")]
            named = coordinates(trial, round_)[np.equal(round_.pours, told[0].split()[0])]
            assert len(told) == 1 and np.allclose(named, trial.recipe.starting_factors, atol=5e-4)

    @pytest.mark.parametrize("size", [{}, {"pours": 4}, {"pours": 4, "melts": 2}])
    def test_few_pours_have_none_to_spare_for_it(self, terracotta, size):
        assert self.starts(terracotta, labkit.plan_round(terracotta, **size)) == 0
        assert self.starts(terracotta, labkit.plan_round(terracotta, **size, control="starting formula")) == 1

    @pytest.mark.parametrize("factors, fewest", [(1, 3), (2, 3), (3, 4), (4, 5)])
    def test_is_poured_where_there_are_as_many_pours_as_linear_terms_and_three(self, factors, fewest):
        trial = settings_only(factors)
        assert self.starts(trial, labkit.plan_round(trial, pours=fewest)) == 1
        assert not any("starting formula" in note for note in labkit.plan_round(trial, pours=fewest - 1).notes)

    @pytest.mark.parametrize("wish", [{"control": "none"}, {"prior": "flat", "model": "linear", "pours": 6},
                                      {"hold": {"wax": 0.2}}, {"pours": 2}])
    def test_is_left_out_on_request(self, terracotta, wish):
        assert self.starts(terracotta, labkit.plan_round(terracotta, **{"pours": 5, "melts": 2, **wish})) == 0

    def test_is_not_poured_again(self, twelve):
        assert not any("starting formula" in note for note in labkit.plan_round(twelve, pours=4, melts=2).notes)

    def test_outside_the_limits_it_is_passed_over_unless_asked_for(self):
        trial = trial_of(TERRACOTTA.replace("low = 0.10\nhigh = 0.22", "low = 0.16\nhigh = 0.22"))
        assert not any("starting formula" in note for note in labkit.plan_round(trial, pours=6, melts=2).notes)
        assert refusal(trial, control="starting formula") == (
            "the starting formula lies outside the limits: wax is 0.1538, its limits are 0.16 to 0.22. "
            "Leave it out with control='none', or widen the limits."
        )


class TestFromOutside:
    @pytest.mark.parametrize("pours, determinant", [(6, 256), (8, 2304), (10, 9360)])
    def test_two_settings(self, pours, determinant):
        """Largest |X'X| on the 3 x 3 grid, proved by trying every round (tests/core/test_exchange.py); between the
        levels a little more can be had."""
        trial = settings_only(2)
        round_ = labkit.plan_round(trial, pours=pours, criterion="D", prior="flat")
        matrix = polynomial_terms(["x1", "x2"]).evaluate(coordinates(trial, round_))
        assert np.linalg.det(matrix.T @ matrix) >= determinant * (1 - 1e-9)

    def test_four_settings_in_sixteen(self):
        """On three levels 3.93e12 is .884 a term of a bound that no round exceeds (tests/core/test_exchange.py)."""
        trial = settings_only(4)
        round_ = labkit.plan_round(trial, pours=16, criterion="D", prior="flat")
        matrix = polynomial_terms(list("abcd")).evaluate(coordinates(trial, round_))
        assert np.linalg.det(matrix.T @ matrix) >= 3.93e12

    def test_four_settings_in_other_units(self):
        """The same in a tenth of a degree: the design does not depend on the units."""
        trial = settings_only(4, low=60, high=61)
        round_ = labkit.plan_round(trial, pours=16, criterion="D", prior="flat")
        matrix = polynomial_terms(list("abcd")).evaluate(2 * coordinates(trial, round_) - 121)
        assert np.linalg.det(matrix.T @ matrix) >= 3.93e12

    @pytest.mark.parametrize("q", [2, 3, 4])
    def test_whole_blends_are_poured_on_the_lattice(self, q):
        """The {q, 2} lattice is D-optimal for the Scheffe quadratic (Kiefer 1961)."""
        trial, size = blend([0.0] * q, [1.0] * q), q * (q + 1) // 2
        round_ = labkit.plan_round(trial, pours=size, criterion="D", prior="flat")
        lattice = np.array([c for c in itertools.product((0, 0.5, 1), repeat=q) if sum(c) == 1])
        found = coordinates(trial, round_).to_numpy()
        assert np.allclose(found[np.lexsort(found.T[::-1])], lattice[np.lexsort(lattice.T[::-1])], atol=1e-9)

    def test_six_parts(self):
        """6 parts of .05 to .40, 26 pours: at least .9330 of the certified optimum over corners and midpoints."""
        trial = blend([0.05] * 6, [0.40] * 6)
        round_ = labkit.plan_round(trial, pours=26, criterion="D", prior="flat")
        terms = polynomial_terms(list(trial.recipe.coordinates), blends=[tuple(range(6))])
        corners = [np.where(np.isin(np.arange(6), pair), 0.4, 0.05) for pair in itertools.combinations(range(6), 2)]
        middles = [(a + b) / 2 for a, b in itertools.combinations(corners, 2)]
        best = d_optimum(terms.evaluate(np.vstack([corners, middles, np.mean(corners, axis=0)])))
        matrix = terms.evaluate(coordinates(trial, round_))
        assert np.exp((np.linalg.slogdet(matrix.T @ matrix)[1] - best.log_det) / 21) / 26 >= 0.9330

    def test_standard_error_is_that_of_kriging(self, twelve):
        """The note's figures by another road: Gaussian conditioning with prior covariance, V from melts and rounds."""
        round_ = labkit.plan_round(twelve, pours=4, melts=2, seed=1)
        sample = twelve.region.sample(DENSE)
        basis = degree_basis(twelve.region.coded(sample))
        share = np.array([WEAK[k] ** 2 / np.sum(basis.degrees == k) for k in basis.degrees])
        frame = round_.to_frame()
        columns = ["round", "melt", *twelve.recipe.coordinates]
        told = []
        for pours in (twelve.made[columns], None):
            pours = twelve.made[columns] if pours is not None else _stacked(twelve.made[columns], frame[columns])
            here = basis.evaluate(twelve.region.coded(pours)) * np.sqrt(share)
            there = basis.evaluate(twelve.region.coded(sample)) * np.sqrt(share)
            same_melt = np.equal.outer(pours["melt"].to_numpy(), pours["melt"].to_numpy())
            same_round = np.equal.outer(pours["round"].to_numpy(), pours["round"].to_numpy())
            noise = (0.03**2 + 0.08**2 / 6) * np.eye(len(pours)) + 0.03**2 * (same_melt.astype(float) + same_round)
            covariance = there @ here.T
            reduced = np.sum(covariance @ np.linalg.inv(here @ here.T + noise) * covariance, axis=1)
            told.append(np.sqrt(np.mean(np.sum(there**2, axis=1) - reduced)))
        note = next(n for n in round_.notes if n.startswith("Standard error"))
        assert note == (
            "Standard error of a surface over the region, as a part of its scale: "
            f"{told[0]:.2f} before and {told[1]:.2f} after this round."
        )


def _stacked(one, other):
    import pandas as pd

    return pd.concat([one, other])


class TestWhatIsKnown:
    def test_a_planned_round_is_counted_and_named(self, terracotta):
        first = labkit.plan_round(terracotta, pours=4, melts=2)
        waiting = labkit.plan_round(terracotta.with_round(first), pours=4, melts=2)
        poured = labkit.plan_round(terracotta.with_round(first).with_pours(first.as_poured()), pours=4, melts=2)
        assert waiting.notes[-1] == poured.notes[-1] and waiting.notes[-1].startswith("Standard error")
        assert "Not yet poured and counted as if poured as planned: P01, P02, P03 and P04." in waiting.notes

    def test_a_failed_pour_is_not_counted(self, terracotta):
        first = labkit.plan_round(terracotta, pours=4, melts=2)
        made = first.as_poured()
        made.loc[2, "outcome"] = "failed: cracked"
        trial = terracotta.with_round(first).with_pours(made)
        assert "Failed and therefore not counted: P03." in labkit.plan_round(trial, pours=4, melts=2).notes

    def test_a_pour_that_is_set_aside_is_not_counted(self, twelve):
        """Planned and appraised as where it was never poured."""
        row = {"action": "set aside", "pour": "P02", "reason": "cooled overnight by mistake"}
        aside, pours = twelve.with_set_aside(pd.DataFrame([row])), twelve.pours
        never = replace(twelve, tables={**twelve.tables, "pours": pours[pours["pour"] != "P02"]})
        one, other, all_of_them = (labkit.plan_round(trial, pours=4, melts=2) for trial in (aside, never, twelve))
        assert one.to_frame().equals(other.to_frame()) and not one.to_frame().equals(all_of_them.to_frame())
        assert set(one.notes) - set(other.notes) == {"Set aside and therefore not counted: P02."}
        assert labkit.appraise_round(aside, one).guess.equals(labkit.appraise_round(never, one).guess)

    def test_each_round_leaves_less_uncertainty(self, twelve):
        note = next(n for n in labkit.plan_round(twelve, pours=4, melts=2).notes if n.startswith("Standard error"))
        before, after = (float(word) for word in note.split() if word.startswith("0."))
        assert after < before < 0.2


class TestHardCases:
    def test_narrow_blends_keep_their_digits(self):
        """Ranges of a few hundredths: the Scheffe terms themselves would be singular to fifteen digits."""
        low = [0.20, 0.30, 0.10, 0.32]
        trial = blend(low, [share + 0.03 for share in low])
        round_ = labkit.plan_round(trial, pours=10, criterion="D", prior="flat")
        told = next(note for note in round_.notes if note.startswith("D-efficiency"))
        assert float(told.split()[1]) > 0.85

    def test_flat_with_a_repeat_needs_one_more(self, terracotta):
        assert refusal(terracotta, pours=15, melts=8, prior="flat", repeats=1) == (
            "with a flat prior the 15 terms of the quadratic model need 16 pours in this round, not 15. "
            "Plan more pours, choose a smaller model, or prior='weak'."
        )

    def test_a_coarse_balance_keeps_the_limits(self):
        """A tenth of a gram in ten: a corner of the region is no multiple of a step."""
        coarse = TERRACOTTA.replace("pour_g = 20.0", "pour_g = 10.0").replace("step_g = 0.01", "step_g = 0.05")
        trial = trial_of(coarse.replace("low = 0.02\nhigh = 0.08", "low = 0.05\nhigh = 0.087"))
        round_ = labkit.plan_round(trial, pours=6, melts=3, criterion="D")
        assert trial.region.contains(trial.formula_at(coordinates(trial, round_))).all()

    def test_eight_parts_in_a_pot_with_limits_and_settings(self):
        names = [f"p{k}" for k in range(8)]
        text = (
            '[product]\nname = "Eight"\n[formula]\n' + "".join(f'"{name}" = 12\n' for name in names)
            + f'"colour" = 4\n[melt]\npot = {names}\n[blends.base]\nparts = {names}\nlow = {[0.02] * 8}\n'
            + f'high = {[0.4, 0.35] * 4}\n[factors.load]\nof = ["colour"]\nlow = 0.02\nhigh = 0.08\n'
            + '[settings.heat]\nlow = 60\nhigh = 80\n[settings.stir]\nlow = 1\nhigh = 5\nper_melt = true\n'
            + '[[limits]]\nof = ["p0", "p1"]\nhigh = 0.5\n[attributes.hardness]\n'
        )
        frame = labkit.plan_round(trial_of(text), pours=6, melts=3).to_frame()
        assert frame["melt"].nunique() == 3
        assert (frame.groupby("melt")[["stir", "base: p3"]].nunique() == 1).all(axis=None)
        assert frame["heat"].nunique() > 1

    def test_a_factor_that_crosses_the_pot(self):
        """Wax within the whole batch: the pot's composition is shared, the factor differs a little with the load."""
        within = 'within = ["candelilla wax", "mango butter", "jojoba oil"]\nlow = 0.10\nhigh = 0.22'
        trial = trial_of(TERRACOTTA.replace(within, "low = 0.10\nhigh = 0.20"))
        assert trial.recipe.per_melt == ()
        round_ = labkit.plan_round(trial, pours=4, melts=2)
        formulas = trial.formula_at(coordinates(trial, round_))[list(trial.recipe.pot)]
        shares = formulas.div(formulas.sum(axis=1), axis=0)
        assert (shares.groupby(round_.to_frame()["melt"]).agg(np.ptp) < 1e-9).all(axis=None)


class TestParts:
    def test_layout_spreads_pours_evenly(self):
        places, labels = layout_of(7, 3).spread()
        assert places.tolist() == list(range(7)) and labels.tolist() == [0, 0, 0, 1, 1, 2, 2]

    @pytest.mark.parametrize("pours, melts", [(4, 2), (6, 3), (7, 3), (5, 5), (8, 1)])
    def test_layout_keeps_the_size_whatever_is_repeated(self, pours, melts):
        for repeats in range(pours - melts + 1):
            places, labels = layout_of(pours, melts, repeats=repeats).spread()
            assert len(places) == pours and len(set(labels.tolist())) == melts
            assert len(set(places.tolist())) == pours - repeats

    def test_spread_out_keeps_distinct_rows_far_apart(self):
        rows = np.random.default_rng(0).uniform(size=(500, 2)).round(2)
        kept = spread_out(np.vstack([rows, rows]), most=20)
        assert len(kept) == 20 and kept.max() < 500
        gaps = np.linalg.norm(rows[kept][:, None] - rows[kept][None], axis=2)
        assert gaps[np.triu_indices(20, k=1)].min() > 0.15
