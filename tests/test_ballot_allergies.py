"""What is not known about allergies is said on the ballot, whatever else [pantry] holds about an ingredient."""
import pytest
from definitions import HAZEL

import labkit
from labkit.sheets.ballot import allergen_statement

PAGE = "Nothing is known here about allergies to hazelnut butter."
HAZELNUT = HAZEL.replace("cocoa butter", "hazelnut butter")
FIRST = "No ingredient is flagged here for an allergy that is common."
LAST = "Whoever is allergic to anything sees the whole list of ingredients first: ask for it."


def told(text):
    """The statement on a trial whose pantry was read without a word against it, whatever the definition refuses."""
    trial = labkit.Trial.from_toml(HAZELNUT)
    object.__setattr__(trial.definition, "pantry", text)
    return allergen_statement(trial)


@pytest.mark.parametrize("own", [{}, {"density": [0.9, 0.92]}, {"flags": "tree nut"}, {"flag": ""}, {"flag": "  "},
                                 {"flag": ["tree nut"]}, {"flag": "needs heat"}, "", 5])
def test_what_says_nothing_of_an_allergy_leaves_it_unknown(own):
    assert told({"hazelnut butter": own}) == (FIRST, PAGE, LAST)


def test_a_text_that_was_read_is_told():
    for own in ({"flag": "tree nut"}, {"flag": "tree nut; blooms"}, "tree nut"):
        assert told({"hazelnut butter": own}) == ("The samples may hold hazelnut butter (tree nut).", LAST)


def test_a_blank_text_does_not_hide_what_is_known():
    shea = labkit.Trial.from_toml(HAZEL.replace("cocoa butter", "shea butter"))
    object.__setattr__(shea.definition, "pantry", {"shea butter": {"flag": ""}})
    assert allergen_statement(shea) == ("The samples may hold shea butter (tree nut).", LAST)
