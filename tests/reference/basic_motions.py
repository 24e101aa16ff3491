"""BasicMotions: real triaxial recordings, and their spectra.

Takes the acceleration channels out of the data that the Python package aeon
carries (aeon 1.6.0, BSD-3-Clause; file aeon/datasets/data/BasicMotions), and
writes
  data/basic_motions.csv           recording, ax_ms2, ay_ms2, az_ms2
  data/basic_motions_spectrum.csv  for each recording its class, the rhythm (Hz)
                                   of its strongest axis and of all axes
                                   together, the part of that axis' power within
                                   0.2 Hz of it, the size of the mean vector and
                                   the motion in either half (m/s2)

80 recordings of 10 s at 10 Hz from a watch on the wrist of four people who
stand, walk, run and play badminton. The unit is m/s2, and gravity was taken off
by the watch: the mean vector of a standing person is 0.1 to 0.4 m/s2, not 9.8.
Most "standing" recordings begin with the arm swinging out at 1 Hz. UEA archive: Bagnall et al. 2018,
arXiv:1811.00075.

Get the package's file once, without installing it:
  pip download --no-deps aeon==1.6.0
Run: python basic_motions.py aeon-1.6.0-py3-none-any.whl
"""

import hashlib
import io
import sys
import zipfile

import numpy as np
from scipy import signal

from common import made_by, write_csv, write_json

HZ = 10
FOLDER = "aeon/datasets/data/BasicMotions/BasicMotions_"


def recordings(wheel):
    """(class, acceleration (100, 3)) in the file's order, training part first."""
    with zipfile.ZipFile(wheel) as archive:
        for part in ("TRAIN.ts", "TEST.ts"):
            text = io.TextIOWrapper(archive.open(FOLDER + part), encoding="utf-8")
            lines = iter(text)
            while not next(lines).lower().startswith("@data"):
                pass
            for line in lines:
                *channels, label = line.strip().split(":")
                yield label.lower(), np.array(
                    [[float(v) for v in c.split(",")] for c in channels[:3]]
                ).T


def rhythm(accel):
    """Peak of the spectrum: principal axis, all axes; part of the power near it."""
    moving = signal.detrend(accel, axis=0, type="constant")
    _, vectors = np.linalg.eigh(np.cov(moving.T))
    f, each = signal.periodogram(
        np.column_stack([moving @ vectors[:, -1], moving]), HZ, "hann", nfft=2048, axis=0
    )
    keep = f >= 0.3
    f = f[keep]
    one = each[keep, 0]
    all_axes = each[keep, 1:].sum(axis=1)
    top = f[np.argmax(one)]
    near = np.abs(f - top) < 0.2
    return top, f[np.argmax(all_axes)], one[near].sum() / one.sum()


def main(wheel):
    rows, spectra = [], []
    for number, (label, accel) in enumerate(recordings(wheel)):
        rows += [(number, *(f"{v:.3f}" for v in sample)) for sample in accel]
        one, all_axes, part = rhythm(accel)
        early, late = (np.sqrt((signal.detrend(x, axis=0, type="constant") ** 2).sum(axis=1).mean()) for x in (accel[:50], accel[50:]))
        spectra.append(
            (number, label, f"{one:.3f}", f"{all_axes:.3f}", f"{part:.3f}",
             f"{np.linalg.norm(accel.mean(axis=0)):.3f}", f"{early:.3f}", f"{late:.3f}")
        )
    write_csv("basic_motions.csv", ["recording", "ax_ms2", "ay_ms2", "az_ms2"], rows)
    write_csv(
        "basic_motions_spectrum.csv",
        ["recording", "class", "axis_hz", "all_hz", "part_near_peak", "mean_ms2", "rms_first_half_ms2", "rms_second_half_ms2"],
        spectra,
    )
    with open(wheel, "rb") as f:
        digest = hashlib.sha256(f.read()).hexdigest()
    write_json(
        "basic_motions.json",
        {"made_by": made_by("numpy", "scipy"), "wheel": "aeon 1.6.0", "wheel_sha256": digest},
    )


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit("usage: python basic_motions.py AEON_WHEEL")
    main(sys.argv[1])
