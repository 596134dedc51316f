import pytest
from definitions import HAZEL, TERRACOTTA
from wishes import trial_of

import labkit


@pytest.fixture(scope="session")
def terracotta():
    return trial_of(TERRACOTTA)


@pytest.fixture(scope="session")
def hazel():
    return trial_of(HAZEL)


@pytest.fixture(scope="session")
def twelve(terracotta):
    """Three rounds of 4 pours in 2 melts, poured as planned; nothing scored."""
    trial = terracotta
    for seed in range(3):
        round_ = labkit.plan_round(trial, pours=4, melts=2, seed=seed)
        trial = trial.with_round(round_).with_pours(round_.as_poured())
    return trial
