"""Survival statistics from outside: Kaplan-Meier, log-rank, binomial intervals.

Writes data/survival_sets.csv (set, group, time, event), the sets being
  freireich: remission in weeks, 6-MP and placebo (Freireich et al. 1963,
             Blood 21:699), as carried by lifelines (load_leukemia);
  random-1 to random-3: drawn here, exponential and Weibull times with random
             censoring, ties, two to four groups;
data/survival_curves.csv: lifelines.KaplanMeierFitter by set and group ("all":
  together): S(t) with its log-log interval (95 %) at each time of an event;
data/survival_tests.csv: lifelines.statistics.multivariate_logrank_test;
data/survival_medians.csv: median survival and its interval, from the same fits;
data/proportions.csv: Wilson and Clopper-Pearson intervals (95 %) by
  statsmodels.stats.proportion.proportion_confint, among them the worked
  examples of Newcombe 1998, Statistics in Medicine 17:857.

Run: python survival.py
"""

import math

import numpy as np
from lifelines import KaplanMeierFitter
from lifelines.datasets import load_leukemia
from lifelines.statistics import multivariate_logrank_test
from lifelines.utils import median_survival_times
from statsmodels.stats.proportion import proportion_confint

from common import made_by, write_csv, write_json


def sets():
    data = load_leukemia()
    yield "freireich", [("placebo" if r else "6-MP", float(t), int(e)) for r, t, e in zip(data.Rx, data.t, data.status)]
    for n, (size, groups, shape, digits) in enumerate([(60, 2, 1.0, 1), (200, 3, 1.7, 0), (37, 4, 0.7, 3)], 1):
        rng = np.random.default_rng(4100 + n)
        rows = []
        for i in range(size):
            group = i % groups
            time = 30 * (1 + 0.4 * group) * rng.weibull(shape)
            censored = rng.exponential(50)
            event = int(time <= censored)
            rows.append((f"g{group}", round(max(min(time, censored), 0.001), digits) or 1.0, event))
        yield f"random-{n}", rows


def main():
    table, curves, tests, medians = [], [], [], []
    for name, rows in sets():
        table += [(name, *row) for row in rows]
        groups = sorted({g for g, _, _ in rows})
        for group in ["all", *groups]:
            chosen = [(t, e) for g, t, e in rows if group in ("all", g)]
            fit = KaplanMeierFitter().fit([t for t, _ in chosen], [e for _, e in chosen])
            s, ci = fit.survival_function_, fit.confidence_interval_survival_function_
            events = {t for t, e in chosen if e}
            for t in s.index:
                if t in events:
                    low, high = ci.loc[t]
                    curves.append((name, group, t, *(repr(float(v)) for v in (s.loc[t].iloc[0], low, high))))
            low, high = median_survival_times(ci).iloc[0]
            medians.append((name, group, fit.median_survival_time_, low, high))
        test = multivariate_logrank_test([t for _, t, _ in rows], [g for g, _, _ in rows], [e for _, _, e in rows])
        tests.append((name, test.degrees_of_freedom, repr(float(test.test_statistic)), repr(float(test.p_value))))
    write_csv("survival_sets.csv", ["set", "group", "time", "event"], table)
    write_csv("survival_curves.csv", ["set", "group", "time", "survival", "low", "high"], curves)
    write_csv("survival_medians.csv", ["set", "group", "median", "low", "high"], medians)
    write_csv("survival_tests.csv", ["set", "df", "statistic", "p"], tests)

    rows = []
    for x, n in [(81, 263), (15, 148), (0, 20), (1, 29), (29, 29), (28, 29), (5, 9), (1, 2), (0, 1), (500, 1000)]:
        w, c = proportion_confint(x, n, method="wilson"), proportion_confint(x, n, method="beta")
        rows.append((x, n, *(repr(0.0 if math.isnan(v) else float(v)) for v in (*w, *c))))
    write_csv("proportions.csv", ["x", "n", "wilson_low", "wilson_high", "exact_low", "exact_high"], rows)
    write_json("survival.json", {"made_by": made_by("numpy", "lifelines", "statsmodels")})


if __name__ == "__main__":
    main()
