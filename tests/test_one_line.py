"""What is met on the way to a result prints in one line too: 450,000 characters of arrays tell nobody anything."""
import labkit


def test_what_a_result_is_made_of(demo):
    panel, surface = labkit.appraise_panel(demo), labkit.fit_surfaces(demo)["payoff"]
    plan = labkit.plan_confirmation(demo, pours=2, seed=2)
    assert [repr(one) for one in (demo.recipe, panel.scored_for("payoff"), surface.ground, surface.classical, plan.forecast)] == [
        "<Recipe of 6 ingredients: wax, red_share, load and pour_temperature may vary>",
        "<Scored payoff: 66 scores by 6 testers>",
        "<Ground of Terracotta stick: 30 functions>",
        "<Classical: linear, 5 terms for 11 pours>",
        "<Forecast of 2 pours: payoff, hardness, sheerness and shade>"]
    assert repr(surface.posterior).startswith("<Posterior of payoff: ") and repr(surface.posterior).endswith(" shapes>")
    assert repr(demo.region).startswith("Region(recipe=<Recipe of 6 ingredients: ") and len(repr(demo.region)) < 120
