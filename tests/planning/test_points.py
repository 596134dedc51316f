"""What may be poured: points far apart by brute force, the grid of levels, pots crossed with parts, a control beside them."""
import itertools

import numpy as np
import pytest
from definitions import TERRACOTTA
from wishes import blend, trial_of

from labkit.planning.points import SAME, Points, base_points, centroid, offer, spread_out, with_control

TWO = ('[product]\nname = "Two"\n[formula]\n"wax" = 20\n"oil" = "to 100"\n"red" = 4\n[melt]\npot = ["wax", "oil"]\n'
       '[factors.hard]\nof = ["wax"]\nwithin = ["wax", "oil"]\nlow = 0.1\nhigh = 0.3\n[factors.load]\nof = ["red"]\nlow = 0.02\n'
       'high = 0.10\n[attributes.strength]\n')


def farthest(rows, most, chosen):
    """Kennard & Stone 1969, one at a time: the row whose nearest chosen row is farthest off; from nothing, the outermost."""
    if not chosen:
        chosen = [max(range(len(rows)), key=lambda k: np.linalg.norm(rows[k] - rows.mean(axis=0)))]
    while len(chosen) < most:
        gaps = {k: min(np.linalg.norm(rows[k] - rows[j]) for j in chosen) for k in range(len(rows))}
        chosen = [*chosen, max(gaps, key=gaps.get)]
    return sorted(chosen)


class TestSpreadOut:
    @pytest.mark.parametrize("most, first, begun", [(9, 0, 0), (9, 4, 4), (9, 8, 8), (4, 4, 0), (4, 7, 0), (1, 0, 0)])
    def test_is_that_of_brute_force(self, most, first, begun):
        """The first rows all stay where there is room for another beside them."""
        for seed in range(8):
            rows = np.random.default_rng(seed).exponential(size=(40, 3)) * [1, 1.2, 1.4] + 2
            assert spread_out(rows, most=most, first=first).tolist() == farthest(rows, most, list(range(begun)))

    def test_takes_the_earlier_of_two_that_are_one(self):
        rows = np.random.default_rng(6).uniform(size=(12, 2))
        twice = np.vstack([rows[:3], rows, rows + SAME / 1000])
        once = [0, 1, 2, *range(6, 15)]
        assert spread_out(twice, most=50).tolist() == spread_out(twice, most=12).tolist() == once
        assert spread_out(twice, most=8).tolist() == [once[k] for k in farthest(rows, 8, [])]

    def test_keeps_what_differs_by_more_than_rounding_and_one_where_nothing_varies(self):
        assert spread_out(np.array([[0.0], [20 * SAME], [1.0]]), most=9).tolist() == [0, 1, 2]
        assert spread_out(np.zeros((7, 0)), most=9).tolist() == [0]


class TestBasePoints:
    def test_hold_all_levels_of_a_box(self):
        """Low, middle and high of each factor, although masses half way between two loads are at other shares of wax."""
        region = trial_of(TWO).region
        coded = region.coded(base_points(region, region.sample(5)).coordinates())
        for levels in itertools.product((-1, 0, 1), repeat=2):
            assert np.abs(coded - levels).max(axis=1).min() < 1e-9
        assert len(coded) == 9 + 5

    def test_the_whole_simplex_has_its_lattice_and_centroid(self):
        region = blend([0.0] * 3, [1.0] * 3).region
        found = base_points(region, region.sample(4)).formulas
        wanted = [*np.eye(3), *(1 - np.eye(3)) / 2, np.full((3,), 1 / 3)]
        assert len(found) == 7 + 4
        for row in wanted:
            assert np.abs(found - row).max(axis=1).min() < 1e-9


    def test_midpoints_outside_the_limits_are_taken_in_masses(self):
        """red <= .05: between red .8 of .0625 and .625 of .08 the middle levels hold .7125 x .07125 = .0508 red."""
        trial = trial_of(TERRACOTTA)
        found = base_points(trial.region, trial.region.sample(5))
        seen = found.coordinates()
        assert found.inside(trial.region).all()
        there = np.isclose(seen["red_share"], 0.05 / 0.07125) & np.isclose(seen["load"], 0.07125)
        assert set(seen.loc[there, "pour_temperature"]) == {68, 74, 80} and {0.1, 0.22} <= set(seen.loc[there, "wax"].round(9))


