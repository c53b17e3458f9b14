"""Masters: the arithmetic against ccdproc on the same frames, what is refused, what stays right."""

import hashlib
import pickle
import warnings

import ccdproc
import numpy as np
import pytest
from astropy import units as u
from astropy.io import fits
from astropy.nddata import CCDData

from framesort.errors import InputError
from framesort.frames import make_reader, read_frames, read_masters
from framesort.quality import measure_frames

SHAPE = (60, 84)
CARDS = {"EXPTIME": 60.0, "FILTER": "L", "GAIN": 120, "CCD-TEMP": -10.0, "XBINNING": 1}


@pytest.fixture
def camera(tmp_path):
    """Writes frames of one simulated camera and keeps their pixels."""
    rng = np.random.default_rng(4)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    vignette = 1.1 - 0.4 * ((x - 42) ** 2 + (y - 30) ** 2) / 42**2
    kept = {
        "bias": 500 + rng.normal(0, 2, SHAPE).astype("f4"),
        "dark": rng.exponential(4.0, SHAPE).astype("f4"),  # of 60 s, without bias
        "flat": (21000 * vignette).astype("f4"),
        "light": rng.normal(1500, 20, SHAPE).round().astype("u2"),
    }

    def write(name, pixels, **cards):
        path = tmp_path / name
        header = fits.Header({"DATE-OBS": "2026-02-11T20:00:00"} | CARDS | cards)
        fits.PrimaryHDU(pixels, header).writeto(path, overwrite=True)
        return path

    return kept, write


def by_ccdproc(kept, exposure=60.0, scale=False):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        frame = CCDData(kept["light"].astype(float), unit="adu")
        bias, dark, flat = (
            CCDData(kept[k].astype(float), unit="adu") for k in ("bias", "dark", "flat")
        )
        frame = ccdproc.subtract_bias(frame, bias)
        frame = ccdproc.subtract_dark(
            frame, dark, data_exposure=exposure * u.s, dark_exposure=60 * u.s, scale=scale
        )
        return ccdproc.flat_correct(frame, flat).data


@pytest.mark.parametrize("dark_holds_bias", [False, True])
@pytest.mark.parametrize("exposure", [60.0, 150.0])
def test_same_as_ccdproc(camera, dark_holds_bias, exposure):
    kept, write = camera
    light = write("light.fits", kept["light"], EXPTIME=exposure)
    dark = kept["dark"] + (kept["bias"] if dark_holds_bias else 0)
    masters = read_masters(
        bias=[write("b.fits", kept["bias"], EXPTIME=0.0)],
        dark=[write("d.fits", dark)],
        flat=[write("f.fits", kept["flat"], EXPTIME=2.0)],
    )
    reader, notes = make_reader([light], masters)
    want = by_ccdproc(kept, exposure, scale=exposure != 60)
    # float32 of values near 1500: 24 bits are 1e-4 ADU, a few roundings.
    np.testing.assert_allclose(reader(light)[0], want, atol=1e-3)
    for rows in (slice(0, 1), slice(7, 22), slice(59, 60), slice(3, None, 5)):
        np.testing.assert_allclose(reader(light, rows=rows)[0], want[rows], atol=1e-3)
    assert any("holds the bias" in note for note in notes) is dark_holds_bias
    assert any("scaled by 2.5" in note for note in notes) is (exposure == 150)


def test_calibrated_in_bands_as_at_once(camera, monkeypatch):
    kept, write = camera
    raw = kept["light"].copy()
    raw[14:18, 40:43] = 60000  # across two bands; no header says that it is the highest
    light = write("light.fits", raw)
    masters = read_masters(
        bias=[write("b.fits", kept["bias"], EXPTIME=0.0)],
        dark=[write("d.fits", kept["dark"])],
        flat=[write("f.fits", kept["flat"], EXPTIME=2.0, BAYERPAT="RGGB")],
    )
    reader, _ = make_reader([light], masters)
    whole, _ = reader(light)
    monkeypatch.setattr("framesort.frames._calibrate.BAND", 16)
    np.testing.assert_array_equal(reader(light)[0], whole)
    assert np.unique(whole[raw == 60000]).size == 1


