import pytest

from labkit.errors import FormulaError
from labkit.ingredients import Spoonful, spoon_shares

EQUAL_SPOONS = (
    Spoonful(ingredient="candelilla wax", count=1, spoon="tbsp", packing="grated"),
    Spoonful(ingredient="shea butter", count=1, spoon="tbsp", packing="solid"),
    Spoonful(ingredient="coconut oil", count=1, spoon="tbsp", packing="solid"),
    Spoonful(ingredient="red iron oxide", count=1 / 8, spoon="tsp", packing="powder"),
)


def test_equal_tablespoons_are_thirds_and_an_eighth_teaspoon_is_one_in_72_by_volume():
    """Common practice (no source): three level tablespoons, 1/8 teaspoon of colorant in all."""
    volume = spoon_shares(EQUAL_SPOONS)["volume"]
    base = volume.iloc[:3]
    assert (base / base.sum()).tolist() == pytest.approx([1 / 3] * 3, rel=1e-12)
    assert base.sum() / volume["red iron oxide"] == pytest.approx(72, rel=1e-12)


def test_by_mass_the_grated_wax_is_less_than_a_third_and_uncertain():
    """Common practice: grated wax holds air, so its third of the volume is a smaller and vaguer share of the mass."""
    table = spoon_shares(EQUAL_SPOONS)
    wax = table.loc["candelilla wax"]
    assert wax["share_low"] < wax["share_high"] < 1 / 3
    volume = 14.78676478125  # NIST Handbook 44, Appendix C
    assert wax["mass_low"] == pytest.approx(volume * 0.98 * 0.35)
    assert wax["mass_high"] == pytest.approx(volume * 0.99 * 0.60)
    others_low, others_high = (
        table["mass_low"].drop("candelilla wax").sum(),
        table["mass_high"].drop("candelilla wax").sum(),
    )
    assert wax["share_low"] == pytest.approx(wax["mass_low"] / (wax["mass_low"] + others_high))
    assert wax["share_high"] == pytest.approx(wax["mass_high"] / (wax["mass_high"] + others_low))


@pytest.mark.parametrize(
    "spoonful, message",
    [
        (
            Spoonful(ingredient="beeswax", count=1, spoon="ladle", packing="grated"),
            "beeswax: the spoon is 'ladle'. Choose tsp or tbsp.",
        ),
        (
            Spoonful(ingredient="beeswax", count=1, spoon="tsp", packing="fluffy"),
            "beeswax: the packing is 'fluffy'. Choose grated, powder, solid or liquid.",
        ),
        (
            Spoonful(ingredient="moon dust", count=1, spoon="tsp", packing="powder"),
            "moon dust: its density is not known here. Give density=(low, high) in g/mL.",
        ),
    ],
)
def test_a_spoon_that_cannot_be_read(spoonful, message):
    with pytest.raises(FormulaError) as problem:
        spoon_shares([spoonful])
    assert str(problem.value) == message