class TestKeys:
    def test_by_hand_with_settings_of_melts_and_of_pours(self):
        """Shares of the pot and what is set once a melt; what is stirred in and set for each pour; settings by their range."""
        trial = trial_of(TWO + "[settings.heat]\nlow = 60\nhigh = 80\n[settings.stir]\nlow = 1\nhigh = 5\nper_melt = true\n"
                         "[settings.wait]\nlow = 7\nhigh = 7\n")
        formulas = np.array([[0.18, 0.72, 0.10], [0.0, 0.0, 1.0]])
        settings = trial_settings(trial, heat=[66, 80], stir=[2, 5], wait=[7, 7])
        points = Points(recipe=trial.recipe, formulas=formulas, settings=settings)
        assert points.pot_keys() == pytest.approx(np.array([[0.2, 0.8, 0.5], [0, 0, 1.25]]))
        assert points.stirred_keys() == pytest.approx(np.array([[0.10, 3.3, 7], [1.0, 4, 7]]))
        assert points.keys() == pytest.approx(np.array([[1, 1, 0.1 / 0.9, 66 / 14, 2 / 3], [0, 0, 1 / 0.9, 80 / 14, 5 / 3]]))
        middle = centroid(trial.region)
        assert middle.settings.tolist() == trial_settings(trial, heat=[70], stir=[3], wait=[7]).tolist()
        assert middle.formulas[0] == pytest.approx(trial.region.vertices().mean().to_numpy())
        shared = points.take([0]).with_pots_of(Points(recipe=trial.recipe, formulas=np.array([[0.3, 0.6, 0.1]]),
                                                      settings=trial_settings(trial, heat=[70], stir=[4], wait=[7])))
        assert shared.formulas[0] == pytest.approx([0.3, 0.6, 0.1])
        assert shared.settings.tolist() == trial_settings(trial, heat=[66], stir=[4], wait=[7]).tolist()


def trial_settings(trial, **values):
    return np.array([values[name] for name in trial.recipe.settings], dtype=float).T


class TestOffer:
    def test_every_pot_meets_every_part(self):
        """Wax a tenth to three of the pot at quarters or finer; each with each load, since no limit forbids any."""
        region = trial_of(TWO).region
        found = offer(region, base_points(region, region.sample(3)))
        assert len(found.points) == len(found.pots) * len(found.parts) == len(set(zip(found.pot, found.part)))
        wax = found.pots.formulas[:, 0]
        assert found.pots.formulas.sum(axis=1) == pytest.approx(1) and not found.pots.formulas[:, 2].any()
        assert sorted(wax) == pytest.approx([0.1, 0.2, 0.3]) and len(found.parts) >= 3
        wax, oil, red = found.points.formulas.T
        assert wax / (wax + oil) == pytest.approx(found.pots.formulas[found.pot, 0])
        assert red == pytest.approx(found.parts.formulas[found.part, 2])

    def test_a_control_is_the_last_and_its_pot_meets_every_part(self):
        trial = trial_of(TWO)
        region, control = trial.region, Points(recipe=trial.recipe, formulas=np.array([[0.24, 0.70, 0.06]]), settings=np.zeros((1, 0)))
        before = offer(region, base_points(region, region.sample(3)))
        found = with_control(before, region, control, tolerance=1e-3)
        assert found.points.formulas[-1].tolist() == [0.24, 0.70, 0.06]
        assert len(found.points) == len(before.points) + len(before.parts) + 1
        assert set(found.part[found.pot == len(before.pots)]) == set(range(len(before.parts) + 1))
        assert found.pot[-1] == len(before.pots) and found.part[-1] == len(before.parts)
        wax, oil, _ = found.points.formulas[found.pot == len(before.pots)].T
        assert wax / (wax + oil) == pytest.approx(0.24 / 0.94)

    def test_without_pots_the_points_are_the_offer_and_a_control_comes_last(self):
        trial = blend([0.0] * 3, [1.0] * 3)
        base = base_points(trial.region, trial.region.sample(3))
        found = offer(trial.region, base)
        assert found.part.tolist() == list(range(len(base))) and not found.pot.any() and len(found.pots) == 1
        control = Points(recipe=trial.recipe, formulas=np.array([[0.2, 0.3, 0.5]]), settings=np.zeros((1, 0)))
        after = with_control(found, trial.region, control, tolerance=1e-3)
        assert len(after.points) == len(base) + 1 and after.part[-1] == len(base) and not after.pot.any()
        assert after.parts.formulas[after.part] == pytest.approx(after.points.formulas)
