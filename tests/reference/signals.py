"""Made swimming signals, and what NumPy and SciPy say of the same samples.

Writes data/signal_NAME.csv (raw counts, 2000 a g, sensor axes) and
data/signals.json with, for each signal:
  minutes  mean ODBA, VeDBA (g) and mean static acceleration (g, three axes) of
           each minute; static acceleration is
           scipy.ndimage.uniform_filter1d over 2.5 s, centred
           (Shepard et al. 2008, Aquatic Biology 4:235; ODBA: Wilson et al. 2006,
           J. Animal Ecology 75:1081; VeDBA: Qasem et al. 2012, PLoS ONE 7:e31187)
  beats    offline beat picking with the whole file in hand: principal axis
           (numpy.linalg.eigh), Butterworth band-pass without phase
           (scipy.signal.butter, sosfiltfilt), scipy.signal.find_peaks; times in s
  welch_hz peak of scipy.signal.welch along the principal axis
  minute_hz  peak of each minute's spectrum (scipy.signal.periodogram, Hann)
  true_beats the times (s) at which this script put a beat

Run: python signals.py
"""

import numpy as np
from scipy import ndimage, signal

from common import made_by, write_csv, write_json

COUNTS_PER_G = 2000


def rotation(rng):
    """A mounting: any rotation, each as likely as another."""
    q = rng.normal(size=4)
    w, x, y, z = q / np.linalg.norm(q)
    return np.array(
        [
            [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
            [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
            [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
        ]
    )


def slow_noise(rng, n, hz, memory_s, sd):
    """First-order Gauss-Markov noise."""
    a = np.exp(-1 / (memory_s * hz))
    b = sd * np.sqrt(1 - a * a)
    start = [a * sd * rng.normal()]
    return signal.lfilter([b], [1, -a], rng.normal(size=n), zi=start)[0]


def unrest(rng, n, hz, memory_s, sd):
    """A posture that wanders as a body with inertia does: no jerks below a second."""
    rough = slow_noise(rng, n, hz, memory_s, 1.0)
    a = np.exp(-1 / hz)
    smooth = signal.lfilter([1 - a], [1, -a], signal.lfilter([1 - a], [1, -a], rough))
    return sd * smooth / smooth.std()


def make(seed, hz, minutes, beat_hz, sway_g, noise_g, wander, glides, harmonic):
    """Counts (n, 3) and the true beat times in s."""
    rng = np.random.default_rng(seed)
    n = int(minutes * 60 * hz)
    t = np.arange(n) / hz
    f = beat_hz * np.exp(slow_noise(rng, n, hz, 40, wander))
    amplitude = sway_g * np.exp(slow_noise(rng, n, hz, 30, 2 * wander))
    on = np.ones(n)
    if glides:
        at = 45.0
        while at < minutes * 60 - 40:
            length = rng.uniform(8, 25)
            on[(t >= at) & (t < at + length)] = 0
            at += length + rng.uniform(35, 80)
    # Phase runs only while swimming; a bout starts and ends at a trough, and
    # is cut to whole cycles.
    phase = np.zeros(n)
    shown = np.zeros(n)
    beats = []
    edges = np.flatnonzero(np.diff(np.concatenate([[0], on, [0]])))
    for first, last in zip(edges[::2], edges[1::2]):
        p = np.cumsum(f[first:last]) / hz
        cycles = np.floor(p[-1])
        keep = p < cycles
        p = p[keep]
        span = slice(first, first + p.size)
        phase[span] = 2 * np.pi * p - np.pi
        edge = np.clip(np.minimum(p, cycles - p) / 0.5, 0, 1)
        shown[span] = 0.5 - 0.5 * np.cos(np.pi * edge)
        beats += list(np.interp(np.arange(cycles) + 0.5, p, t[span]))
    sway = np.cos(phase) + harmonic * np.cos(2 * phase + 1.1) + 0.5 * harmonic * np.cos(3 * phase - 0.4)
    surge = 0.2 * np.cos(2 * phase + 0.3)
    heave = 0.1 * np.cos(phase + 0.8)
    pitch = np.radians(12) * np.sin(2 * np.pi * t / 170) + unrest(rng, n, hz, 6, np.radians(3))
    roll = unrest(rng, n, hz, 8, np.radians(5))
    body = np.stack(
        [
            np.sin(pitch) + shown * amplitude * surge,
            np.cos(pitch) * np.sin(roll) + shown * amplitude * sway,
            np.cos(pitch) * np.cos(roll) + shown * amplitude * heave,
        ]
    )
    sensor = rotation(rng) @ body + noise_g * rng.normal(size=(3, n))
    return np.round(sensor * COUNTS_PER_G).astype(int).T, beats


def activity(accel, hz):
    """Minute means of ODBA, VeDBA and static acceleration."""
    size = int(round(2.5 * hz)) | 1
    half = size // 2
    static = ndimage.uniform_filter1d(accel, size, axis=0, mode="nearest")
    dynamic = accel - static
    odba = np.abs(dynamic).sum(axis=1)
    vedba = np.sqrt((dynamic**2).sum(axis=1))
    out = []
    whole = np.arange(len(accel))
    whole = (whole >= half) & (whole < len(accel) - half)
    minute = (np.arange(len(accel)) / (60 * hz)).astype(int)
    for m in range(minute[-1] + 1):
        use = whole & (minute == m)
        out.append(
            [round(float(v), 6) for v in (odba[use].mean(), vedba[use].mean(), *static[use].mean(axis=0))]
        )
    return out


def principal(accel, hz):
    """Acceleration along the axis of strongest motion between 0.15 and 5 Hz."""
    top = min(5.0, 0.45 * hz)
    sos = signal.butter(2, [0.15, top], "bandpass", fs=hz, output="sos")
    moving = signal.sosfiltfilt(sos, accel, axis=0)
    _, vectors = np.linalg.eigh(np.cov(moving.T))
    return (accel - accel.mean(axis=0)) @ vectors[:, -1]


def peak_hz(f, density):
    """Frequency of the highest bin above 0.15 Hz, refined by a parabola in log density."""
    low = np.searchsorted(f, 0.15)
    k = low + int(np.argmax(density[low:-1]))
    a, b, c = np.log(density[k - 1 : k + 2])
    return float(f[k] + 0.5 * (a - c) / (a - 2 * b + c) * (f[1] - f[0]))


def offline_beats(sway, hz, around_hz):
    """Peaks of the band-passed sway, to parts of a sample."""
    band = [0.5 * around_hz, min(1.7 * around_hz, 0.45 * hz)]
    sos = signal.butter(2, band, "bandpass", fs=hz, output="sos")
    y = signal.sosfiltfilt(sos, sway)
    strong = np.quantile(np.abs(y), 0.9)
    peaks, _ = signal.find_peaks(y, prominence=0.6 * strong, height=0.25 * strong, distance=0.5 * hz / around_hz)
    a, b, c = y[peaks - 1], y[peaks], y[peaks + 1]
    return (peaks + 0.5 * (a - c) / (a - 2 * b + c)) / hz


SIGNALS = {
    # name: hz, minutes, beat_hz, sway_g, noise_g, wander, glides, harmonic
    "cruise": (25, 4, 0.9, 0.12, 0.003, 0.02, False, 0.15),
    "glides": (20, 6, 1.1, 0.08, 0.003, 0.05, True, 0.1),
    "slow": (10, 8, 0.35, 0.05, 0.002, 0.04, False, 0.1),
    "fast": (50, 3, 2.4, 0.3, 0.004, 0.03, False, 0.1),
}


def main():
    result = {"made_by": made_by("numpy", "scipy"), "counts_per_g": COUNTS_PER_G, "signals": {}}
    for seed, (name, (hz, minutes, *rest)) in enumerate(SIGNALS.items(), start=41):
        counts, true_beats = make(seed, hz, minutes, *rest)
        write_csv(f"signal_{name}.csv", ["ax_raw", "ay_raw", "az_raw"], counts)
        accel = counts / COUNTS_PER_G
        sway = principal(accel, hz)
        f, density = signal.welch(sway, hz, nperseg=int(40 * hz))
        rate = peak_hz(f, density)
        minute_hz = []
        for m in range(minutes):
            part = sway[int(m * 60 * hz) : int((m + 1) * 60 * hz)]
            minute_hz.append(
                round(peak_hz(*signal.periodogram(part, hz, "hann", nfft=8 * len(part))), 5)
            )
        beats = offline_beats(sway, hz, rate)
        result["signals"][name] = {
            "sample_hz": hz,
            "welch_hz": round(rate, 5),
            "minute_hz": minute_hz,
            "minutes": activity(accel, hz),
            "beats": [round(float(b), 3) for b in beats],
            "true_beats": [round(float(b), 3) for b in true_beats],
        }
        print(name, "rate", rate, "offline", len(beats), "true", len(true_beats))
    write_json("signals.json", result)


if __name__ == "__main__":
    main()
