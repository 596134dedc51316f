import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from labkit.checks import check_choice, check_held, check_whole, columns_of, is_blank, parse_id, parse_number
from labkit.errors import LabkitError, PlanError

WHERE = "pours.csv row 3: red paste [g]"


@pytest.mark.parametrize(
    "cell, value",
    [("1.2", 1.2), ("1,2", 1.2), (" 0,80 ", 0.8), (".5", 0.5), ("-3", -3.0), ("1e-3", 0.001), (7, 7.0), (2.5, 2.5)],
)
def test_a_comma_or_a_point(cell, value):
    assert parse_number(cell, where=WHERE, error=LabkitError) == value


@pytest.mark.parametrize(
    "cell", ["1,2 g", "1.234,5", "NaN", "inf", "seven", "1 200", "0x10", "1_0", "--1", True, float("inf")]
)
def test_nothing_is_guessed(cell):
    with pytest.raises(LabkitError) as problem:
        parse_number(cell, where=WHERE, error=LabkitError)
    shown = cell.strip() if isinstance(cell, str) else repr(cell)
    assert (
        str(problem.value)
        == f"{WHERE} is {shown!r}, which is not a number. Write digits with one comma or point, and no unit."
    )


def test_blank_is_not_zero():
    assert math.isnan(parse_number("  ", where=WHERE, error=LabkitError))
    assert math.isnan(parse_number(None, where=WHERE, error=LabkitError))
    assert [is_blank(c) for c in ("", " ", None, float("nan"), "NA", "0", 0)] == [True] * 4 + [False] * 3


@given(st.floats(allow_nan=False, allow_infinity=False), st.booleans())
def test_every_number_comes_back_from_its_text(value, comma):
    text = repr(value).replace(".", ",") if comma else repr(value)
    assert parse_number(text, where=WHERE, error=LabkitError) == value


def test_ids_stay_text():
    assert [parse_id(c) for c in ("001", " NA ", 7, 7.0, 7.5, None, "")] == ["001", "NA", "7", "7", "7.5", "", ""]


def test_choices_in_the_message_are_those_of_the_check():
    with pytest.raises(PlanError) as problem:
        check_choice("E", ("I", "D"), name="criterion", error=PlanError)
    assert str(problem.value) == "criterion is 'E'. Choose 'I' or 'D'."
    with pytest.raises(PlanError) as problem:
        check_whole(True, name="pours", low=1, high=40, error=PlanError)
    assert str(problem.value) == "pours is True. Give a whole number from 1 to 40."


BOUNDS = pd.DataFrame({"low": [0.1, 60], "high": [0.2, 80]}, index=["wax", "heat"])


def test_what_is_held_comes_as_numbers():
    assert check_held({"wax": 0.1, "heat": np.int64(70)}, bounds=BOUNDS, error=PlanError) == {"wax": 0.1, "heat": 70.0}
    assert check_held(None, bounds=BOUNDS, error=PlanError) == {}


@pytest.mark.parametrize("hold, message", [
    ("wax", "hold is 'wax'. Give a dict of coordinates and values, such as {'wax': 0.15}."),
    (["wax"], "hold is ['wax']. Give a dict of coordinates and values, such as {'wax': 0.15}."),
    ({"whacks": 0.1}, "hold names 'whacks', which does not vary. Choose 'wax' or 'heat'."),
    ({"wax": None}, "hold gives wax the value None. Give a number."),
    ({"wax": "0.15"}, "hold gives wax the value '0.15'. Give a number."),
    ({"wax": True}, "hold gives wax the value True. Give a number."),
    ({"wax": math.nan}, "hold gives wax the value nan. Give a number."),
    ({"heat": 81}, "hold puts heat at 81, outside its limits 60 to 80. Hold a value within them, or widen them."),
])
def test_what_cannot_be_held(hold, message):
    with pytest.raises(PlanError) as problem:
        check_held(hold, bounds=BOUNDS, error=PlanError)
    assert str(problem.value) == message


@pytest.mark.parametrize("hold, told", [
    ({"a": 0.3, "b": 0.3, "c": 0.3}, "0.9, not 1"), ({"a": 0.7, "b": 0.6}, "1.3, more than 1"),
    ({"a": 0.3, "b": 0.3, "c": 0.4}, ""), ({"a": 0.3, "b": 0.3}, ""),
])
def test_parts_of_a_blend_that_are_held_add_to_it(hold, told):
    bounds, blends = pd.DataFrame({"low": 0.1, "high": 0.8}, index=["a", "b", "c"]), {"base": ["a", "b", "c"]}
    if not told:
        assert check_held(hold, bounds=bounds, blends=blends, error=PlanError) == hold
        return
    with pytest.raises(PlanError) as problem:
        check_held(hold, bounds=bounds, blends=blends, error=PlanError)
    assert str(problem.value) == (f"hold gives parts of base that add to {told}. Hold shares of the whole blend, or leave a "
                                  "part free.")


@pytest.mark.parametrize("names", [["wax", "load"], ["wax", "load", "card"], ["load", "wax"], ["card"], []])
def test_columns_are_those_of_pandas_wherever_they_stand(names):
    frame = pd.DataFrame({"wax": [0.1, 0.2], "load": [0.05, 0.04], "card": ["a", "b"]}, index=["P01", "P02"])
    pd.testing.assert_frame_equal(columns_of(frame, names), frame[names])
    with pytest.raises(KeyError):
        columns_of(frame, [*names, "hue"])