def test_packed_masters_and_flats_with_bias(camera, tmp_path):
    kept, write = camera
    light = write("light.fits", kept["light"])
    bias = kept["bias"].round().astype("i2")  # whole numbers are packed without loss
    fits.HDUList([fits.PrimaryHDU(), fits.CompImageHDU(bias, fits.Header(CARDS))]).writeto(
        tmp_path / "b.fits.fz"
    )
    raw_flat = write("f.fits.gz", kept["flat"] + bias)
    masters = read_masters(bias=[tmp_path / "b.fits.fz"], flat=[raw_flat], flat_has_bias=True)
    reader, _ = make_reader([light], masters)
    flat = kept["flat"] / kept["flat"].mean(dtype=float)
    want = (kept["light"] - bias.astype(float)) / flat
    np.testing.assert_allclose(reader(light, rows=slice(5, 25))[0], want[5:25], rtol=1e-5)
    alone = read_masters(flat=[raw_flat], flat_has_bias=True)
    with pytest.raises(InputError, match="needs a master bias to subtract"):
        make_reader([light], alone)


@pytest.mark.parametrize(
    ("kind", "cards", "message"),
    [
        ("bias", {"XBINNING": 2}, "binning 2 against 1"),
        ("bias", {"GAIN": 0}, "gain 0 against 120"),
        ("dark", {"CCD-TEMP": -5.0}, "sensor at -5 °C against -10 °C"),
        ("dark", {"EXPTIME": 300.0}, "300 s against 60 s, and it can be scaled only with"),
        ("flat", {"FILTER": "Ha"}, "filter Ha against L"),
        ("flat", {"BAYERPAT": "GRBG"}, "filter array GRBG against RGGB"),
        ("flat", {"half": True}, "84 x 30 pixels against 84 x 60"),
    ],
)
def test_refused_in_one_clear_line(camera, kind, cards, message):
    kept, write = camera
    pattern = {"BAYERPAT": "RGGB"} if "BAYERPAT" in cards else {}
    light = write("light.fits", kept["light"], **pattern)
    cards = dict(cards)
    pixels = kept[kind][:30] if cards.pop("half", False) else kept[kind]
    master = write(f"{kind}.fits", pixels, **cards)
    with pytest.raises(InputError, match=message) as caught:
        make_reader([light], read_masters(**{kind: [master]}))
    assert str(caught.value).startswith(f"{master}: this master {kind} does not fit {light}")
    assert "\n" not in str(caught.value)


def test_the_master_of_each_filter_and_exposure(camera):
    kept, write = camera
    lights = [
        write(f"{name}-{seconds}.fits", kept["light"], FILTER=name, EXPTIME=float(seconds))
        for name in ("L", "Ha")
        for seconds in (60, 300)
    ]
    flats = [write(f"f{n}.fits", kept["flat"], FILTER=n, EXPTIME=2.0) for n in ("L", "Ha")]
    darks = [write(f"d{s}.fits", kept["dark"], EXPTIME=float(s)) for s in (60, 300)]
    reader, _ = make_reader(lights, read_masters(dark=darks, flat=flats))
    for path, recipe in reader.recipes.items():
        name, seconds = path.rsplit("/", 1)[1].removesuffix(".fits").split("-")
        assert recipe.flat.endswith(f"f{name}.fits")
        assert recipe.dark.endswith(f"d{seconds}.fits") and recipe.scale == 1
    with pytest.raises(InputError, match="both fit"):
        make_reader(lights, read_masters(flat=[flats[0], write("twice.fits", kept["flat"])]))


