"""What is not known about allergies is said on the ballot, whatever else [pantry] holds about an ingredient."""
import pytest
from definitions import HAZEL

import labkit
from labkit.sheets.ballot import allergen_statement

PAGE = "Nothing is known here about allergies to plum butter."
PLUM = HAZEL.replace("cocoa butter", "plum butter")
FIRST = "No ingredient is flagged here for an allergy that is common."
LAST = "Whoever is allergic to anything sees the whole list of ingredients first: ask for it."


def told(text):
    """The statement on a trial whose pantry was read without a word against it, whatever the definition refuses."""
    trial = labkit.Trial.from_toml(PLUM)
    object.__setattr__(trial.definition, "pantry", text)
    return allergen_statement(trial)


@pytest.mark.parametrize("own", [{}, {"density": [0.9, 0.92]}, {"flags": "tree nut"}, {"flag": ""}, {"flag": "  "},
                                 {"flag": ["tree nut"]}, {"flag": "needs heat"}, "", 5])
def test_what_says_nothing_of_an_allergy_leaves_it_unknown(own):
    assert told({"plum butter": own}) == (FIRST, PAGE, LAST)


def test_a_text_that_was_read_is_told():
    for own in ({"flag": "tree nut"}, {"flag": "tree nut; blooms"}, "tree nut"):
        assert told({"plum butter": own}) == ("The samples may hold plum butter (tree nut).", LAST)


def test_a_blank_text_does_not_hide_what_is_known():
    shea = labkit.Trial.from_toml(HAZEL.replace("cocoa butter", "shea butter"))
    object.__setattr__(shea.definition, "pantry", {"shea butter": {"flag": ""}})
    assert allergen_statement(shea) == ("The samples may hold shea butter (tree nut).", LAST)


@pytest.mark.parametrize(("name", "told_of_it"), [
    ("Beeswax", "bee products; not vegan"), ("bees wax pellets", "bee products"), ("white beeswax", "bee products"),
    ("organic Shea butter", "tree nut"), ("sweet almond oil", "tree nut"), ("hazelnut_oil", "tree nut"),
    ("peanut oil", "peanut"), ("soy wax", "soya"), ("Carmine powder", "carmine; insect"),
    ("almond and sesame oil", "tree nut; sesame"), ("vanilla flavour", "fragrance")])
def test_a_name_in_other_letters_or_with_more_words_still_tells_its_allergen(name, told_of_it):
    trial = labkit.Trial.from_toml(HAZEL.replace("cocoa butter", name))
    assert allergen_statement(trial) == (f"The samples may hold {name} ({told_of_it}).", LAST)


@pytest.mark.parametrize("name", ["nutmeg butter", "honeysuckle wax", "milkweed wax"])
def test_a_word_within_a_word_tells_nothing(name):
    trial = labkit.Trial.from_toml(HAZEL.replace("cocoa butter", name))
    assert allergen_statement(trial) == (FIRST, f"Nothing is known here about allergies to {name}.", LAST)
