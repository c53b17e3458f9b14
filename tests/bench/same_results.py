"""Are the results of two runs the same to the bit?

    python tests/bench/same_results.py BEFORE AFTER [--rename OLD=NEW ...]

BEFORE and AFTER are result folders of `framesort night` on the same frames. Pixels of every FITS
file and columns of every table are compared bit by bit; times of writing, versions and paths are
not. Columns that have another name in AFTER are named by --rename, codes in text columns too.
Exits with 1 if anything differs.
"""

import argparse
import sys
from pathlib import Path

import numpy as np
from astropy.io import fits
from astropy.table import Table


def compare_fits(before: Path, after: Path) -> list[str]:
    """Names of extensions whose pixels or tables differ."""
    with fits.open(before) as old, fits.open(after) as new:
        if [h.name for h in old] != [h.name for h in new]:
            return [f"extensions {[h.name for h in old]} and {[h.name for h in new]}"]
        return [
            old[i].name or str(i)
            for i in range(len(old))
            if (old[i].data is None) != (new[i].data is None)
            or (old[i].data is not None and old[i].data.tobytes() != new[i].data.tobytes())
        ]


def compare_tables(before: Path, after: Path, renamed: dict[str, str]) -> list[str]:
    """Columns that differ or are gone; columns that were added are no difference."""
    old, new = Table.read(before), Table.read(after)
    out = []
    for name in old.colnames:
        other = renamed.get(name, name)
        if other not in new.colnames:
            out.append(f"{name} is gone")
            continue
        a, b = (np.ma.filled(np.ma.masked_array(t[n])) for t, n in ((old, name), (new, other)))
        if a.dtype.kind in "OU":
            b = np.array([str(v) for v in b])
            a = np.array([str(v) for v in a])
            for code, now in renamed.items():
                a = np.array([v.replace(code, now) for v in a])
            if name == "file":
                a, b = (np.array([Path(v).name for v in c]) for c in (a, b))
        same = a.shape == b.shape and (
            np.array_equal(a, b, equal_nan=True) if a.dtype.kind == "f" else np.array_equal(a, b)
        )
        if not same:
            out.append(name)
    return out


def main() -> int:
    """Compare the folders; print a line a file."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("before", type=Path)
    parser.add_argument("after", type=Path)
    parser.add_argument("--rename", action="append", default=[], metavar="OLD=NEW")
    options = parser.parse_args()
    renamed = dict(pair.split("=", 1) for pair in options.rename)
    differ = 0
    for before in sorted(options.before.rglob("*")):
        if before.suffix not in (".fits", ".ecsv") or "cache" in before.parts:
            continue
        name = before.relative_to(options.before)
        after = options.after / name
        if not after.exists():
            found = ["no such file"]
        elif before.suffix == ".fits":
            found = compare_fits(before, after)
        else:
            found = compare_tables(before, after, renamed)
        differ += bool(found)
        print(f"{name}: {'differs: ' + ', '.join(found) if found else 'same'}")
    print(f"{differ} files differ" if differ else "all the same")
    return int(differ > 0)


if __name__ == "__main__":
    sys.exit(main())
