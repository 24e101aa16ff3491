"""What a replay costs against what else a user would pick, in one run.

    cargo build --release --locked -p host-sim
    cargo build --release --locked -p swaymark-tests --example bare_csv --example detector_alone
    env/bin/python tests/reference/speed.py            # 1 h, 1 d, 7 d
    env/bin/python tests/reference/speed.py --month    # and 30 d: some minutes more, 2.5 GB in --dir, 16 GB of memory

makes traces at 25 Hz with `swaymark synth`, runs each of these as a process of its own
on one processor core, several times in turn, and writes ratios of the least processor
times (user and system) and of peak memory into docs/speed.md:

replay  `swaymark replay --format json --minutes --jobs 1`
a       the `csv` crate reading the same file into one ByteRecord, doing nothing with it
b       pandas and SciPy doing the same job offline: read, running means, band-pass,
        peak picking, minute table (methods as in baselines.py)

and, on samples in memory, without reading:

tag     the detectors alone
c       NumPy on a memory-mapped array: running means, activity, band-pass, peaks, minutes

Then replay against a once more, for other ways of writing the same trace; and `--jobs 2`
against `--jobs 1` on many files, by the clock, with the same bytes out, and two processes
side by side against one after the other: the most that the machine's two cores give.
Times are of a busy or an idle machine alike; only what is measured in one run compares.
"""

import argparse
import json
import os
import platform
import subprocess
import sys
import tempfile
import time
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

from common import made_by

ROOT = Path(__file__).resolve().parents[2]
HZ = 25
BEGIN, END = "<!-- begin: written by speed.py -->\n", "<!-- end -->\n"


