"""What is known of desirability: the same on whichever scale, and in half widths of it."""
import types

import numpy as np
import pandas as pd
import pytest

from labkit.attributes import Attribute, Wanted
from labkit.tweaks.outlook import Outlook, desirability_of


def attributes(low, width):
    """Four wants on a scale from low to low + width, one of them of more importance; and one without a want."""
    wants = {"up": ("rising", (0.3, 0.8)), "down": ("falling", (0.0, 1.0)), "top": ("peak", (0.2, 0.5, 1.0)),
             "wall": ("peak", (0.1, 0.4, 0.9))}
    found = {name: Attribute(name=name, low=low, high=low + width, importance=1.0 + (name == "top"),
                             wanted=Wanted(kind=kind, points=tuple(low + width * p for p in points)))
             for name, (kind, points) in wants.items()}
    return found | {"more": Attribute(name="more", low=low, high=low + width)}


@pytest.mark.parametrize("low, width", [(0.0, 10.0), (-5.0, 10.0), (0.0, 0.01), (0.1, 0.2), (1e6, 10.0)])
@pytest.mark.parametrize("failing", [None, "learned"])
def test_half_widths_are_worth_as_much(low, width, failing):
    """In single precision a score of 1,000,000.3 would be one of 1,000,000.3125."""
    outlook = Outlook(attributes=attributes(low, width), surfaces=dict.fromkeys(attributes(low, width)), failing=failing)
    known = list(low + width * np.random.default_rng(2).uniform(size=(5, 50, 8)))
    known += [np.random.default_rng(3).uniform(size=(50, 8))] if failing else []
    moved, worth = outlook.in_half_widths(known)
    assert len(moved) == len(known) and all(np.abs(part).max() <= 1 + 1e-9 for part in moved)
    np.testing.assert_allclose(worth(moved), outlook.worth(known), atol=1e-9)
    single = worth([part.astype(np.float32) for part in moved])
    assert single.dtype == np.float32
    np.testing.assert_allclose(single**6, outlook.worth(known) ** 6, atol=2e-6)       # before the root, which is steep at 0
    held = known[-1] if failing else 1.0
    np.testing.assert_array_equal(outlook.worth(known), desirability_of(outlook.attributes, dict(zip(
        outlook.surfaces, known))) * held)


def test_what_is_open_of_one_attribute_says_nothing_of_another():
    """Nor of failing: E D of independent parts is the product of theirs, here of roots of uniform numbers, (2 / 3)^2 / 2."""
    class Open:
        ground = types.SimpleNamespace(columns=lambda points: points)

        def draws_at(self, columns, n, seed):
            return 10 * np.random.default_rng(seed).uniform(size=(n, 1))

        def draws(self, points, n, seed):
            return np.random.default_rng(seed).uniform(size=(n, 1))

    wanted = Wanted(kind="rising", points=(0.0, 10.0))
    both = {name: Attribute(name=name, low=0, high=10, wanted=wanted) for name in ("payoff", "hardness")}
    outlook = Outlook(attributes=both, surfaces={name: Open() for name in both}, seed=3, n=20_000, failing=Open())
    known, at = outlook.known(pd.DataFrame({"at": [0]})), pd.DataFrame({"at": [0]})
    np.testing.assert_allclose(np.corrcoef(np.hstack(known).T), np.eye(3), atol=0.03)
    assert outlook.mean(at)[0] == pytest.approx(2 / 9, abs=0.005)
