import pytest
from definitions import TERRACOTTA
from recorded import MELTS, POURS
from test_rounds import two_melts

from labkit import Trial


@pytest.fixture
def planned():
    trial = Trial.from_toml(TERRACOTTA)
    return trial.with_round(two_melts(trial))


@pytest.fixture
def poured(planned):
    return planned.with_tables({"melts": MELTS, "pours": POURS}, files=True)
