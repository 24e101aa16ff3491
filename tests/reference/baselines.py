"""Three honest baselines and Swaymark on the same made traces, in one run.

    cargo build --release
    env/bin/python tests/reference/baselines.py

makes traces with `swaymark synth`, runs `swaymark replay` and the baselines on each,
scores all by the same rule, and writes the tables into docs/baselines.md. The free
numbers of each baseline are chosen on the tuning seeds, from the grids below, as the
best for that baseline; the tables are of the judged seeds.

A  fixed activity threshold with a timer: minute mean of ODBA below a threshold for so
   long is death. The rule of motion-sensing mortality transmitters (common practice,
   no source); ODBA after Wilson et al. 2006, J. Animal Ecology 75:1081, static
   acceleration after Shepard et al. 2008, Aquatic Biology 4:235.
B  band-pass and peak picking: first principal axis of the band-passed acceleration,
   zero-phase Butterworth, peaks of a fixed prominence (after Tanaka et al. 2001, J.
   Exp. Biology 204:3895, memory; scipy.signal.find_peaks). No beat for so long is death.
C  spectral peak a minute: highest peak of the power spectral density of the same axis
   (after Sato et al. 2007, Proc. R. Soc. B 274:471; scipy.signal.welch); a minute
   swims if the peak stands out. No such minute for so long is death.

None of the three knows detachment; whatever it calls death counts as death. B and C have
the whole file in hand; A could run on a tag.
"""

import argparse
import json
import os
import subprocess
import tempfile
from concurrent.futures import ProcessPoolExecutor
from itertools import product
from pathlib import Path

import numpy as np
import pandas
from scipy import signal

from common import made_by

ROOT = Path(__file__).resolve().parents[2]
FAMILIES = (
    "ram-survivor yoyo-survivor roll-survivor lively-survivor buccal-survivor tidal-rester "
    "loose-mount fouled clock-and-cold sensor-fault ram-death buccal-death stray-death "
    "predation float-off bottom-off dangling hard"
).split()

# What is tried for each baseline on the tuning seeds.
ODBA_G = (0.01, 0.015, 0.02, 0.03, 0.05, 0.08)
PROMINENCE_G = (0.015, 0.03, 0.06)
STANDS_OUT = (4.0, 8.0, 16.0, 32.0)
TIMER_H = {
    "ram": (0.25, 0.5, 1.0, 2.0, 4.0, 8.0),
    "buccal": (4.0, 6.0, 7.0, 8.0, 10.0, 14.0),
}


def events(path):
    """Truth: times of beats, of death and of detachment, s."""
    table = pandas.read_csv(path)
    beats = table.t_s[table.event == "beat"].to_numpy()
    first = lambda what: next(iter(table.t_s[table.event == what]), None)
    return np.sort(beats), first("death"), first("detached")


def samples(path, hz):
    """Acceleration on an even grid; what is missing is drawn straight over."""
    table = pandas.read_csv(path, usecols=["t_s", "ax_g", "ay_g", "az_g"])
    t = table.t_s.to_numpy()
    keep = np.concatenate([[True], t[1:] > np.maximum.accumulate(t)[:-1]])
    t = t[keep]
    grid = np.arange(t[0], t[-1], 1 / hz)
    out = np.empty((len(grid), 3))
    for i, axis in enumerate(("ax_g", "ay_g", "az_g")):
        a = table[axis].to_numpy()[keep]
        sound = np.isfinite(a)
        out[:, i] = np.interp(grid, t[sound], a[sound])
    return grid, out


