import numpy as np
import pandas as pd
import pytest
from definitions import HAZEL, TERRACOTTA, WORKED
from hypothesis import given, settings
from hypothesis import strategies as st

from labkit import Trial
from labkit.errors import RegionError
from labkit.reach import reach_of
from labkit.rounds import Batch


def flare():
    """McLean & Anderson (1966) Technometrics 8:447-454: bounds from memory."""
    return Trial.from_toml("""
[formula]
magnesium = 50
sodium_nitrate = 22.25
strontium_nitrate = 22.25
binder = 5.5
[blends.flare]
parts = ["magnesium", "sodium_nitrate", "strontium_nitrate", "binder"]
low = [0.40, 0.10, 0.10, 0.03]
high = [0.60, 0.50, 0.50, 0.08]
""")


def test_a_blend_of_the_whole_batch_is_the_region_of_the_flare():
    found = flare().region
    assert len(found.vertices()) == 8
    assert (len(found.edge_midpoints()), len(found.face_centroids())) == (12, 6)  # 8 - 12 + 6 = 2 (Euler)


def test_face_centroids_and_the_overall_centroid_of_the_flare():
    import pathlib

    published = pd.read_csv(pathlib.Path(__file__).parent / "published" / "flare_extreme_vertices.csv")
    names = ["magnesium", "sodium_nitrate", "strontium_nitrate", "binder"]
    region = flare().region
    for kind, found in (("face_centroid", region.face_centroids()), ("overall_centroid", region.centroid())):
        wanted = published.loc[published["kind"] == kind, names].round(6)
        assert sorted(map(tuple, found[names].round(6).to_numpy())) == sorted(map(tuple, wanted.to_numpy()))


@pytest.mark.parametrize("text", [TERRACOTTA, HAZEL, WORKED], ids=["terracotta", "hazel", "worked"])
def test_samples_lie_inside_and_settings_within_their_box(text):
    trial = Trial.from_toml(text)
    points = trial.region.sample(300, seed=4)
    assert points.columns.tolist() == list(trial.recipe.coordinates)
    assert trial.region.contains(trial.formula_at(points)).all()
    bounds = trial.recipe.bounds
    assert (points >= bounds["low"] - 1e-12).all(axis=None) and (points <= bounds["high"] + 1e-12).all(axis=None)
    assert trial.region.sample(300, seed=4).equals(points)


def test_samples_are_uniform_on_coded_factors():
    """Coded factors uniform on -1..1 have mean 0 and mean square 1/3 each, and products of mean 0."""
    coded = Trial.from_toml(WORKED).region
    points = coded.coded(coded.sample(20_000, seed=1))
    assert points.mean(axis=0) == pytest.approx(np.zeros(3), abs=0.02)
    assert points.T @ points / len(points) == pytest.approx(np.eye(3) / 3, abs=0.01)


def test_distances_between_blends_treat_all_parts_alike():
    region = flare().region
    one = pd.DataFrame([[0.5, 0.2, 0.2, 0.1]], columns=region.recipe.coordinates)
    moves = [one.copy() for _ in range(6)]
    pairs = [(0, 1), (0, 2), (0, 3), (1, 2), (1, 3), (2, 3)]
    for move, (a, b) in zip(moves, pairs):
        move.iloc[0, a] += 0.01
        move.iloc[0, b] -= 0.01
    gaps = [np.linalg.norm(region.coded(move) - region.coded(one)) for move in moves]
    assert gaps == pytest.approx([0.01 * 2**0.5 / 0.2] * 6)  # the widest range is .4


def test_corners_are_crossed_with_the_corners_of_the_settings():
    trial = Trial.from_toml(TERRACOTTA)
    corners = trial.region.corners()
    assert len(corners) == 2 * len(trial.region.vertices())
    assert sorted(corners["pour_temperature"].unique()) == [68, 80]


def test_a_pinned_part_leaves_one_dimension_less():
    trial = Trial.from_toml(
        HAZEL.replace("low = [0.06, 0.10, 0.50]", "low = [0.10, 0.10, 0.50]").replace(
            "high = [0.16, 0.40, 0.80]", "high = [0.10, 0.40, 0.80]"
        )
    )
    assert trial.region.dimension == 2
    assert trial.factors_of(trial.region.vertices())["base: sunflower wax"].tolist() == pytest.approx([0.1] * 4)
    assert trial.region.sample(50, 1)["base: sunflower wax"].tolist() == pytest.approx([0.1] * 50)


def test_what_cannot_be_reached_is_said_with_its_reason():
    trial = Trial.from_toml(
        HAZEL.replace("low = [0.06, 0.10, 0.50]", "low = [0.06, 0.25, 0.52]").replace(
            "high = [0.16, 0.40, 0.80]", "high = [0.40, 0.40, 0.80]"
        )
    )
    reach = reach_of(trial.region)
    assert [text for text in reach.frame["because"] if text] == [
        "sunflower wax can go no higher than 0.23 of the base: cocoa butter and castor oil need 0.77.",
        "castor oil can go no higher than 0.69 of the base: sunflower wax and cocoa butter need 0.31.",
    ]
    assert reach.implied == ("sunflower wax is at most 0.4 of the base", "castor oil is at most 0.8 of the base")
    assert reach.frame.loc["base: sunflower wax", "highest"] == pytest.approx(0.23)


def test_limits_that_are_said_to_follow_from_others_may_all_go_together():
    """The low of one part of two is the high of the other: both were said to follow, and nothing would have been left."""
    two = Trial.from_toml(HAZEL.replace('"sunflower wax", "cocoa butter", "castor oil"]\nlow = [0.06, 0.10, 0.50]\n'
                                        "high = [0.16, 0.40, 0.80]",
                                        '"sunflower wax", "castor oil"]\nlow = [0.06, 0.84]\nhigh = [0.16, 0.94]'))
    assert reach_of(two.region).implied == ("sunflower wax is at least 0.06 of the base",
                                            "sunflower wax is at most 0.16 of the base")


