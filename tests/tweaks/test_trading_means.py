"""One formula has one prediction, whichever part of the kit tells it."""
import numpy as np
import pytest

import labkit


@pytest.fixture(scope="module")
def tweak(demo):
    return labkit.suggest_next(demo, seed=2)


def test_the_settled_formula_has_the_means_that_the_tweak_shows(demo, tweak):
    found = labkit.tell_tradeoffs(demo, at=tweak.best)
    shown = tweak.predictions.set_index("attribute")["mean"]
    np.testing.assert_allclose(found.scores, shown[list(found.scores.index)], atol=1e-9)


def test_formulas_along_a_trade_have_the_means_of_the_surfaces(demo, tweak):
    surfaces = labkit.fit_surfaces(demo)
    found = labkit.tell_tradeoffs(demo, surfaces, at=tweak.best)
    assert found.paths                                              # else this test shows nothing
    rows = found.table.set_index(["attribute", "other"])
    for pair, path in found.paths.items():
        for name, surface in surfaces.items():
            told = surface.predict(path[list(demo.recipe.coordinates)])["mean"]
            np.testing.assert_allclose(path[name], told, atol=1e-9)
        assert rows.loc[pair, ["from", "to"]].tolist() == path[pair[0]].iloc[[0, -1]].tolist()
