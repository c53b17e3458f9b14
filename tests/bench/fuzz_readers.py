"""Hand damaged and simulated files to every reader; only errors of this library may come out.

    python tests/bench/fuzz_readers.py --inputs 100000

Each input is a sound file with bytes changed, cut, doubled or spliced, or with header cards
and fields replaced by awkward ones. Every reader that may meet such a file gets it. A fault
is: an exception that is no `FramesortError`, an error message of several lines, a warning
that is not this library's, more than 20 s, or more than 1 GiB of memory. Faults are kept in
the folder of `--keep`, by a digest of where they came from.
"""

import argparse
import gzip
import hashlib
import io
import itertools
import random
import resource
import signal
import time
import traceback
import warnings
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits
from astropy.table import Table

from framesort.errors import FramesortError, FramesortWarning
from framesort.files import read_image, verify_sums
from framesort.frames import find_frames, read_frames
from framesort.heater import FORMS, LogOptions, read_heater_log
from framesort.images import read_picture
from framesort.images import write_picture as _write_picture
from framesort.night import read_sorted
from framesort.planning import read_forecast
from framesort.registration import make_grid
from framesort.replacement import read_places
from framesort.report import write_report
from framesort.settings import read_settings
from framesort.simulation import read_scenario
from framesort.stacking import read_stack

SECONDS = 20
MEMORY = 1 << 30

AWKWARD = (
    "T", "F", "0", "-1", "1", "2", "3", "4", "8", "16", "-32", "-64", "64", "7", "999", "1000",
    "100000", "2147483648", "4294967296", "99999999999999999999", "1E400", "-1E400", "NaN",
    "0.0", "-0.5", "1D5", "(1,2)", "''", "' '", "'x'", "'1'", "'L'", "'../../x'", "'<script>'",
    "'2026-02-11T20:00:00'", "'2026-02-30T25:61:61'", "'11/02/26'", "'0000-00-00'", "'UTC'",
    "'99999-01-01'", "'TAI'", "'DARK'", "'2026-02-11T20:00:00+99:99'", "'RA---TAN'", "/", "'",
    "'''", "&", "= =", "'BINTABLE'", "'IMAGE   '", "'TABLE   '", "'RICE_1'", "'GZIP_1'", "",
    "'2026-02-11 20:00'", "'\x1b[31m'", "'\x00'", "'" + "9" * 68 + "'",
)  # fmt: skip
KEYS = (
    "SIMPLE", "XTENSION", "BITPIX", "NAXIS", "NAXIS1", "NAXIS2", "NAXIS3", "NAXIS999", "EXTEND",
    "PCOUNT", "GCOUNT", "GROUPS", "TFIELDS", "BZERO", "BSCALE", "BLANK", "DATE-OBS", "DATE-BEG",
    "DATE-END", "DATE-AVG", "TIME-OBS", "MJD-OBS", "TIMESYS", "EXPTIME", "EXPOSURE", "FILTER",
    "GAIN", "EGAIN", "IMAGETYP", "FRAME", "XBINNING", "CCDSUM", "BAYERPAT", "SATURATE", "PIXSCALE",
    "XPIXSZ", "FOCALLEN", "CTYPE1", "CTYPE2", "CRVAL1", "CRVAL2", "CRPIX1", "CD1_1", "CD2_1",
    "CDELT1", "PC1_1", "CUNIT1", "EQUINOX", "RADESYS", "WCSAXES", "A_ORDER", "LONPOLE", "PV1_1",
    "ZIMAGE", "ZCMPTYPE", "ZBITPIX", "ZNAXIS", "ZNAXIS1", "ZNAXIS2", "ZTILE1", "ZTILE2", "ZVAL1",
    "ZBLANK", "ZQUANTIZ", "ZDITHER0", "TTYPE1", "TFORM1", "TFORM2", "THEAP", "CHECKSUM", "DATASUM",
    "FRAM0001", "REJ00001", "NOTE0001", "EXTNAME", "EXTVER", "HIERARCH a b", "CONTINUE", "COMMENT",
    "HISTORY", "END", "", "LONGSTRN", "HEATER", "BUNIT", "OBJECT", "ROWORDER",
)  # fmt: skip
WORDS = (
    "2024-03-14T18:00:00Z", "03/04/2024 6:21 PM", "1710439200", "30", "on", "off", ",", ";", "\t",
    "\n", "\r\n", '"', "12:30:00", "heater power", "time", "amps", "from", "to", "local time",
    "1e308", "-5", "nan", "1e400", "20240314 180000", "60%", "0,5", "2024-02-30 10:00:00", "٣",
    "\x00", "MJD", "60000", "#", "99999999999999999999", "2024-10-27 02:30:00", "=1+1", "x", "y",
    "radius", "ra", "dec", "=", "[", "]", "{", "}", "'", "temperature", "humidity", "true", "-",
    "[camera]", "[[filter]]", "name", "width", "- {name: file, datatype: string}", "# %ECSV 1.0",
    "# ---", "datatype: object", "subtype: json", "__import__('os')", "!!python/object:os.system",
    "\ud7ff", "\x1b[2J", "../../x", "inf", "1970-01-01", "9999-12-31T23:59:60", "24:00",
)  # fmt: skip