def test_saturated_pixels_stay_known(camera):
    kept, write = camera
    raw = kept["light"].astype("u2")
    full = np.zeros(SHAPE, dtype=bool)
    full[30:33, 40:43] = full[2, 3] = full[50:52, 5] = True  # flat above and below its mean
    raw[full] = 60000
    raw[10, 10] = 59000  # high, in a dim corner: above the level once divided by the flat
    light = write("light.fits", raw, SATURATE=60000.0)
    masters = read_masters(
        bias=[write("b.fits", kept["bias"])], flat=[write("f.fits", kept["flat"])]
    )
    reader, _ = make_reader([light], masters)
    level = reader.level(light)
    # What is left of the level once the bias is taken off.
    assert level == pytest.approx(60000 - np.median(kept["bias"]), abs=0.01)
    pixels = reader(light)[0]
    assert np.all(pixels[full] == np.float32(level)) and pixels.max() == np.float32(level)
    others = ~full & (raw < 50000)
    assert np.all(pixels[others] < level)
    # Without a level in the header the pile-up in the raw pixels tells.
    silent = write("silent.fits", raw)
    told = make_reader([silent], masters)[0]
    assert np.isnan(told.level(silent))
    assert np.all(told(silent)[0][full] == told(silent)[0].max())


def test_flat_of_a_filter_array_keeps_the_colours(camera):
    kept, write = camera
    # A reddish lamp: divided by one mean, red pixels of the sky would lose light.
    lamp = np.tile([[1.5, 1.0], [1.0, 0.6]], (30, 42))
    flat = write("f.fits", (kept["flat"] * lamp).astype("f4"), BAYERPAT="RGGB")
    light = write("light.fits", np.full(SHAPE, 1000, "u2"), BAYERPAT="RGGB", SATURATE=6e4)
    pixels = make_reader([light], read_masters(flat=[flat]))[0](light)[0]
    shade = kept["flat"]
    for y, x in ((0, 0), (1, 1)):  # red, blue
        cell = (slice(y, None, 2), slice(x, None, 2))
        np.testing.assert_allclose(
            pixels[cell], 1000 * shade[cell].mean(dtype=float) / shade[cell], rtol=1e-5
        )


def test_no_light_in_the_flat_is_no_data(camera):
    kept, write = camera
    flat = kept["flat"].copy()
    flat[4, 5], flat[6, 7] = 0, np.nan
    light = write("light.fits", kept["light"])
    reader, _ = make_reader([light], read_masters(flat=[write("f.fits", flat)]))
    assert list(zip(*np.nonzero(np.isnan(reader(light)[0])), strict=True)) == [(4, 5), (6, 7)]
    with pytest.raises(InputError, match="its median is 0"):
        read_masters(flat=[write("zero.fits", 0 * flat)])


def test_kept_measurements_know_their_masters(camera, tmp_path):
    kept, write = camera
    light = write("light.fits", kept["light"])
    before = hashlib.sha256(light.read_bytes()).hexdigest()
    skies = []
    for shift in (0, 7, 0):
        dark = write("d.fits", kept["dark"] + shift)
        reader, _ = make_reader([light], read_masters(dark=[dark]))
        reader = pickle.loads(pickle.dumps(reader))  # as it goes to another process
        quality = measure_frames([light], cache=tmp_path / "cache", read=reader)[0]
        skies.append(quality.sky)
    assert skies[0] - skies[1] == pytest.approx(7, abs=0.01)
    assert skies[2] == skies[0]
    assert len(list((tmp_path / "cache").iterdir())) == 2
    assert hashlib.sha256(light.read_bytes()).hexdigest() == before


def test_frames_of_three_planes_are_not_calibrated(camera):
    kept, write = camera
    light = write("light.fits", np.stack([kept["light"]] * 3))
    assert read_frames([light])["pattern"][0] == "RGB"
    with pytest.raises(InputError, match="three planes"):
        make_reader([light], read_masters(dark=[write("d.fits", kept["dark"])]))
