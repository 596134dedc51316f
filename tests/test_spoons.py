"""A recipe by the spoon typed into [formula]: told what to weigh, and a percent that is text is told as a number."""
import pytest
from definitions import HAZEL

import labkit
from labkit.errors import FormulaError

WEIGH = "Weigh what that is, and give 100 times its grams over the grams of all, as a bare number."


@pytest.mark.parametrize(("typed", "advice"), [
    *((measure, WEIGH) for measure in ("1 tbsp", "2 heaped Teaspoons", "10 drops", "a pinch", "20 g", "20g", "5 ml", "3 parts")),
    ("12,5 %", "Write 12.5, without quotes."), ("25%", "Write 25, without quotes."), ("25", "Write 25, without quotes."),
    ("some", 'Give a percent as a bare number, or "to 100".')])
def test_what_is_no_percent_by_weight(typed, advice):
    with pytest.raises(FormulaError) as caught:
        labkit.Trial.from_toml(HAZEL.replace('"cocoa butter" = 25', f'"cocoa butter" = "{typed}"'))
    assert str(caught.value) == f"[formula] cocoa butter is {typed!r}. {advice}"
