"""Offline fit of the logistic recovery form: the yardstick for the tag's own estimate.

Draws tables of what an animal does every ten minutes over 48 h (beat frequency,
sway amplitude), with a logistic return to its own level after release, a day and
night swing of 10 to 20 % and the animal's own unrest, and fits
  log y = a + d S(t) + c cos(2 pi t / 24 h) + s sin(2 pi t / 24 h),
  S(t) = 1 / (1 + exp((t - t50) / tau))
to both columns at once with scipy.optimize.curve_fit, with the whole table in
hand. Recovery is where 80 % of the way from the first to the settled level is
done. The form and the range of 5.1 to 19.5 h: Whitney et al. 2016, Fisheries
Research 183:210.

Writes data/recovery_table.csv (animal, ten minutes, beat_hz, sway_g) and
data/recovery_fit.csv (animal, true and fitted recovery time, standard error, h).

Run: python recovery_fit.py
"""

import numpy as np
from scipy import optimize

from common import made_by, write_csv, write_json

STEP_H = 1 / 6
HOURS = 48
TRUE_H = [round(5.1 + 0.96 * i, 2) for i in range(16)]  # 5.1 to 19.5 h


def shape(t, t50, tau):
    return 1 / (1 + np.exp((t - t50) / tau))


def reached_h(t50, tau, part=0.8):
    """Time at which `part` of the way from S(0) to 0 is done."""
    left = (1 - part) * shape(0.0, t50, tau)
    return t50 + tau * np.log(1 / left - 1)


def draw(rng, t80):
    t = (np.arange(int(HOURS / STEP_H)) + 0.5) * STEP_H
    steep = rng.uniform(0.15, 0.5)  # tau / t50
    t50 = t80 / reached_h(1.0, steep)
    part = shape(t, t50, steep * t50) / shape(0.0, t50, steep * t50)
    swing = rng.uniform(0.10, 0.20)
    at = rng.uniform(0, 2 * np.pi)
    columns = []
    for level, low, high in ((0.6, 0.25, 0.5), (0.12, 0.3, 0.7)):
        change = rng.choice([-1, 1]) * rng.uniform(low, high)
        mood = np.zeros(t.size)
        for i in range(1, t.size):
            # A memory of 40 minutes, standard deviation 6 %.
            a = np.exp(-STEP_H / (40 / 60))
            mood[i] = a * mood[i - 1] + 0.06 * np.sqrt(1 - a * a) * rng.normal()
        columns.append(level * np.exp(change * part + mood) * (1 + swing * np.cos(2 * np.pi * t / 24 + at)))
    return t, np.array(columns)


def fit(t, columns):
    """Recovery time and its standard error, h."""
    day = 2 * np.pi * t / 24

    def model(_, t50, tau, *p):
        out = []
        for a, d, c, s in (p[:4], p[4:]):
            out.append(a + d * shape(t, t50, tau) + c * np.cos(day) + s * np.sin(day))
        return np.concatenate(out)

    y = np.log(columns).ravel()
    best = None
    for t50 in (3.0, 6.0, 10.0, 15.0):
        start = [t50, 0.3 * t50]
        for c in np.log(columns):
            start += [c[-72:].mean(), c[:6].mean() - c[-72:].mean(), 0, 0]
        low = [0.2, 0.1] + [-np.inf] * 8
        high = [40, 15] + [np.inf] * 8
        try:
            p, cov = optimize.curve_fit(model, t, y, start, bounds=(low, high), max_nfev=4000)
        except RuntimeError:
            continue
        rss = ((model(t, *p) - y) ** 2).sum()
        if best is None or rss < best[0]:
            best = (rss, p, cov)
    _, p, cov = best
    time = reached_h(p[0], p[1])
    slope = np.array([(reached_h(p[0] + 1e-4, p[1]) - time) / 1e-4, (reached_h(p[0], p[1] + 1e-4) - time) / 1e-4])
    # Neighbouring rows share the animal's mood (memory 40 min, rows of 10 min), so
    # curve_fit's covariance is widened by the variance inflation of that memory.
    a = np.exp(-STEP_H / (40 / 60))
    se = np.sqrt(slope @ cov[:2, :2] @ slope * (1 + a) / (1 - a))
    return time, se


def main():
    rows, fits = [], []
    for animal, t80 in enumerate(TRUE_H):
        rng = np.random.default_rng(700 + animal)
        t, columns = draw(rng, t80)
        rows += [(animal, i, f"{f:.4f}", f"{g:.4f}") for i, (f, g) in enumerate(columns.T)]
        time, se = fit(t, columns)
        fits.append((animal, t80, f"{time:.3f}", f"{se:.3f}"))
        print(animal, t80, time, se)
    write_csv("recovery_table.csv", ["animal", "ten_minutes", "beat_hz", "sway_g"], rows)
    write_csv("recovery_fit.csv", ["animal", "true_h", "fit_h", "fit_se_h"], fits)
    write_json("recovery_fit.json", {"made_by": made_by("numpy", "scipy"), "hours": HOURS, "step_h": STEP_H})


if __name__ == "__main__":
    main()
