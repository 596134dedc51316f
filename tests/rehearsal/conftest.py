import pytest

import labkit


@pytest.fixture(scope="session")
def terracotta(demo):
    """The demo's definition without its rounds."""
    return labkit.Trial(definition=demo.definition)


@pytest.fixture(scope="session")
def round_(terracotta):
    return labkit.plan_round(terracotta, pours=4, melts=2, seed=1)
