"""A round as planned and as weighed."""
import pytest
from looking import marks, words
from recorded import MELTS, POURS, planned_trial

from labkit.errors import PlanError
from labkit.figures import draw_region, draw_round
from labkit.planning import plan_round


class TestRound:
    def test_rings_are_planned_and_dots_are_weighed(self, demo):
        ax = draw_round(demo, 1)
        bounds, plan = demo.recipe.bounds, demo.plan.query("round == 1").set_index("pour")
        rings = [line for line in ax.lines if line.get_markersize() == 10]
        assert len(rings) == len(plan) * len(bounds)
        first = bounds.index[0]
        placed = [line.get_xdata()[0] for line in rings[:len(plan)]]
        width = bounds.at[first, "high"] - bounds.at[first, "low"]
        expected = (plan.sort_values("order")[first] - bounds.at[first, "low"]) / width
        assert placed == pytest.approx(list(expected))

    def test_a_round_that_is_not_kept_yet(self, demo):
        from labkit.rounds import round_from_factors
        points = demo.recipe.starting_factors
        single = round_from_factors(demo.recipe, demo.batch, number=9, melts=["M99"], pours=["P99"], coordinates=points)
        ax = draw_round(demo, single)
        assert marks(ax) == ["planned"] and "P99" in words(ax)

    def test_a_round_that_is_not_planned_is_refused(self, demo):
        with pytest.raises(PlanError) as caught:
            draw_round(demo, 77)
        assert str(caught.value) == "round 77 is not planned. Give round 1, 2 or 3."

    def test_the_newest_round_is_the_usual_one_and_what_lies_far_outside_stands_at_the_edge(self, demo):
        assert "round 3" in draw_round(demo).get_title() and "round 1" in draw_round(demo, 1).get_title()
        ax = draw_round(far_outside())
        assert max(line.get_xdata()[0] for line in ax.lines) == 1.14 == ax.get_xlim()[1]


def test_a_region_has_room_for_a_pour_outside_it():
    """The load of P01 is .13, up to .08 is allowed; that of P02 is .01, from .02 on."""
    trial = far_outside()
    low, high = draw_region(trial, ("wax", "load")).get_ylim()
    assert low < trial.made.at["P02", "load"] < 0.02 < 0.08 < trial.made.at["P01", "load"] < high


def far_outside():
    rows = POURS.iloc[:2].assign(**{"red paste [g]": [2.6, 0.2], "yellow paste [g]": [2.6, 0.2], "base [g]": [14.8, 19.6]})
    return planned_trial().with_tables({"melts": MELTS, "pours": rows}, files=True)


def test_the_standard_error_in_a_region_counts_the_round_to_come():
    """The lines are of `standard_error_at`: nowhere higher with the round, and lower where it was highest."""
    trial = planned_trial()
    round_ = plan_round(trial, pours=4, melts=2, seed=1)
    without, with_it = (next(c for c in draw_region(trial, ("wax", "load"), new).collections if hasattr(c, "levels"))
                        for new in (None, round_))
    assert with_it.zmax < 0.95 * without.zmax and with_it.zmin < without.zmin
