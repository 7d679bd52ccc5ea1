"""Write tests/results/mixed.txt: how mixed models agree with R, and what they cost.

python -m tests.benchmarks.mixed_results
"""

from __future__ import annotations

import pandas as pd

from tests import results
from tests.benchmarks import bench_mixed
from tests.outside.checks_mixed import gaps, in_r
from tests.test_fitting_mixed import missed

HEAD = "Mixed models beside R and statsmodels: python -m tests.benchmarks.mixed_results"


def agreement() -> list[str]:
    table = pd.DataFrame([{"fit": ", ".join(key), **gaps(*key)} for key in in_r()])
    lines = table.to_string(index=False, float_format="{:.1e}".format).splitlines()
    return ["Largest distance from lme4 with its search driven to the end, per fit", *lines, ""]


def starts() -> list[str]:
    worse, tried = missed(720, 6)
    return [f"{tried} random panels, {len(worse)} beaten by one of 6 random starts", ""]


def speed() -> list[str]:
    lines = ["Processor time; ours with the test, the others without"]
    for rows in bench_mixed.SIZES:
        one = bench_mixed.beside(rows)
        in_r = f", lme4 {1e3 * one['r_s']:.0f} ms" if one["r_s"] is not None else ""
        lines.append(
            f"{rows} rows, crossed: {one['ours_ms']:.1f} ms, statsmodels {one['ratio']:.0f} times "
            f"as long{in_r}"
        )
    for rows in bench_mixed.LARGE:
        one = bench_mixed.in_own_process(rows)
        lines.append(f"{one['rows']} ratings: {one['seconds']:.2f} s, {one['gigabytes']:.2f} GB")
    return lines


if __name__ == "__main__":
    results.write("mixed", HEAD, [*agreement(), *starts(), *speed()])
