"""What is scored the other way round is read the other way round; and which coordinates play no part, over all systems."""
import dataclasses

import numpy as np
import pytest
from definitions import TERRACOTTA
from invented import poured, scored, terracotta_truth
from numpy.testing import assert_allclose

import labkit
from labkit.surfaces import fitting, surface
from labkit.surfaces.ground import taken_to_turn

NAMES = ["wax", "red_share", "load", "pour_temperature"]
OFF = TERRACOTTA.replace("wanted = { rising = [5, 9] }", "wanted = { falling = [1, 5] }")


def away(coded):
    """The shade that is meant, scored by how far off it is."""
    *others, shade = terracotta_truth(coded).T
    return np.column_stack([*others, 10 - shade])


@pytest.fixture(scope="module")
def both():
    """The same pours and scores, but that the second panel scores how far off the shade is."""
    near = scored(poured(TERRACOTTA), terracotta_truth)
    mirrored = near.standing_scores.assign(score=lambda table: table["score"].where(table["attribute"] != "shade",
                                                                                    10 - table["score"]))
    columns = ["pour", "tester", "session", "position", "attribute", "score"]
    return near, poured(OFF).with_scores(mirrored[columns])


class TestWhatIsWantedFalling:
    def test_how_far_off_a_shade_is_mirrors_how_near_it_is(self, both):
        near, far = (labkit.fit_surfaces(trial)["shade"] for trial in both)
        at = both[0].region.sample(60, seed=4)
        one, other = near.predict(at), far.predict(at)
        assert_allclose(other["mean"], 10 - one["mean"], atol=0.02)
        assert_allclose(other[["low", "high"]], 10 - one[["high", "low"]].to_numpy(), atol=0.05)
        assert far.posterior.hill_trust == pytest.approx(near.posterior.hill_trust, abs=0.01)

    def test_so_does_what_is_said_of_it(self, both):
        told = " ".join(str(labkit.fit_surfaces(both[1])["shade"]).split())
        assert "That it dips within the region, begun at 70 %, now stands at" in told
        assert ("What dips tapers off on all sides, so the scale that tapers off towards the high end began with 10 times the "
                "weight of each of the others.") in told

    def test_which_way_each_attribute_is_taken_to_turn(self):
        turns = {name: taken_to_turn(labkit.Trial.from_toml(OFF), attribute)
                 for name, attribute in labkit.Trial.from_toml(OFF).attributes.items()}
        assert turns == {"payoff": 0, "hardness": 0, "sheerness": 0, "shade": -1}
        near = labkit.Trial.from_toml(TERRACOTTA)
        assert taken_to_turn(near, near.attributes["shade"]) == 1
        unwanted = dataclasses.replace(near.attributes["shade"], wanted=None)
        assert taken_to_turn(near, unwanted) == 1


def test_that_a_coordinate_plays_no_part_is_told_over_all_systems(demo, monkeypatch):
    """Three systems are integrated; with all of them the chance is the same but for what evidence foretells roughly."""
    told = {name: found.effects["no part"] for name, found in labkit.fit_surfaces(demo).items()}
    three = {name: found.posterior for name, found in labkit.fit_surfaces(demo).items()}
    monkeypatch.setattr(fitting, "COUNTED", 1000)
    surface._fitted.cache_clear()
    every = {name: found.effects["no part"] for name, found in labkit.fit_surfaces(demo).items()}
    surface._fitted.cache_clear()
    for name, chances in told.items():
        assert_allclose(chances, every[name], atol=0.12)
        kept = [sum(c.weight for c in three[name].candidates if coordinate in c.system.idle) for coordinate in NAMES]
        assert np.abs(np.array(kept) - every[name]).max() > np.abs(chances - every[name]).max()
    assert max(chances.max() for chances in told.values()) < 1