SUMMARY = (
    '{"settings": {"clip": 3.0}, "stages": {"sort": true}, "left_out": [],'
    '"notes": [{"code": "log rows", "text": "line 4"}],'
    '"groups": [{"label": "L", "filter": "L", "fwhm": {"deep": 2.5}, "advice": ["none"]}]}'
)


def _header() -> fits.Header:
    cards = {
        "DATE-OBS": "2026-02-11T20:00:00", "EXPTIME": 60.0, "FILTER": "L", "GAIN": 100,
        "EGAIN": 0.8, "XBINNING": 1, "SATURATE": 60000, "XPIXSZ": 3.8, "FOCALLEN": 560,
        "CTYPE1": "RA---TAN", "CTYPE2": "DEC--TAN", "CRVAL1": 10.0, "CRVAL2": 40.0,
        "CRPIX1": 10.0, "CRPIX2": 8.0, "CD1_1": -4e-4, "CD1_2": 0.0, "CD2_1": 0.0, "CD2_2": 4e-4,
        "FRAM0001": "a.fits", "REJ00001": 0.1, "NOTE0001": "[not stacked] a note", "HEATER": 50,
    }  # fmt: skip
    return fits.Header(cards)


def _fits_bytes(hdus: list[Any], **options: Any) -> bytes:
    stream = io.BytesIO()
    fits.HDUList(hdus).writeto(stream, **options)
    return stream.getvalue()


def fits_seeds() -> list[tuple[str, bytes]]:
    """Sound FITS files of every kind that is read, small."""
    rng = np.random.default_rng(3)
    whole = rng.integers(0, 60000, (16, 20)).astype(np.uint16)
    real = rng.normal(100, 5, (16, 20)).astype(np.float32)
    head = _header()
    layers = [fits.ImageHDU(real, name="WEIGHT"), fits.ImageHDU(whole, name="COVERAGE")]
    plain = _fits_bytes([fits.PrimaryHDU(whole, head)], checksum=True)
    table = fits.BinTableHDU(Table({"a": np.arange(5), "b": ["x"] * 5}))
    packed = fits.CompImageHDU(whole, head, compression_type="RICE_1")
    loose = fits.CompImageHDU(real, head, compression_type="GZIP_2")
    return [
        (".fits", plain),
        (".fits", _fits_bytes([fits.PrimaryHDU(real, head), *layers])),
        (".fits", _fits_bytes([fits.PrimaryHDU(real.astype(float), head)])),
        (".fits", _fits_bytes([fits.PrimaryHDU(np.stack([real] * 3), head)])),
        (".fits", _fits_bytes([fits.PrimaryHDU(None, head), fits.ImageHDU(whole)])),
        (".fits", _fits_bytes([fits.PrimaryHDU(), table])),
        (".fits.fz", _fits_bytes([fits.PrimaryHDU(), packed], checksum=True)),
        (".fits.fz", _fits_bytes([fits.PrimaryHDU(), loose])),
        (".fits.gz", gzip.compress(plain, mtime=0)),
    ]


def tiff_seeds(folder: Path) -> list[tuple[str, bytes]]:
    """Sound TIFF files."""
    rng = np.random.default_rng(4)
    found = []
    for shape in ((16, 20), (3, 16, 20)):
        path = folder / "seed.tif"
        _write_picture(path, rng.uniform(0, 1, shape).astype(np.float32), fits.Header())
        found.append((".tif", path.read_bytes()))
        path.unlink()
    return found


