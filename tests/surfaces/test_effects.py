"""What is told of going from the low to the high of a factor is what the surface says at both ends."""
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from definitions import HAZEL, TERRACOTTA, TINT
from invented import poured, scored, terracotta_truth

import labkit
from labkit.surfaces import effects
from labkit.surfaces.effects import FEW, POINTS, ends_of


class Bare(SimpleNamespace):
    """Only what is asked of a posterior and its ground, and the same as nothing but itself."""

    __hash__, __eq__ = object.__hash__, object.__eq__


def predicted(surface, name):
    """The mean at low, middle and high, on average over formulas of the region that stay in it at both ends."""
    trial = surface.posterior.ground.trial
    low, high = trial.recipe.bounds.loc[name, ["low", "high"]]
    sample = surface.posterior.ground.sample.iloc[:POINTS]
    places = [sample.assign(**{name: value}) for value in (low, (low + high) / 2, high)]
    inside = trial.region.includes(places[0]) & trial.region.includes(places[2])
    assert inside.sum() > FEW
    return [surface.predict(place[inside])["mean"].mean() for place in places]


@pytest.mark.parametrize("attribute, name", [("hardness", "wax"), ("shade", "red_share"), ("payoff", "load"),
                                             ("sheerness", "load"), ("payoff", "pour_temperature")])
def test_as_predicted_at_the_ends_and_in_the_middle(demo, attribute, name):
    """Hardness is an S along the wax and shade a lopsided hill along the red: a fitted line is steeper than both."""
    surface = labkit.fit_surfaces(demo)[attribute]
    low, middle, high = predicted(surface, name)
    assert surface.effects.at[name, "effect"] == pytest.approx(high - low, abs=0.15)
    assert surface.bends.at[name, "effect"] == pytest.approx(middle - (low + high) / 2, abs=0.15)


def test_nothing_changes_by_more_than_the_scale_is_wide(demo):
    for surface in labkit.fit_surfaces(demo).values():
        scale = surface.posterior.attribute
        assert surface.effects.loc[list(demo.recipe.coordinates), ["low", "high"]].abs().to_numpy().max() <= scale.width


def test_only_formulas_that_stay_in_the_region_at_both_ends_are_asked(demo):
    """With 80 % red the load ends at 5 / 0.8 = 6.25 %, see [[limits]]; told is the mean load of what is asked."""
    sample = demo.region.sample(POINTS, seed=1)
    ground = Bare(trial=demo, sample=sample, columns=lambda points: points["load"].to_numpy())
    ends = ends_of(Bare(ground=ground, draws=lambda columns, n, seed: columns[None]))
    assert ends["red_share"][:, 0] == pytest.approx([sample["load"][sample["load"] <= 0.0625].mean()] * 3)
    assert ends["wax"][:, 0] == pytest.approx([sample["load"].mean()] * 3)


def test_where_one_factor_is_all_that_varies():
    trial = scored(poured(TINT, rounds=2), lambda coded: 6 + coded[:, [0, 0]] * [2.5, -3.0])
    surface = labkit.fit_surfaces(trial)["slip"]
    low, high = surface.predict(pd.DataFrame({"load": [0.02, 0.12]}))["mean"]
    assert surface.effects.at["load", "effect"] == pytest.approx(high - low, abs=0.15)
    assert surface.in_one_line().startswith("slip: load -")


def test_where_a_limit_forbids_one_end_to_all_of_them():
    """At most 1.2 % of red oxide: 80 % red in 2 % of colour or more is never allowed, and the surface is asked there."""
    trial = scored(poured(TERRACOTTA.replace("high = 0.05", "high = 0.012"), rounds=2), terracotta_truth)
    surface = labkit.fit_surfaces(trial)["payoff"]
    sample = surface.posterior.ground.sample.iloc[:POINTS]
    assert not trial.region.includes(sample.assign(red_share=0.8)).any()
    low, high = (surface.predict(sample.assign(red_share=value))["mean"].mean() for value in (0.2, 0.8))
    assert surface.effects.at["red_share", "effect"] == pytest.approx(high - low, abs=0.15)


WAX, BUTTER, OIL = (f"base: {name}" for name in ("sunflower wax", "cocoa butter", "castor oil"))


def along_its_ray(trial, truth, name):
    """truth at the low, middle and high of a part, the two others in their ratio (Cox 1971, Biometrika 58:155-159), on
    average over formulas that keep every part within its limits at both ends."""
    sample = trial.region.sample(4000, seed=7)
    low, high = trial.recipe.bounds.loc[name, ["low", "high"]]
    others, kept, found = [part for part in (WAX, BUTTER, OIL) if part != name], np.ones(len(sample), dtype=bool), []
    for value in (low, (low + high) / 2, high):
        parts = {name: np.full(len(sample), value)}
        parts |= {other: (1 - value) * sample[other] / sample[others].sum(axis=1) for other in others}
        for other in others:
            kept &= parts[other].between(*trial.recipe.bounds.loc[other, ["low", "high"]]).to_numpy()
        found.append(truth(parts[WAX], parts[BUTTER]))
    return [np.broadcast_to(value, len(sample))[kept].mean() for value in found]


@pytest.fixture(scope="module")
def pot():
    """Hazel pots without any noise: butter makes them harder, and wax does a little, against all else alike."""
    trial = poured(HAZEL, rounds=5)
    truth = lambda wax, butter: 5 + 2 * (wax - 0.11) + 14 * (butter - 0.25) - 60 * (butter - 0.25) ** 2  # noqa: E731
    still = dict.fromkeys(("round", "melt", "pour", "tester", "tester_pour"), 0.0)
    return scored(trial, lambda coded: truth(trial.made[WAX], trial.made[BUTTER]), noise=still, step=0.01), truth


@pytest.mark.parametrize("name", [WAX, BUTTER, OIL])
def test_a_part_of_a_blend_moves_with_the_ratio_of_the_rest_kept(pot, name):
    """More wax comes with less butter, and so it is softer, as it is drawn along the wax; beside butter that stays as it is
    it would be harder."""
    trial, truth = pot
    surface = labkit.fit_surfaces(trial)["hardness"]
    low, middle, high = along_its_ray(trial, truth, name)
    assert surface.effects.at[name, "effect"] == pytest.approx(high - low, abs=0.05 + 0.05 * abs(high - low))
    assert surface.bends.at[name, "effect"] == pytest.approx(middle - (low + high) / 2, abs=0.15)
    if name == WAX:
        assert high - low < -0.1 and surface.effects.at[name, "effect"] < -0.1


@pytest.mark.parametrize("height", [2.0, -0.5])
def test_a_bend_alone_is_the_middle_over_the_ends(height):
    """3 + u + height (1 - u^2) over -1..1, so that the middle lies `height` above the mean of the ends."""
    values = pd.Series(np.linspace(0.2, 0.6, 9))
    u = (values.to_numpy() - 0.4) / 0.2
    assert effects._bend_alone(values, 0.2, 0.6, (3 + u + height * (1 - u**2))[None])[0] == pytest.approx(height)
