import matplotlib as mpl
import pytest
from hypothesis import settings

mpl.use("Agg")

# A busy machine is no fault of the software: laws are held to their truth, not to the clock.
settings.register_profile("house", deadline=None)
settings.load_profile("house")


@pytest.fixture(autouse=True)
def _close_figures():
    yield
    import matplotlib.pyplot as plt

    plt.close("all")