def offline(path):
    """(b): the same job with the whole file in hand."""
    import pandas
    from scipy import ndimage, signal

    table = pandas.read_csv(path)
    accel = table[["ax_g", "ay_g", "az_g"]].to_numpy()
    static = ndimage.uniform_filter1d(accel, 3 * HZ, axis=0)
    dynamic = accel - static
    sos = signal.butter(2, [0.2, 3.0], "bandpass", fs=HZ, output="sos")
    band = signal.sosfiltfilt(sos, accel, axis=0)
    _, axes = np.linalg.eigh(np.cov(band.T))
    sway = band @ axes[:, 2]
    peaks, found = signal.find_peaks(sway, prominence=0.03)
    table["odba_g"] = np.abs(dynamic).sum(axis=1)
    table["vedba_g"] = np.sqrt((dynamic**2).sum(axis=1))
    table["pitch_deg"] = np.degrees(np.arctan2(static[:, 0], np.hypot(static[:, 1], static[:, 2])))
    table["roll_deg"] = np.degrees(np.arctan2(static[:, 1], static[:, 2]))
    minute = (table["t_s"] // 60).astype(int)
    columns = ["odba_g", "vedba_g", "pitch_deg", "roll_deg", "depth_m"]
    minutes = table.groupby(minute)[columns].mean()
    minutes["beats_per_min"] = np.bincount(minute.to_numpy()[peaks], minlength=len(minutes))
    minutes["sway_g"] = found["prominences"].mean() / 2
    print(len(peaks), len(minutes))


def array(path):
    """(c): the detectors' arithmetic on a memory-mapped array; processor time, s."""
    accel = np.load(path, mmap_mode="r")
    start = time.process_time()
    window = 3 * HZ | 1
    sums = np.cumsum(np.vstack([np.zeros((1, 3)), accel]), axis=0)
    static = ((sums[window:] - sums[:-window]) / window).astype(np.float32)
    half = window // 2
    here = accel[half:-half]
    dynamic = here - static
    odba = np.abs(dynamic).sum(axis=1)
    vedba = np.sqrt((dynamic * dynamic).sum(axis=1))
    pitch = np.arctan2(static[:, 0], np.hypot(static[:, 1], static[:, 2]))
    roll = np.arctan2(static[:, 1], static[:, 2])
    _, axes = np.linalg.eigh(np.cov(dynamic[:: HZ // 5].T))
    sway = dynamic @ axes[:, 2].astype(np.float32)
    k = np.arange(-24, 25) / 6.4
    taps = ((1 - k * k) * np.exp(-k * k / 2)).astype(np.float32)
    band = np.convolve(sway, (taps - taps.mean()) / 8, "same")
    turns = (band[1:-1] > band[:-2]) & (band[1:-1] >= band[2:]) & (band[1:-1] > 0.03)
    minute = 60 * HZ
    whole = len(odba) // minute * minute
    table = [v[:whole].reshape(-1, minute).mean(axis=1) for v in (odba, vedba, pitch, roll)]
    beats = turns[: whole - 2].sum()
    print(json.dumps({"s": time.process_time() - start, "samples": len(accel), "beats": int(beats),
                      "minutes": len(table[0])}))


def peak(pid):
    """Highest resident memory of a running process so far, bytes."""
    try:
        status = Path(f"/proc/{pid}/status").read_text(encoding="ascii")
    except OSError:
        return None
    found = [line.split() for line in status.splitlines() if line.startswith("VmHWM:")]
    return int(found[0][1]) * 1024 if found else None


def run(command):
    """Runs a process on one core: processor time, s; peak memory, bytes; what it said.

    The peak is looked at every few milliseconds: what the system tells at the end counts
    this script's own memory, from which the process was started.
    """
    core = min(os.sched_getaffinity(0))
    with tempfile.TemporaryFile() as out:
        child = subprocess.Popen(
            [str(c) for c in command],
            stdout=out,
            stderr=subprocess.DEVNULL,
            preexec_fn=lambda: os.sched_setaffinity(0, {core}),
        )
        memory, ended = 0, 0
        while not ended:
            memory = peak(child.pid) or memory
            time.sleep(0.002)
            ended, status, used = os.wait4(child.pid, os.WNOHANG)
        child.returncode = os.waitstatus_to_exitcode(status)
        if child.returncode:
            raise RuntimeError(f"{command[0]} ended with {child.returncode}")
        out.seek(0)
        return used.ru_utime + used.ru_stime, memory, out.read()


def least(commands, repeats):
    """Each command several times in turn: least time, peak of memory, and what it said last."""
    best = {}
    for _ in range(repeats):
        for name, command in commands.items():
            took, memory, said = run(command)
            if name in best:
                took, memory = min(took, best[name][0]), max(memory, best[name][1])
            best[name] = (took, memory, said)
    return best


def make(program, folder, hours, *more):
    folder.mkdir(parents=True, exist_ok=True)
    command = [program, "synth", "cruiser", "--seed", "1", "--hours", str(hours), "--sample-hz",
               str(HZ), "--out", folder, "--quiet", *more]
    subprocess.run([str(c) for c in command], check=True, stdout=subprocess.DEVNULL)
    return sorted(p for p in folder.glob("*.csv*") if ".truth" not in p.name)


def replay_and_a(args, trace):
    """What is compared above all: replay, and the bare reading."""
    return {
        "replay": [args.program, "replay", "--quiet", "--format", "json", "--minutes", "--jobs",
                   "1", trace],
        "a": [args.examples / "bare_csv", trace],
    }


def of_length(args, folder, hours):
    """One trace of so many hours."""
    (trace,) = make(args.program, folder, hours)
    this = [sys.executable, __file__]
    commands = {**replay_and_a(args, trace), "b": [*this, "--offline", trace]}
    repeats = args.repeats if hours <= 100 else min(args.repeats, 3) if hours <= 200 else 1
    best = least(commands, repeats)
    samples = json.loads(best["replay"][2])["samples"]
    # The same samples without reading; at most a week, as both hold them in memory.
    alone = None
    if hours <= 200:
        held = folder / "accel.npy"
        import pandas

        columns = ["ax_g", "ay_g", "az_g"]
        np.save(held, pandas.read_csv(trace, usecols=columns)[columns].to_numpy(np.float32))
        pair = {"tag": [args.examples / "detector_alone", trace], "c": [*this, "--array", held]}
        times = {name: float("inf") for name in pair}
        for _ in range(repeats):
            for name, command in pair.items():
                said = json.loads(run(command)[2])
                times[name] = min(times[name], said["s"])
        alone = times
    return {"hours": hours, "samples": samples, "best": best, "alone": alone}


def rewritten(trace, folder):
    """A trace as others might write it: what is other, and the file."""
    begin = datetime(2031, 1, 7, 14, 57)

    def date(row):
        at = begin + timedelta(seconds=float(row[0]))
        return [at.isoformat(timespec="milliseconds") + "Z", *row[1:]]

    def numbers(scale, form):
        return lambda row: [row[0], *(form(scale * float(cell)) for cell in row[1:4]), *row[4:]]

    latest = ["", ""]

    def everywhere(row):
        latest[:] = [cell or last for cell, last in zip(row[4:], latest)]
        return [*row[:4], *latest]

    plain = "t_s,ax_g,ay_g,az_g,depth_m,temp_c"
    ways = {
        "what the tables above have": (plain, list),
        "dates instead of seconds": ("time_utc" + plain[3:], date),
        "m/s2, all 17 digits": (plain.replace("_g", "_ms2"), numbers(9.80665, repr)),
        "exponents": (plain, numbers(1, "{:.6e}".format)),
        "two decimals, steps of 0.01 g": (plain, numbers(1, "{:.2f}".format)),
        "depth and temperature with every row": (plain, everywhere),
        "quotes around every cell": (plain, lambda row: [f'"{cell}"' for cell in row]),
    }
    for n, (name, (header, change)) in enumerate(ways.items()):
        path = folder / f"way{n}.csv"
        with open(trace, encoding="ascii") as source, open(path, "w", encoding="ascii") as out:
            next(source)
            print(header, file=out)
            for line in source:
                print(*change(line.rstrip("\n").split(",")), sep=",", file=out)
        yield name, path


def of_writing(args, folder):
    """Replay against (a), for ways of writing the same trace of 6 h."""
    (trace,) = make(args.program, folder, 6)
    ratios = {}
    for name, path in rewritten(trace, folder):
        best = least(replay_and_a(args, path), args.repeats)
        ratios[name] = best["replay"][0] / best["a"][0]
    return ratios


def of_many(args, folder):
    """`--jobs 2` against `--jobs 1`: ratio of wall times, for each command."""
    traces = make(args.program, folder / "many", 24, "--count", "8")
    replay = ["replay", "--quiet", "--format", "json", "--minutes", "--beats"]
    commands = {
        "replay": [*replay, *traces],
        "score": ["score", "--quiet", "--format", "json", folder / "many"],
        "sweep": ["sweep", folder / "many", "--grid", ROOT / "demo-data/grids/rates.toml",
                  "--quiet", "--format", "json"],
        "synth": ["synth", "cruiser", "--count", "8", "--hours", "24", "--quiet"],
    }
    ratios = {}
    for name, command in commands.items():
        wall, said = {1: [], 2: []}, {}
        for turn in range(args.repeats):
            for jobs in (1, 2):
                made = ["--out", folder / f"out{jobs}"] if name == "synth" else []
                start = time.perf_counter()
                done = subprocess.run(
                    [str(c) for c in (args.program, *command, *made, "--jobs", jobs)],
                    capture_output=True,
                )
                wall[jobs].append(time.perf_counter() - start)
                if done.returncode > 1:
                    raise RuntimeError(done.stderr.decode())
                said[jobs] = done.stdout
                if name == "synth":
                    said[jobs] = {p.name: p.read_bytes() for p in (folder / f"out{jobs}").iterdir()}
        if said[1] != said[2]:
            raise RuntimeError(f"{name}: --jobs 2 gives other bytes than --jobs 1")
        ratios[name] = min(wall[1]) / min(wall[2])
    ratios["two processes of replay, side by side"] = side_by_side(args, replay, traces)
    return ratios


def side_by_side(args, replay, traces):
    """Two processes that have nothing in common, at once against in turn: what two cores of
    this machine give at most, which share memory, cache and the host with others."""
    half = len(traces) // 2
    pair = [[str(c) for c in (args.program, *replay, "--jobs", 1, *part)]
            for part in (traces[:half], traces[half:])]
    in_turn, at_once = [], []
    for _ in range(args.repeats):
        start = time.perf_counter()
        for command in pair:
            subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
        in_turn.append(time.perf_counter() - start)
        start = time.perf_counter()
        running = [subprocess.Popen(command, stdout=subprocess.DEVNULL) for command in pair]
        if any(process.wait() for process in running):
            raise RuntimeError("a replay failed")
        at_once.append(time.perf_counter() - start)
    return min(in_turn) / min(at_once)


def length(hours):
    return f"{hours} h" if hours < 24 else f"{hours // 24} d"


def report(args, rows, writing, many):
    cpu = next((line.split(":", 1)[1].strip() for line in open("/proc/cpuinfo", encoding="utf-8")
                if line.startswith("model name")), platform.processor())
    rustc = subprocess.run(["rustc", "-V"], capture_output=True, text=True).stdout.split()
    said = subprocess.run([args.program, "--version"], capture_output=True, text=True).stdout
    versions = made_by("numpy", "scipy", "pandas")
    out = [
        f"{cpu}, {os.cpu_count()} cores, {platform.system()}; {said.strip()}, rustc {rustc[1]}, "
        + ", ".join(f"{k} {v}" for k, v in versions.items())
        + f". Least of {args.repeats} runs (7 d: 3, 30 d: one).\n",
        "| length | samples | replay, times a | b, times replay | memory of b, times replay | "
        "peak memory of replay, MiB | time a sample, times that at 1 d |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    day = next((r for r in rows if r["hours"] == 24), rows[0])
    per = lambda r: r["best"]["replay"][0] / r["samples"]
    for r in rows:
        (ours, memory, _), a, (b, memory_b, _) = (r["best"][k] for k in ("replay", "a", "b"))
        out.append(
            f"| {length(r['hours'])} | {r['samples']} | {ours / a[0]:.2f} | {b / ours:.1f} | "
            f"{memory_b / memory:.1f} | {memory / 2**20:.1f} | {per(r) / per(day):.2f} |"
        )
    out += ["", "| detectors alone | million samples a second | c, times that |",
            "| --- | --- | --- |"]
    for r in rows:
        if r["alone"]:
            ours, c = r["alone"]["tag"], r["alone"]["c"]
            rate = r["samples"] / ours / 1e6
            out.append(f"| {length(r['hours'])} | {rate:.1f} | {c / ours:.1f} |")
    out += ["", "| a trace of 6 h, written with | replay, times a |", "| --- | --- |"]
    out += [f"| {name} | {ratio:.2f} |" for name, ratio in writing.items()]
    if many:
        out += ["", "| eight traces of 1 d | `--jobs 2`, times as fast as `--jobs 1` |", "| --- | --- |"]
    out += [f"| {name} | {ratio:.2f} |" for name, ratio in many.items()]
    return "\n".join(out) + "\n"


def main():
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    p.add_argument("--program", type=Path, default=ROOT / "target/release/swaymark")
    p.add_argument("--examples", type=Path, default=ROOT / "target/release/examples")
    p.add_argument("--hours", type=int, nargs="+", default=[1, 24, 168], help="lengths")
    p.add_argument("--month", action="store_true", help="30 d as well")
    p.add_argument("--no-jobs", action="store_true", help="leave --jobs out (a busy machine)")
    p.add_argument("--repeats", type=int, default=5)
    p.add_argument("--dir", type=Path, help="folder for the traces, else the system's; deleted after")
    p.add_argument("--write", type=Path, default=ROOT / "docs/speed.md")
    p.add_argument("--offline", type=Path, help=argparse.SUPPRESS)
    p.add_argument("--array", type=Path, help=argparse.SUPPRESS)
    args = p.parse_args()
    if args.offline:
        return offline(args.offline)
    if args.array:
        return array(args.array)
    rows = []
    for hours in args.hours + [720] * args.month:
        with tempfile.TemporaryDirectory(dir=args.dir) as folder:
            rows.append(of_length(args, Path(folder), hours))
        print(f"{length(hours)} done", file=sys.stderr)
    with tempfile.TemporaryDirectory(dir=args.dir) as folder:
        writing = of_writing(args, Path(folder))
    many = {}
    if not args.no_jobs:
        with tempfile.TemporaryDirectory(dir=args.dir) as folder:
            many = of_many(args, Path(folder))
    tables = report(args, rows, writing, many)
    head, rest = args.write.read_text(encoding="utf-8").split(BEGIN, 1)
    text = head + BEGIN + "\n" + tables + "\n" + END + rest.split(END, 1)[1]
    part = args.write.with_suffix(".part")
    part.write_text(text, encoding="utf-8")
    part.replace(args.write)
    print(tables)


if __name__ == "__main__":
    main()