def test_a_reason_names_no_limit_that_can_be_spared():
    """1e-4 of a base of .001 was within what the solver forgives: load and the low of cocoa butter were blamed too."""
    base = '["sunflower wax", "cocoa butter", "castor oil"]'
    trial = Trial.from_toml(f'{HAZEL}\n[[limits]]\nof = ["sunflower wax", "cocoa butter"]\nwithin = {base}\nlow = 0.3\n')
    assert [text for text in reach_of(trial.region).frame["because"] if text] == [
        "cocoa butter can go no lower than 0.14 of the base: sunflower wax is at most 0.16 of the base and sunflower wax and "
        "cocoa butter are at least 0.3 of the base.",
        "castor oil can go no higher than 0.7 of the base: sunflower wax and cocoa butter are at least 0.3 of the base."]


def test_a_limit_on_the_batch_cuts_a_share_and_is_named():
    trial = Trial.from_toml(WORKED + '\n[[limits]]\nof = ["candelilla wax"]\nhigh = 0.15\n')
    text = reach_of(trial.region).frame.loc["wax", "because"]
    # 0.15 / (0.92 x 95.5/96) of a base that is what load and vitamin E leave
    assert text == (
        "wax can go no higher than 0.1639 of candelilla wax, mango butter and jojoba oil: load is at most 0.08 of the "
        "whole batch and candelilla wax is at most 0.15 of the whole batch."
    )


def test_where_everything_can_be_reached_it_says_so():
    assert "Every low and high can be reached." in str(reach_of(Trial.from_toml(TERRACOTTA).region))


@settings(max_examples=25)
@given(st.integers(2, 8), st.integers(0, 10_000))
def test_up_to_eight_parts(q, seed):
    """Corners keep every bound, add to one, and hold every sampled formula in their hull's box."""
    rng = np.random.default_rng(seed)
    centre = rng.dirichlet(np.full(q, 3.0))
    low, high = np.round(np.clip(centre - 0.08, 0, 1), 3), np.round(np.clip(centre + 0.08, 0, 1), 3)
    names = [f"part {k}" for k in range(q)]
    text = (
        "[formula]\n"
        + "".join(f'"{n}" = {100 * c:.9f}\n' for n, c in zip(names[:-1], centre))
        + f'"{names[-1]}" = "to 100"\n'
    )
    text += f"[blends.whole]\nparts = {names}\nlow = {low.tolist()}\nhigh = {high.tolist()}\n".replace("'", '"')
    trial = Trial.from_toml(text)
    corners, points = trial.region.vertices(), trial.formula_at(trial.region.sample(40, seed))
    assert trial.region.contains(corners).all() and trial.region.contains(points).all()
    assert (points.min() >= corners.min() - 1e-9).all() and (points.max() <= corners.max() + 1e-9).all()
    assert (corners >= low - 1e-9).all(axis=None) and (corners <= high + 1e-9).all(axis=None)


def test_the_floor_of_a_whole_is_one_balance_step():
    assert Batch(pour_g=20, balance_step_g=0.01).steps == 2000
    assert Trial.from_toml(TERRACOTTA).region.floor == pytest.approx(0.0005)


def test_a_trial_in_the_place_of_its_region_is_refused():
    with pytest.raises(RegionError) as problem:
        reach_of(Trial.from_toml(TERRACOTTA))
    assert str(problem.value) == "the region is of type Trial. Give trial.region."


class TestWidened:
    def test_each_low_and_high_goes_as_far_as_the_points_and_no_further(self):
        region = Trial.from_toml(HAZEL).region
        inside = region.sample(5, seed=1)
        wax, butter, oil = (f"base: {name}" for name in ("sunflower wax", "cocoa butter", "castor oil"))
        out = inside.iloc[:2].assign(**{wax: [0.20, 0.02], butter: [0.20, 0.20], oil: [0.60, 0.78], "load": [0.03, 0.08]})
        wide = region.widened_to(pd.concat([inside, out]))
        bounds = region.recipe.bounds.copy()
        bounds.loc[wax], bounds.loc["load"] = (0.02, 0.20), (0.01, 0.08)
        pd.testing.assert_frame_equal(wide.recipe.bounds, bounds)
        assert wide.includes(out).all() and not region.includes(out).any() and wide.floor == 0 < region.floor
        assert not region.beyond(inside).any()
        np.testing.assert_allclose(region.beyond(out), [0.04 / 0.10, 0.03 / 0.04])

    def test_a_limit_gives_way_and_what_does_not_vary_stays(self):
        """Four fifths of 8 % are 6.4 % of red, where 5 % were allowed."""
        region = Trial.from_toml(TERRACOTTA).region
        out = region.sample(1, seed=1).assign(red_share=0.8, load=0.08)
        wide = region.widened_to(out)
        assert [limit.high for limit in region.recipe.limits] == [0.05]
        np.testing.assert_allclose(region.beyond(out), 0.014 / 0.05)
        assert [limit.high for limit in wide.recipe.limits] == [pytest.approx(0.064)] and wide.includes(out).all()
        pinned = Trial.from_toml(TERRACOTTA.replace("low = 0.10\nhigh = 0.22", "low = 0.16\nhigh = 0.16")).region
        assert list(pinned.widened_to(out.assign(wax=0.2)).recipe.bounds.loc["wax"]) == [0.16, 0.16]
