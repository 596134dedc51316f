"""A world says what it cannot be."""

import pytest
from rehearsal.worlds import quiet

import labkit
from labkit.errors import RehearsalError


class TestRefusals:
    @pytest.mark.parametrize("make, message", [
        (lambda: labkit.World(truth=3), "truth is of type int. Give a function of a coordinates frame."),
        (lambda: quiet(fails=0.1), "fails is of type float. Give a function of a coordinates frame."),
        (lambda: quiet(sd_pour=-1), "sd_pour is -1. Give a standard deviation, 0 or more."),
        (lambda: quiet(sd_pour="a"), "sd_pour is 'a'. Give a standard deviation, 0 or more."),
        (lambda: quiet(step="half"), "step is 'half'. Give 0.5 for half points, 0 for scores that are not rounded."),
        (lambda: quiet(step=-0.5), "step is -0.5. Give 0.5 for half points, 0 for scores that are not rounded."),
        (lambda: quiet(levels="a"), "levels is 'a'. Give a value a tester, in order or by name, or a frame of testers by "
         "attributes."),
    ])
    def test_of_a_world(self, make, message):
        with pytest.raises(RehearsalError) as refused:
            make()
        assert str(refused.value) == message
