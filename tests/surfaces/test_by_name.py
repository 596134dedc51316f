"""Surfaces are asked for by attribute; a name that has none, as in a notebook written for another trial, is told."""
import pytest

import labkit
from labkit.errors import SurfaceError


def test_a_name_without_a_surface(demo):
    surfaces = labkit.fit_surfaces(demo)
    with pytest.raises(SurfaceError) as caught:
        surfaces["glide"]
    assert str(caught.value) == ("there is no surface of 'glide', but of what was scored or read in this trial. Choose 'payoff', "
                                 "'hardness', 'sheerness' or 'shade'.")
    assert "glide" not in surfaces and surfaces.get("glide") is None and list(surfaces) == list(demo.attributes)
