"""A blend of which one part has one value only: what moves another part leaves that part where it is."""
import numpy as np
import pytest
from definitions import HAZEL
from invented import poured, scored

import labkit

WAX, BUTTER, OIL = (f"base: {name}" for name in ("sunflower wax", "cocoa butter", "castor oil"))
PART = HAZEL.replace("low = [0.06, 0.10, 0.50]\nhigh = [0.16, 0.40, 0.80]",
                     "low = [0.10, 0.10, 0.50]\nhigh = [0.10, 0.40, 0.80]")


@pytest.fixture(scope="module")
def trial():
    return scored(poured(PART, rounds=3, seed=3), lambda coded: 5 + 2 * coded[:, [1]])


def test_a_part_that_is_pinned_stays_where_another_moves(trial):
    points = trial.region.sample(5, seed=1)
    moved = trial.recipe.held_at(points, {BUTTER: 0.2})
    np.testing.assert_allclose(moved[[WAX, BUTTER, OIL]], [[0.1, 0.2, 0.7]] * 5)
    np.testing.assert_allclose(trial.recipe.held_at(points, {WAX: 0.2})[WAX], 0.2)       # unless it is what is asked
    assert trial.region.includes(moved).all()


def test_a_round_is_suggested_where_another_part_is_held(trial):
    """It was told that no formula within the limits has a cocoa butter of 0.2."""
    tweak = labkit.suggest_next(trial, pours=2, seed=1, hold={BUTTER: 0.2})
    np.testing.assert_allclose(tweak.round.frame[[WAX, BUTTER, OIL]], [[0.1, 0.2, 0.7]] * 2, atol=0.002)


def test_what_one_part_does_from_low_to_high_is_what_the_other_does_backwards(trial):
    """A difference of 84 points on a scale of ten was said to be the least that would be seen."""
    round_ = labkit.plan_round(trial, pours=3, seed=1)
    seen = labkit.appraise_round(trial, round_).differences.set_index("between")["seen from"]
    butter, oil = (seen[f"{name} from low to high"] for name in (BUTTER, OIL))
    assert butter == pytest.approx(oil, rel=1e-6) and butter < seen["two pours"]
    effects = labkit.fit_surfaces(trial)["hardness"].effects["effect"]
    assert effects[BUTTER] == pytest.approx(-effects[OIL], abs=0.01)
