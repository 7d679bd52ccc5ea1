"""Write tests/results/mixed.txt: how mixed models agree with R, and what they cost.

python -m tests.benchmarks.mixed_results

Two minutes of processor time. The file is written only when all parts are done; each part is told
on the screen as it ends.
"""

from __future__ import annotations

import time

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
        lme4 = "no R with lme4 here, or it took over two minutes"
        if one["r_s"] is not None:
            lme4 = f"lme4 {1e3 * one['r_s']:.0f} ms"
        lines.append(
            f"{rows} rows, crossed: {one['ours_ms']:.1f} ms, statsmodels {one['ratio']:.0f} times "
            f"as long; {lme4}"
        )
    for rows in bench_mixed.LARGE:
        one = bench_mixed.in_own_process(rows)
        lines.append(f"{one['rows']} ratings: {one['seconds']:.2f} s, {one['gigabytes']:.2f} GB")
    return lines


def main() -> None:
    lines = []
    for part in (agreement, starts, speed):
        begun = time.monotonic()
        lines += part()
        print(f"{part.__name__}: {time.monotonic() - begun:.0f} s", flush=True)
    results.write("mixed", HEAD, lines)


if __name__ == "__main__":
    main()
