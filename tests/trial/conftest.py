import pytest
from recorded import MELTS, POURS, planned_trial


@pytest.fixture
def planned():
    return planned_trial()


@pytest.fixture
def poured(planned):
    return planned.with_tables({"melts": MELTS, "pours": POURS}, files=True)