def text_seeds() -> list[tuple[str, bytes]]:
    """Sound texts of every kind that is read."""
    times = [f"2024-03-14T18:{m:02d}:00Z" for m in range(0, 40, 2)]
    log = "time,heater power\n" + "\n".join(f"{t},{30 * (k % 3)}" for k, t in enumerate(times))
    spans = "from;to;power\n" + "\n".join(f"{a};{b};40" for a, b in itertools.pairwise(times))
    amps = "date\ttime\tamps\n" + "\n".join(
        f"2024-03-14\t18:{m:02d}:00\t{1 + m % 2}" for m in range(40)
    )
    weather = "time,temperature,humidity\n" + "\n".join(f"{t},3.5,88" for t in times)
    stream = io.StringIO()
    table = Table({"file": ["a.fits", "b.fits"], "group": ["L", "L"], "sharp_set": [True, False],
                   "deep_set": [True, True], "weight_sharp": [1.0, 0.0], "weight_deep": [1.0, 1.0],
                   "reason": ["", "cloud"], "fwhm": [2.0, np.nan]})  # fmt: skip
    table.write(stream, format="ascii.ecsv")
    scenario = (
        "start = 2026-02-11T20:00:00Z\nseed = 1\n[camera]\nwidth = 64\nheight = 64\n"
        '[[filter]]\nname = "L"\n[[run]]\nfilter = "L"\nexposure = 60.0\ncount = 2\n'
    )
    return [(".csv", text.encode()) for text in (
        log, spans, amps, weather, "x,y,radius\n1,2,3\n4,5,6\n", "a.fits\nb.fits\n", scenario,
        'clip = 3.0\nlog_zone = "UTC"\nkeep_in = ["a.fits"]\n', SUMMARY, stream.getvalue(),
    )]  # fmt: skip


def _card(rng: random.Random) -> bytes:
    key, value = rng.choice(KEYS), rng.choice(AWKWARD)
    text = f"{key:8s}= {value:>20s}" if rng.random() < 0.9 else f"{key:8s}{value}"
    return text.encode("latin-1", "replace")[:80].ljust(80)


def damage(data: bytes, pool: list[bytes], rng: random.Random, *, cards: bool) -> bytes:
    """One or several changes to a sound file."""
    made = bytearray(data)
    for _ in range(rng.choice((1, 1, 1, 2, 3, 8))):
        if not made:
            break
        at = rng.randrange(len(made))
        what = rng.randrange(9)
        if what == 0:
            made[at] = rng.randrange(256)
        elif what == 1:
            made[at] ^= 1 << rng.randrange(8)
        elif what == 2:
            del made[at:]
        elif what == 3:
            del made[at : at + rng.choice((1, 80, 2880, rng.randrange(1, 400)))]
        elif what == 4:
            made[at:at] = rng.randbytes(rng.choice((1, 4, 80, 2880)))
        elif what == 5:
            other = rng.choice(pool)
            made[at:] = other[rng.randrange(len(other)) :]
        elif what == 6:
            made[at:at] = made[at : at + rng.choice((80, 400, 2880))]
        elif cards:
            # A card is replaced where its keyword stands, else where another stands.
            card = _card(rng)
            where = made.find(card[:9])
            if where < 0 or what == 7:
                where = at // 80 * 80 if rng.random() < 0.3 else 80 * rng.randrange(3, 30)
            made[where : where + 80] = card
        else:
            made[at : at + rng.choice((0, 1, 4))] = rng.choice(WORDS).encode("utf-8", "ignore")
    return bytes(made)


def invent(rng: random.Random) -> bytes:
    """A text of words that mean something to one reader or another."""
    return "".join(rng.choice(WORDS) for _ in range(rng.randrange(60))).encode("utf-8", "ignore")


def picture_readers(path: Path) -> list[tuple[str, Callable[[], Any]]]:
    """Everything that may be handed a picture."""
    return [
        ("headers", lambda: read_frames([path], power_keyword="HEATER")),
        ("image", lambda: read_image(path)),
        ("rows", lambda: read_image(path, rows=slice(2, 5))),
        ("sums", lambda: verify_sums(path)),
        ("stack", lambda: read_stack(path)),
        ("picture", lambda: read_picture(path)),
        ("grid", lambda: make_grid(path)),
    ]


def text_readers(
    path: Path, rng: random.Random, sound_table: bytes
) -> list[tuple[str, Callable[[], Any]]]:
    """Everything that may be handed a text."""
    form, zone = rng.choice(FORMS), rng.choice((None, "Europe/Berlin", "-07:00"))
    start = rng.choice((None, "2024-03-14T18:00:00"))
    night = path.parent / "night"
    night.mkdir(exist_ok=True)
    table, summary = night / "frames.ecsv", night / "night.json"
    for target, sound in ((table, sound_table), (summary, SUMMARY.encode())):
        target.write_bytes(path.read_bytes() if rng.random() < 0.5 else sound)
    settings = path.with_suffix(rng.choice((".json", ".toml")))
    settings.write_bytes(path.read_bytes())
    readers: list[tuple[str, Callable[[], Any]]] = [
        ("log", lambda: read_heater_log(path)),
        ("log, told", lambda: read_heater_log(path, LogOptions(form=form, zone=zone, start=start))),
        ("forecast", lambda: read_forecast(path)),
        ("places", lambda: read_places(path)),
        ("settings", lambda: read_settings(settings)),
        ("scenario", lambda: read_scenario(path)),
        ("list", lambda: find_frames([f"@{path}"])),
        ("sorted", lambda: read_sorted(night)),
    ]
    if rng.random() < 0.05:  # slow: pictures are drawn
        readers.append(("report", lambda: write_report(night)))
    return readers


