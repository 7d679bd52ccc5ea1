"""How long mixed models take beside statsmodels, and what a million ratings need.

    python -m tests.benchmarks.bench_mixed          seconds of processor time, a minute in all
    python -m tests.benchmarks.bench_mixed --long   also 1,200 rows and a million ratings

Both sides start from a frame and end with variances, estimates and standard errors; ours adds the
test with its degrees of freedom. Where R with lme4 is on the path, its time is added.
"""

from __future__ import annotations

import ast
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
import warnings
from pathlib import Path

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(name, "1")  # before numpy: threads would count twice as processor time

import numpy as np  # noqa: E402
import pandas as pd  # noqa: E402

LEVELS = ["assessor", ("assessor", "dough"), "tasting"]
SIZES = {72: (6, 6, 2), 432: (12, 12, 3), 1200: (50, 12, 2)}
LARGE = {10_000: (417, 12, 2), 100_000: (4_167, 12, 2), 1_000_000: (41_667, 12, 2)}
R_FIT = """
d <- read.csv("{file}", colClasses=c(assessor="factor", dough="factor", tasting="factor"))
suppressMessages(library(lme4))
one <- function() lmer(score ~ dough + (1|assessor) + (1|assessor:dough) + (1|tasting), d)
invisible(one()); cat(min(replicate({times}, system.time(suppressWarnings(one()))[["user.self"]])))
"""


def panel(assessors: int, doughs: int, portions: int, seed: int = 1) -> pd.DataFrame:
    """Scores of every assessor for every dough, portion k tasted on day k."""
    draw = np.random.default_rng(seed)
    shape = (assessors, doughs, portions)
    a, d, k = (one.ravel() for one in np.indices(shape))
    score = 5 + draw.normal(0, 1, assessors)[a] + draw.normal(0, 0.5, shape[:2])[a, d]
    score += draw.normal(0, 0.4, portions)[k] + draw.normal(0, 0.9, a.size)
    names = {"assessor": a, "dough": d, "tasting": k}
    # From codes: a million texts would take more memory than the fit.
    frame = {
        name: pd.Categorical.from_codes(code, [str(one) for one in range(code.max() + 1)])
        for name, code in names.items()
    }
    return pd.DataFrame(frame).assign(score=score)


def ours(frame: pd.DataFrame):
    from doughkit.fitting import fit_mixed

    fit = fit_mixed(frame, "score", ["dough"], LEVELS)
    return fit.sources, fit.tests


def theirs(frame: pd.DataFrame):
    from statsmodels.regression.mixed_linear_model import MixedLM

    spread = {"a": "0+C(assessor)", "ad": "0+C(assessor):C(dough)", "t": "0+C(tasting)"}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        model = MixedLM.from_formula(
            "score ~ dough", frame, groups=np.ones(len(frame)), vc_formula=spread, re_formula="0"
        )
        fit = model.fit(reml=True)
        return fit.vcomp, fit.bse


def seconds(task, frame: pd.DataFrame, times: int) -> float:
    """Processor time of the fastest of some runs; before several, one to warm up."""
    if times > 1:
        task(frame)
    spent = []
    for _ in range(times):
        begun = time.process_time()
        task(frame)
        spent.append(time.process_time() - begun)
    return min(spent)


def in_r(frame: pd.DataFrame, times: int) -> float | None:
    """Seconds of lme4's fastest fit; None without R and lme4, or after two minutes."""
    if shutil.which("Rscript") is None:
        return None
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder, "panel.csv")
        frame.to_csv(file, index=False)
        program = R_FIT.format(file=file, times=times)
        try:
            done = subprocess.run(
                ["Rscript", "-e", program], capture_output=True, text=True, timeout=120
            )
        except subprocess.TimeoutExpired:
            return None
    return float(done.stdout) if done.returncode == 0 and done.stdout else None


def beside(rows: int) -> dict:
    """Our seconds, statsmodels' and (where there is R) lme4's for a crossed panel."""
    frame = panel(*SIZES[rows])
    own = seconds(ours, frame, 20)
    other = seconds(theirs, frame, 1 if rows > 500 else 5)
    return {"rows": rows, "ours_ms": 1e3 * own, "ratio": other / own, "r_s": in_r(frame, 5)}


def large(rows: int) -> dict:
    """Seconds and peak memory of one large panel; meant for a process of its own."""
    frame = panel(*LARGE[rows])
    begun = time.process_time()
    ours(frame)
    spent = time.process_time() - begun
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024**2
    return {"rows": len(frame), "seconds": spent, "gigabytes": peak}


def in_own_process(rows: int) -> dict:
    program = f"from tests.benchmarks import bench_mixed as b; print(b.large({rows}))"
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    )
    return dict(ast.literal_eval(done.stdout))


def main(*, long: bool) -> None:
    for rows in SIZES if long else (72, 432):
        found = beside(rows)
        r = f", lme4 in R {1e3 * found['r_s']:.0f} ms" if found["r_s"] is not None else ""
        print(
            f"{rows} rows, crossed: {found['ours_ms']:.1f} ms with the test, statsmodels "
            f"{found['ratio']:.0f} times as long without{r}",
            flush=True,
        )
    for rows in LARGE if long else ():
        found = in_own_process(rows)
        print(
            f"{found['rows']} ratings: {found['seconds']:.2f} s, {found['gigabytes']:.2f} GB "
            "of memory at most",
            flush=True,
        )


if __name__ == "__main__":
    main(long="--long" in sys.argv)
