import pytest
from definitions import TERRACOTTA
from invented import poured, scored, terracotta_truth

import labkit


@pytest.fixture(scope="session")
def trial():
    return scored(poured(TERRACOTTA, rounds=4), terracotta_truth)


@pytest.fixture(scope="session")
def surfaces(trial):
    return labkit.fit_surfaces(trial)


@pytest.fixture(scope="session")
def payoff(surfaces):
    return surfaces["payoff"]
