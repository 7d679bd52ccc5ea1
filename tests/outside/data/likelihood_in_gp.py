"""Two log marginal likelihoods by a general Gaussian-process library; run with scikit-learn.

Assumed effects and spreads are known, so the model is a Gaussian process whose covariance is the
dot product of all columns, each stretched by its standard deviation. Not part of the tests: it
printed the values that `checks_fitting_shrinkage.py` holds the fit to.
"""

from pathlib import Path

import numpy as np
import pandas as pd

DATA = Path(__file__).parent
DAY, DOUGH, PIECE = 38.115123**0.5, 3.682494**0.5, 20.707418**0.5


def log_likelihood(columns: np.ndarray, value: np.ndarray, piece: float) -> float:
    from sklearn.gaussian_process import GaussianProcessRegressor
    from sklearn.gaussian_process.kernels import DotProduct

    process = GaussianProcessRegressor(DotProduct(sigma_0=1e-12), alpha=piece**2, optimizer=None)
    return process.fit(columns, value).log_marginal_likelihood_value_


def cakes() -> float:
    """Breaking angle on a scale of 0 to 100; constant 50, each effect 10."""
    frame = pd.read_csv(DATA / "chocolate_cakes.csv", dtype={"replicate": str})
    effects = np.column_stack(
        [
            50 * np.ones(len(frame)),
            10 * frame["recipe"].eq("B"),
            10 * frame["recipe"].eq("C"),
            10 * (frame["temp"] - 200) / 25,
        ]
    )
    day = DAY * pd.get_dummies(frame["replicate"]).to_numpy(float)
    dough = DOUGH * pd.get_dummies(frame["recipe"] + frame["replicate"]).to_numpy(float)
    columns = np.hstack([effects, day, dough])
    return log_likelihood(columns, frame["angle"].to_numpy(float) - 50, PIECE)


def yields() -> float:
    """Process yield on a scale of 70 to 90: shares of it as the starting assumptions have them."""
    frame = pd.read_csv(DATA / "chemical_yield.csv")
    x = frame[["x1", "x2"]].replace({1.414: 2**0.5, -1.414: -(2**0.5)}).to_numpy()
    linear = 0.12 * 20
    columns = np.column_stack(
        [
            0.1875 * 20 * np.ones(len(x)),
            linear * x,
            0.3 * linear * x**2,
            0.55 * linear * x[:, 0] * x[:, 1],
        ]
    )
    return log_likelihood(columns, frame["y1"].to_numpy(float) - 80, 0.03125 * 20)


if __name__ == "__main__":
    import sklearn

    print("scikit-learn", sklearn.__version__)
    print(f"cakes  {cakes():.14g}")
    print(f"yields {yields():.14g}")
