"""Sunrise and sunset from astral (PyPI), zenith angle of the NOAA solar calculator.

Writes data/sun.csv: day (Unix time of 00:00 UTC, s), latitude and longitude in
degrees (north and east positive), rise and set (Unix time, s); empty where the
sun does not rise or does not set, with which of the two in the last column.
The places are made up to spread over the globe; they are no particular towns.
Latitudes beyond 60 degrees and the polar days are kept apart by the test.

Run: python sun.py
"""

import datetime as dt

from astral import Observer, sun

from common import made_by, write_csv, write_json

PLACES = [(0.0, 0.0), (12.5, -61.0), (-8.0, 115.0), (24.7, -81.3), (-33.9, 18.4), (35.2, 139.6),
          (43.6, -70.1), (-45.8, 170.7), (51.4, 3.5), (58.6, -3.1), (66.0, -23.5), (69.7, 18.9)]
DATES = ["2024-02-29", "2025-03-20", "2025-06-21", "2026-09-30", "2027-12-21"]


def main():
    rows = []
    for latitude, longitude in PLACES:
        here = Observer(latitude, longitude, 0.0)
        for text in DATES:
            day = dt.date.fromisoformat(text)
            midnight = int(dt.datetime(day.year, day.month, day.day, tzinfo=dt.timezone.utc).timestamp())
            # The solar day: both events around the local noon of this date.
            noon = sun.noon(here, day)
            try:
                events = []
                for wanted, shifts in ((sun.sunrise, (0, -1, 1)), (sun.sunset, (0, 1, -1))):
                    for shift in shifts:
                        at = wanted(here, day + dt.timedelta(days=shift))
                        if abs((at - noon).total_seconds()) < 43200:
                            ahead = (at - noon).total_seconds() > 0
                            if ahead == (wanted is sun.sunset):
                                events.append(int(at.timestamp()))
                                break
                assert len(events) == 2, (latitude, longitude, text, events)
                rows.append((midnight, latitude, longitude, *events, "rises_and_sets"))
            except ValueError:
                up = sun.elevation(here, noon) > 0
                rows.append((midnight, latitude, longitude, "", "", "always_up" if up else "always_down"))
    write_csv("sun.csv", ["day_unix_s", "latitude_deg", "longitude_deg", "rise_unix_s", "set_unix_s", "kind"], rows)
    write_json("sun.json", {"made_by": made_by("astral"), "zenith_deg": 90.833})


if __name__ == "__main__":
    main()