class _SlowError(BaseException):
    pass


def _too_slow(number: int, frame: object) -> None:
    raise _SlowError


def run(reader: Callable[[], Any]) -> tuple[str, str, str]:
    """The outcome in a word; a fault's place in the code and its text ("" if there is none)."""
    begin, before = time.monotonic(), resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    signal.alarm(SECONDS)
    outcome, place, fault = "read", "", ""
    try:
        with warnings.catch_warnings(record=True) as caught:
            warnings.simplefilter("always")
            reader()
    except FramesortError as error:
        outcome = type(error).__name__
        if "\n" in str(error):
            place, fault = _place(error), f"a message of several lines: {error!r}"
    except BaseException as error:  # what comes out is what is looked for
        place, fault = _place(error), f"{type(error).__name__}: {str(error)[:300]}"
    finally:
        signal.alarm(0)
    foreign = [w for w in caught if not issubclass(w.category, FramesortWarning)]
    if foreign and not fault:
        place = f"{foreign[0].filename}:{foreign[0].lineno}"
        fault = f"{foreign[0].category.__name__}: {str(foreign[0].message)[:300]}"
    grown = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before
    if grown * 1024 > MEMORY and not fault:
        place, fault = "memory", f"took {grown // 1024} MiB"
    if fault:
        outcome = "fault"
    elif time.monotonic() - begin > 2:
        outcome = "slow (over 2 s)"
    return outcome, place, fault


def _place(error: BaseException) -> str:
    """Where an exception came from: the last lines of this library and of all."""
    frames = traceback.extract_tb(error.__traceback__)
    own = [f for f in frames if "framesort" in f.filename and "bench" not in f.filename]
    return " < ".join(f"{Path(f.filename).name}:{f.lineno}" for f in (*frames[-1:], *own[-2:]))


def main() -> int:
    """Fuzz for a number of inputs or minutes; exit status 1 if a fault was found."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--inputs", type=int, default=100_000)
    parser.add_argument("--minutes", type=float, default=1e9)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--kinds", default="fits,tiff,text")
    parser.add_argument("--keep", type=Path, default=Path("fuzz_readers"))
    options = parser.parse_args()
    options.keep.mkdir(parents=True, exist_ok=True)
    # A header that asks for far too much must fail here, not fill the machine.
    resource.setrlimit(resource.RLIMIT_AS, (6 << 30, 6 << 30))
    signal.signal(signal.SIGALRM, _too_slow)
    rng = random.Random(options.seed)
    seeds = {
        "fits": fits_seeds(),
        "tiff": tiff_seeds(options.keep),
        "text": text_seeds(),
    }
    kinds = options.kinds.split(",")
    outcomes: Counter[str] = Counter()
    faults: dict[str, int] = {}
    end = time.monotonic() + options.minutes * 60
    done = calls = 0
    while done < options.inputs and time.monotonic() < end:
        kind = kinds[done % len(kinds)]
        ending, sound = rng.choice(seeds[kind])
        pool = [data for _, data in seeds[kind]]
        if kind == "text":
            data = invent(rng) if rng.random() < 0.2 else damage(sound, pool, rng, cards=False)
        elif rng.random() < 0.02:
            data = rng.randbytes(rng.randrange(4000))
        elif ending == ".fits.gz" and rng.random() < 0.5:
            data = gzip.compress(damage(pool[0], pool, rng, cards=True), mtime=0)
        else:
            data = damage(sound, pool, rng, cards=kind == "fits")
        path = options.keep / f"input{ending}"
        path.write_bytes(data)
        readers = (
            text_readers(path, rng, seeds["text"][-1][1])
            if kind == "text"
            else picture_readers(path)
        )
        for name, reader in readers:
            outcome, place, fault = run(reader)
            calls += 1
            outcomes[f"{name}: {outcome}"] += 1
            if fault:
                digest = hashlib.md5(f"{name}{place}{fault[:20]}".encode()).hexdigest()[:10]
                if digest not in faults:
                    print(f"{name}: {fault}\n  at {place}, kept as {digest}{ending}", flush=True)
                    (options.keep / f"{digest}{ending}").write_bytes(data)
                faults[digest] = faults.get(digest, 0) + 1
        path.unlink()
        done += 1
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
    for name, count in sorted(outcomes.items()):
        print(f"{count:8d}  {name}")
    found = f"{sum(faults.values())} faults of {len(faults)} kinds"
    print(f"{done} inputs (seed {options.seed}), {calls} readings, {found}, {peak} MiB at most")
    return int(bool(faults))


if __name__ == "__main__":
    raise SystemExit(main())
