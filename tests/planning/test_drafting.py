"""The search before anything is weighed: its loss by the closed form, local refinement, controls that stay, portions."""
import numpy as np
import pytest

from labkit.planning.draft import drafted, refined
from labkit.planning.layout import layout_of
from labkit.planning.plan import brief_of
from labkit.planning.points import Points
from labkit.planning.wish import Wish
from labkit.rounds import Batch


def searched(trial, *, pours=4, melts=2, **wish):
    """The plan of a wish, a draft from few searches, and the same refined."""
    task = brief_of(trial, Wish(pours=pours, melts=melts, **wish))
    plan = task.plan(layout_of(pours, melts, control=task.control is not None))
    draft = drafted(plan, seed=3, starts=2, kicks=1)
    return plan, draft, refined(plan, draft)


def loss_of(plan, draft):
    """trace[(K + X' (I + eta Z Z')^-1 X)^-1 M], pours as independent but for their melts."""
    rows, melts = plan.rows(draft.points), draft.layout.melts
    scatter = np.eye(len(rows)) + plan.question.noise.melt_ratio * np.equal.outer(melts, melts)
    precision = plan.known.precision + rows.T @ np.linalg.inv(scatter) @ rows
    return np.trace(np.linalg.inv(precision) @ plan.known.criterion(plan.question.criterion).moments)


class TestRefinement:
    @pytest.mark.parametrize("control", [None, "P03"])
    def test_lowers_the_loss_which_is_that_of_the_closed_form(self, twelve, control):
        plan, draft, finer = searched(twelve, control=control)
        assert finer.loss < draft.loss * (1 - 1e-4)
        for found in (draft, finer):
            assert found.loss == pytest.approx(loss_of(plan, found), rel=1e-8)

    def test_stays_within_limits_in_shared_pots_that_can_be_weighed(self, twelve):
        plan, _, finer = searched(twelve)
        assert finer.points.inside(twelve.region, 1e-8).all() and twelve.batch.can_weigh(finer.points.formulas).all()
        pots = finer.points.pot_keys()
        assert np.ptp(pots[:2], axis=0).max() < 1e-9 > np.ptp(pots[2:], axis=0).max()

    def test_leaves_a_control_and_its_pot_as_they_were_made(self, twelve):
        plan, draft, finer = searched(twelve, control="P03")
        made = twelve.made.loc[["P03"], list(twelve.recipe.coordinates)].astype(float).to_numpy()
        wanted = Points.at(twelve.recipe, twelve.made.loc[["P03"]]).pot_keys()
        for found in (draft, finer):
            assert found.points.coordinates().to_numpy()[:1] == pytest.approx(made, abs=1e-9)
            assert found.points.pot_keys()[:2] == pytest.approx(np.repeat(wanted, 2, axis=0), abs=1e-9)


@pytest.mark.parametrize("grams, fits", [(0.0, True), (0.1, True), (0.1 * (1 - 1e-9), True), (0.0999, False), (1e-4, False)])
def test_a_portion_is_nothing_or_a_step_at_least(grams, fits):
    """0.1 g of 20 g is one step, whatever the last binary digit says."""
    found = Batch(pour_g=20, balance_step_g=0.1).can_weigh(np.array([[grams, 20 - grams], [10, 10]]) / 20)
    assert found.tolist() == [[fits, True], [True, True]]
