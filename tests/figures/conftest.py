"""Surfaces of the demo trial and of an invented blend, fitted once; figures are closed after each test."""
import matplotlib.pyplot as plt
import pytest
from played import hazel_rounds

from labkit.panel import appraise_panel
from labkit.surfaces import fit_surfaces


@pytest.fixture(autouse=True)
def closed():
    yield
    plt.close("all")


@pytest.fixture(scope="package")
def panel(demo):
    return appraise_panel(demo)


@pytest.fixture(scope="package")
def surfaces(demo, panel):
    return fit_surfaces(demo, panel)


@pytest.fixture(scope="package")
def hazel():
    """Two rounds of an invented blend; one pour failed."""
    return hazel_rounds(2, failed=("P02",))[-1]


@pytest.fixture(scope="package")
def hazel_surfaces(hazel):
    return fit_surfaces(hazel)
