"""A figure that is given something else than it draws says what it was given, and where to get the right thing."""
import pytest

from labkit.errors import LabkitError
from labkit.figures import (
    draw_along,
    draw_outlook,
    draw_panel,
    draw_path,
    draw_region,
    draw_round,
    draw_surface,
    draw_testers,
    draw_triangle,
)
from labkit.surfaces import fit_surfaces

PAIR = ("wax", "load")
SURFACE = "Give one of those that fit_surfaces(trial) returned, such as surfaces['payoff']."
TRIAL = "the trial is of type str. Give what read_trial(folder) returned."
ROUND = "Give a Round, or the number of a planned one as a whole number."


@pytest.mark.parametrize("draw, message", [
    (lambda demo, surfaces, panel: draw_surface(surfaces, along=PAIR), f"surface is of type dict. {SURFACE}"),
    (lambda demo, surfaces, panel: draw_along("payoff", "wax"), f"surface is of type str. {SURFACE}"),
    (lambda demo, surfaces, panel: draw_triangle(surfaces), f"surface is of type dict. {SURFACE}"),
    (lambda demo, surfaces, panel: draw_surface(surfaces["payoff"], along=PAIR, at=5),
     "`at` is of type int. Give one row with every coordinate, such as tweak.best."),
    (lambda demo, surfaces, panel: draw_surface(surfaces["payoff"], along=5),
     "along is [5]. Give two different ones of 'wax', 'red_share', 'load' and 'pour_temperature'."),
    (lambda demo, surfaces, panel: draw_outlook(demo, surfaces["payoff"], along=PAIR),
     "surfaces is of type Surface. Give what fit_surfaces(trial) returned."),
    (lambda demo, surfaces, panel: draw_outlook(demo, {"payoff": panel}, along=PAIR),
     f"surfaces['payoff'] is of type Panel. {SURFACE}"),
    (lambda demo, surfaces, panel: draw_outlook(demo, {"shine": surfaces["payoff"]}, along=PAIR),
     "surfaces has 'shine', which is no attribute of Terracotta stick. Give what fit_surfaces(trial) returned."),
    (lambda demo, surfaces, panel: draw_outlook("demo", surfaces, along=PAIR), TRIAL),
    (lambda demo, surfaces, panel: draw_testers(demo, "payoff"),
     "panel is of type Trial. Give what appraise_panel(trial) returned."),
    (lambda demo, surfaces, panel: draw_panel(demo, "payoff"),
     "panel is of type Trial. Give what appraise_panel(trial) returned."),
    (lambda demo, surfaces, panel: draw_path(demo, demo),
     "path is of type Trial. Give what labkit.settled_by_round(trial) returned."),
    (lambda demo, surfaces, panel: draw_path(demo.plan, "demo"), TRIAL),
    (lambda demo, surfaces, panel: draw_region("demo", along=PAIR), TRIAL),
    (lambda demo, surfaces, panel: draw_region(demo, along=PAIR, round_=2),
     "round_ is of type int. Give a Round, such as suggest_next(trial).round."),
    (lambda demo, surfaces, panel: draw_round("demo", 2), TRIAL),
    (lambda demo, surfaces, panel: draw_round(demo, "2"), f"round_ is of type str. {ROUND}"),
    (lambda demo, surfaces, panel: draw_round(demo, True), f"round_ is of type bool. {ROUND}"),
    (lambda demo, surfaces, panel: draw_round(demo, 2.0), f"round_ is of type float. {ROUND}"),
    (lambda demo, surfaces, panel: draw_round(demo, 0), "round 0 is not planned. Give round 1, 2 or 3."),
    (lambda demo, surfaces, panel: fit_surfaces(demo, "x"),
     "panel is of type str. Give what appraise_panel(trial) returned."),
])
def test_what_it_was_given_and_where_to_get_the_right_thing(demo, surfaces, panel, draw, message):
    with pytest.raises(LabkitError) as refused:
        draw(demo, surfaces, panel)
    assert str(refused.value) == message
