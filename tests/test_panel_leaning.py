"""How testers lean, in words."""
import types

import pandas as pd
import pytest

from labkit.attributes import Attribute
from labkit.panel.report import _sides


@pytest.mark.parametrize("levels, words", [
    ([0.66, 0.74], "high on everything (+0.7)"),
    ([-1.21, -0.9], "low on everything (-0.9 to -1.2)"),
    ([0.9, -1.2], "high on payoff (+0.9) and low on shade (-1.2)"),
])
def test_one_number_where_both_ends_print_the_same(levels, words):
    rows = pd.DataFrame({"attribute": ["payoff", "shade"], "level": levels})
    panel = types.SimpleNamespace(attributes=["payoff", "shade"], scored={
        name: types.SimpleNamespace(attribute=Attribute(name=name)) for name in ("payoff", "shade")})
    assert " and ".join(_sides(rows, panel)) == words