def in_minutes(x, hz):
    n = int(60 * hz)
    return x[: len(x) // n * n].reshape(-1, n)


def running_mean(x, n):
    sums = np.cumsum(np.concatenate([np.zeros(1), np.pad(x, (n // 2, n - n // 2 - 1), "edge")]))
    return (sums[n:] - sums[:-n]) / n


def still_since(active, minutes):
    """Minute in which it has been inactive for `minutes`; None where never."""
    run = 0
    for i, yes in enumerate(active):
        run = 0 if yes else run + 1
        if run >= minutes:
            return i + 1
    return None


def mutual(truth, found, periods, offset):
    """Pairs that are each other's nearest, within a quarter of the period."""
    at = truth + offset * periods
    order = np.clip(np.searchsorted(found, at), 1, max(len(found) - 1, 1))
    nearest = np.where(
        np.abs(found[np.minimum(order, len(found) - 1)] - at) < np.abs(at - found[order - 1]),
        np.minimum(order, len(found) - 1),
        order - 1,
    )
    gap = np.abs(found[nearest] - at)
    # The closest of those that share one.
    best = np.full(len(found), np.inf)
    np.minimum.at(best, nearest, gap)
    return int(np.sum((gap <= 0.25 * periods) & (gap <= best[nearest])))


def beat_counts(truth, found):
    """Matched, true and found beats, after one constant phase offset."""
    if len(truth) < 3 or len(found) < 2:
        return 0, len(truth), len(found)
    gaps = np.diff(truth)
    periods = np.minimum(np.append(gaps, gaps[-1]), np.insert(gaps, 0, gaps[0]))
    some = slice(0, min(len(truth), 6000))
    offsets = np.arange(-0.5, 0.5, 0.05)
    offset = max(offsets, key=lambda o: mutual(truth[some], found, periods[some], o))
    return mutual(truth, found, periods, offset), len(truth), len(found)


def rate_errors(truth, rates, until_s):
    """Errors of the rate, as parts, in minutes that swim throughout."""
    errors = []
    for minute, rate in enumerate(rates):
        inside = truth[np.searchsorted(truth, 60 * minute) : np.searchsorted(truth, 60 * minute + 60)]
        if len(inside) < 6 or 60 * minute + 60 > until_s:
            continue
        gaps = np.diff(inside)
        if gaps.max() > 1.8 * np.median(gaps) or inside[-1] - inside[0] < 60 - 3 * np.median(gaps):
            continue
        true = 60 / gaps.mean()
        if rate is None or not np.isfinite(rate):
            errors.append(1.0)
        else:
            errors.append(abs(rate / true - 1))
    return errors


def rates_of(found, minutes):
    """Rate in each minute from the first to the last beat in it, beats a minute."""
    rates = np.full(minutes, np.nan)
    for k in range(minutes):
        inside = found[np.searchsorted(found, 60 * k) : np.searchsorted(found, 60 * k + 60)]
        if len(inside) > 2:
            rates[k] = 60 * (len(inside) - 1) / (inside[-1] - inside[0])
    return rates


def with_scipy(trace, hz):
    """Raw material of A, B and C for every number in their grids."""
    grid, accel = samples(trace, hz)
    n = max(3, int(2.5 * hz) | 1)
    dynamic = np.stack([accel[:, i] - running_mean(accel[:, i], n) for i in range(3)], 1)
    odba = in_minutes(np.abs(dynamic).sum(1), hz).mean(1)
    top = min(4.0, 0.45 * hz)
    sos = signal.butter(3, [0.15, top], "bandpass", fs=hz, output="sos")
    band = signal.sosfiltfilt(sos, accel, axis=0)
    # Blows would turn the axis: they are cut off first.
    values, vectors = np.linalg.eigh(np.cov(np.clip(band, -0.6, 0.6).T))
    sway = band @ vectors[:, -1]
    peaks = {}
    for prominence in PROMINENCE_G:
        found, _ = signal.find_peaks(sway, prominence=prominence, distance=max(1, int(0.2 * hz)))
        peaks[prominence] = grid[found]
    rows = in_minutes(sway, hz)
    f, power = signal.welch(rows, fs=hz, nperseg=int(min(rows.shape[1], 30 * hz)), axis=1)
    inside = (f >= 0.15) & (f <= top)
    f, power = f[inside], power[:, inside]
    peak = np.clip(power.argmax(1), 1, len(f) - 2)
    row = np.arange(len(peak))
    a, b, c = (np.log(power[row, peak + k] + 1e-12) for k in (-1, 0, 1))
    shift = np.clip(0.5 * (a - c) / np.where(a - 2 * b + c == 0, -1, a - 2 * b + c), -0.5, 0.5)
    rate = 60 * (f[peak] + shift * (f[1] - f[0]))
    stands = power.max(1) / np.median(power, axis=1)
    # A peak of less than the noise's own is no rhythm.
    strong = np.sqrt(2 * power.max(1) * (f[1] - f[0])) > 0.004
    return odba, peaks, rate, np.where(strong, stands, 0.0)


def one(job):
    """Makes one trace, runs everything on it, and throws it away."""
    program, family, seed = job
    with tempfile.TemporaryDirectory(dir="/dev/shm" if os.path.isdir("/dev/shm") else None) as folder:
        subprocess.run(
            [program, "synth", family, "--seed", str(seed), "--out", folder, "--quiet"],
            check=True,
            stdout=subprocess.DEVNULL,
        )
        trace = Path(folder) / f"{family}-{seed:04}.csv"
        replay = [program, "replay", "--format", "json", "--beats", "--minutes", "--quiet", trace]
        said = subprocess.run(replay, check=True, capture_output=True).stdout
        said = json.loads(said)
        said = said[0] if isinstance(said, list) else said
        facts = trace.with_suffix(".toml").read_text()
        hz = float(facts.split("sample_hz = ")[1].split()[0])
        truth, death, detached = events(trace.with_suffix("").with_suffix(".truth.csv"))
        odba, peaks, rate, stands = with_scipy(trace, hz)
    breathing = "buccal" if 'breathing = "buccal"' in facts else "ram"
    end_s = 60.0 * len(odba)
    swims_until = min(x for x in (death, detached, end_s) if x is not None)
    truth = truth[truth <= swims_until]
    cut = lambda found: found[found <= swims_until]
    result = {
        "family": family,
        "seed": seed,
        "breathing": breathing,
        "death": death,
        "detached": detached,
        "beats": {},
        "rates": {},
        "calls": {},
        "after": {},
    }
    ended_s = None if family == "predation" or swims_until == end_s else swims_until

    def after(key, found):
        """Beats found once there were none, and the hours of that."""
        if ended_s is not None:
            result["after"][key] = (int(np.sum(found > ended_s + 60)), (end_s - ended_s) / 3600)

    # Swaymark: what stands in the end, or what it let go for.
    dead = said["fate"] == "dead" or said["release"]["cause"] == "death"
    when = said["fate_decided_t_s"] if said["fate"] == "dead" else said["release"]["t_s"]
    result["calls"]["Swaymark"] = when if dead else None
    result["beats"]["Swaymark"] = beat_counts(truth, cut(np.array(said["beats"]["times_s"])))
    after("Swaymark", np.array(said["beats"]["times_s"]))
    rates = np.full(len(odba) + 1, np.nan)
    for m in said["minutes"]:
        k = int(round(m["t_s"] / 60))
        if k < len(rates) and m["beats_per_min"] is not None:
            rates[k] = m["beats_per_min"]
    result["rates"]["Swaymark"] = rate_errors(truth, rates, swims_until)
    for prominence, found in peaks.items():
        result["beats"][f"B {prominence}"] = beat_counts(truth, cut(found))
        rates = rates_of(found, len(odba))
        result["rates"][f"B {prominence}"] = rate_errors(truth, rates, swims_until)
        after(f"B {prominence}", found)
    result["rates"]["C"] = rate_errors(truth, rate, swims_until)
    for timer in TIMER_H[breathing]:
        for g in ODBA_G:
            result["calls"][f"A {g} {timer}"] = still_since(odba >= g, 60 * timer)
        for p in PROMINENCE_G:
            counted = np.histogram(peaks[p], np.arange(len(odba) + 1) * 60.0)[0]
            result["calls"][f"B {p} {timer}"] = still_since(counted > 0, 60 * timer)
        for s in STANDS_OUT:
            result["calls"][f"C {s} {timer}"] = still_since(stands >= s, 60 * timer)
    for key, minute in result["calls"].items():
        if key != "Swaymark" and minute is not None:
            result["calls"][key] = 60.0 * minute
    return result


def run(program, families, seeds, jobs):
    work = [(program, family, seed) for family in families for seed in seeds]
    done = []
    with ProcessPoolExecutor(jobs) as pool:
        for result in pool.map(one, work):
            done.append(result)
            print(f"\r{len(done)} of {len(work)} traces", end="", flush=True)
    print()
    return done


def fate_of(result):
    return "dead" if result["death"] is not None else (
        "detached" if result["detached"] is not None else "alive")


def verdict(result, call):
    """False death (also one before the death), death known, and its delay, h."""
    if fate_of(result) == "dead":
        if call is None:
            return "missed", None
        delay = (call - result["death"]) / 3600
        return ("false", None) if delay < 0 else ("known", delay)
    return ("false", None) if call is not None else ("right", None)


def choose(results):
    """For each baseline and breathing, the numbers that serve it best on these."""
    best = {}
    for letter, grid in (("A", ODBA_G), ("B", PROMINENCE_G), ("C", STANDS_OUT)):
        for breathing, timers in TIMER_H.items():
            mine = [r for r in results if r["breathing"] == breathing and fate_of(r) != "detached"]

            def badness(setting):
                key = f"{letter} {setting[0]} {setting[1]}"
                verdicts = [(fate_of(r), *verdict(r, r["calls"][key])) for r in mine]
                share = lambda fate, bad: np.mean([v[1] == bad for v in verdicts if v[0] == fate] or [0])
                # Survivors called dead, deaths missed, deaths called too soon: each as a part.
                return (
                    share("alive", "false") + share("dead", "missed") + share("dead", "false"),
                    setting[1],
                )

            best[letter, breathing] = min(product(grid, timers), key=badness)
    total = lambda key: np.sum([r["beats"][key] for r in results], 0)
    f1 = lambda c: 2 * c[0] / max(c[1] + c[2], 1)
    best["B", "beats"] = max(PROMINENCE_G, key=lambda p: f1(total(f"B {p}")))
    return best


def tables(results, best):
    names = ["Swaymark", "A", "B", "C"]

    def call(r, name):
        if name == "Swaymark":
            return r["calls"][name]
        a, b = best[name, r["breathing"]]
        return r["calls"][f"{name} {a} {b}"]

    out = ["### Fate\n", "Each cell: survivors called dead (or the living, before they died); "
           "deaths known, and their median delay; tags that came off, taken for death.\n"]
    out.append("| family | n | " + " | ".join(names) + " |")
    out.append("| --- | --- |" + " --- |" * len(names))
    families = [f for f in FAMILIES if any(r["family"] == f for r in results)]
    for family in families + ["all"]:
        mine = [r for r in results if family in ("all", r["family"])]
        cells = []
        for name in names:
            parts = []
            judged = [(fate_of(r), *verdict(r, call(r, name))) for r in mine]
            alive = [v for v in judged if v[0] == "alive"]
            dead = [v for v in judged if v[0] == "dead"]
            off = [v for v in judged if v[0] == "detached"]
            early = sum(v[1] == "false" for v in dead)
            if alive or early:
                parts.append(f"false {sum(v[1] == 'false' for v in alive) + early}/{len(alive) + len(dead)}")
            if dead:
                known = [v[2] for v in dead if v[1] == "known"]
                delay = f", {np.median(known):.1f} h" if known else ""
                parts.append(f"known {len(known)}/{len(dead)}{delay}")
            if off:
                parts.append(f"off as dead {sum(v[1] == 'false' for v in off)}/{len(off)}")
            cells.append("; ".join(parts))
        out.append(f"| {family} | {len(mine)} | " + " | ".join(cells) + " |")
    out += ["", "### Beats and rates\n", "F1 of beats, pooled, and in brackets the median error of "
            "the rate of a minute that swims throughout; then beats found in an hour after the "
            "animal died or the tag came off.\n"]
    out.append("| family | beats | Swaymark | B | C | then, Swaymark | then, B |")
    out.append("| --- | --- | --- | --- | --- | --- | --- |")
    for family in families + ["all"]:
        mine = [r for r in results if family in ("all", r["family"])]
        cells, beats = [], 0
        for key in ("Swaymark", f"B {best['B', 'beats']}", "C"):
            errors = [e for r in mine for e in r["rates"][key]]
            error = f"{100 * np.median(errors):.1f} %" if errors else "-"
            if key == "C":
                cells.append(f"- ({error})")
                continue
            counts = np.sum([r["beats"][key] for r in mine], 0)
            beats = counts[1]
            cells.append(f"{2 * counts[0] / max(counts[1] + counts[2], 1):.3f} ({error})")
        for key in ("Swaymark", f"B {best['B', 'beats']}"):
            counts = [r["after"][key] for r in mine if key in r["after"]]
            hours = sum(c[1] for c in counts)
            cells.append(f"{sum(c[0] for c in counts) / hours:.1f}" if hours else "")
        out.append(f"| {family} | {beats} | " + " | ".join(cells) + " |")
    return "\n".join(out) + "\n"


def seed_range(text):
    low, _, high = text.partition("-")
    return list(range(int(low), int(high or low) + 1))


def main():
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    p.add_argument("--program", default=str(ROOT / "target/release/swaymark"))
    p.add_argument("--tuning", type=seed_range, default=[1, 2, 3, 4], help="seeds, below 1000")
    p.add_argument("--judged", type=seed_range, default=list(range(1000, 1006)), help="seeds, 1000 and up")
    p.add_argument("--families", nargs="+", default=FAMILIES)
    p.add_argument("--jobs", type=int, default=os.cpu_count())
    p.add_argument("--write", type=Path, default=ROOT / "docs/baselines.md")
    args = p.parse_args()
    if max(args.tuning) >= 1000 or min(args.judged) < 1000:
        p.error("tuning seeds lie below 1000, judged seeds at 1000 and up")
    best = choose(run(args.program, args.families, args.tuning, args.jobs))
    results = run(args.program, args.families, args.judged, args.jobs)
    version = subprocess.run([args.program, "--version"], check=True, capture_output=True, text=True)
    versions = made_by("numpy", "scipy", "pandas")
    lines = [
        f"Made by `tests/reference/baselines.py` with {version.stdout.strip()}, "
        + ", ".join(f"{k} {v}" for k, v in versions.items())
        + f". Tuning seeds {args.tuning[0]} to {args.tuning[-1]}, judged seeds {args.judged[0]} to "
        f"{args.judged[-1]}, of each family.\n",
        "Chosen on the tuning seeds, ram and buccal: "
        + "; ".join(
            f"{letter} {what} {best[letter, 'ram'][0]} and {best[letter, 'buccal'][0]}{unit}, timer "
            f"{best[letter, 'ram'][1]} and {best[letter, 'buccal'][1]} h"
            for letter, what, unit in (
                ("A", "ODBA below", " g"),
                ("B", "prominence", " g"),
                ("C", "peak over median", ""),
            )
        )
        + f". Beats of B: prominence {best['B', 'beats']} g.\n",
        tables(results, best),
    ]
    begin, end = "<!-- begin: written by baselines.py -->\n", "<!-- end -->\n"
    text = args.write.read_text(encoding="utf-8") if args.write.exists() else begin + end
    head, rest = text.split(begin, 1)
    text = head + begin + "\n" + "\n".join(lines) + "\n" + end + rest.split(end, 1)[1]
    part = args.write.with_suffix(".part")
    part.write_text(text, encoding="utf-8")
    part.replace(args.write)
    print(text)


if __name__ == "__main__":
    main()
