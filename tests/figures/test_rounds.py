"""A round as planned and as weighed."""
import pytest
from looking import marks, words

from labkit.errors import PlanError
from labkit.figures import draw_round


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
