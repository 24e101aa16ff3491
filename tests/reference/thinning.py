"""The low-pass filters by which a sweep makes lower rates, and their responses.

Writes data/thinning.json with, for each factor q:
  taps      scipy.signal.firwin(20*q + 1, 0.83/q, window="hamming")
  response  [frequency as a part of the recorded rate, gain] of these taps
            (scipy.signal.freqz), from 0 to the recorded Nyquist frequency
  filtered  scipy.signal.upfirdn of a made signal by the taps, every q-th sample,
            the filter's middle on the sample, the ends gone on with (numpy.pad,
            mode "edge")

Run: python thinning.py
"""

import numpy as np
from scipy import signal

from common import made_by, write_json

FACTORS = [2, 3, 5, 10, 20]
ROWS = 400


def made_signal():
    """A slow and a fast sine on a level, the formula kept simple to repeat."""
    n = np.arange(ROWS)
    return 0.25 + 0.5 * np.sin(0.05 * n) + 0.3 * np.sin(1.9 * n + 0.4)


def one(q):
    taps = signal.firwin(20 * q + 1, 0.83 / q, window="hamming")
    freqs, h = signal.freqz(taps, worN=np.linspace(0, np.pi, 101))
    padded = np.pad(made_signal(), 10 * q, mode="edge")
    full = signal.upfirdn(taps, padded)[20 * q : 20 * q + ROWS]
    return {
        "factor": q,
        "taps": taps.tolist(),
        "response": [[f / (2 * np.pi), abs(g)] for f, g in zip(freqs, h)],
        "filtered": full[::q].tolist(),
    }


write_json(
    "thinning.json",
    {"made_by": made_by("numpy", "scipy"), "rows": ROWS, "filters": [one(q) for q in FACTORS]},
)
