"""Shared by the reference scripts: where the values go and what made them."""

import json
import platform
from importlib.metadata import version
from pathlib import Path

DATA = Path(__file__).parent / "data"


def made_by(*packages):
    """Versions that gave the values, kept beside them."""
    found = {"python": platform.python_version()}
    found.update({name: version(name) for name in packages})
    return found


def write_json(name, value):
    """Writes one committed reference file, one key a line."""
    DATA.mkdir(exist_ok=True)
    path = DATA / name
    path.write_text(json.dumps(value, indent=1) + "\n", encoding="utf-8")
    print(f"{name}: {path.stat().st_size} bytes")


def write_csv(name, header, rows):
    """Writes one committed table."""
    DATA.mkdir(exist_ok=True)
    path = DATA / name
    with path.open("w", encoding="utf-8", newline="\n") as out:
        out.write(",".join(header) + "\n")
        for row in rows:
            out.write(",".join(str(v) for v in row) + "\n")
    print(f"{name}: {path.stat().st_size} bytes")
