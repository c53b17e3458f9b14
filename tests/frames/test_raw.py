"""Camera raw files: a small DNG written by tifffile, read by rawpy."""

import sys

import numpy as np
import pytest
import tifffile
from astropy import units as u
from astropy.io import fits
from astropy.time import Time

from framesort.errors import FrameError, InputError
from framesort.files import read_image, verify_sums
from framesort.frames import find_frames, make_reader, read_frames, read_masters
from framesort.night import sort_frames
from framesort.settings import Settings
from framesort.simulation import read_scenario, simulate_night

pytest.importorskip("rawpy")

BLACK, WHITE = 512, 16383


def write_dng(path, mosaic, *, seconds=(60, 1), clock="2026:02:11 21:30:05", first=0):
    """A DNG of one strip (Adobe, Digital Negative Specification 1.4), pattern RGGB from the top."""
    cells = ([0, 1, 1, 2], [1, 0, 2, 1], [1, 2, 0, 1])[first]
    matrix = [v for row in np.eye(3, dtype=int) for value in row for v in (int(value), 1)]
    tags = [
        (271, "s", 0, "Simulated", True),
        (272, "s", 0, "Camera", True),
        (306, "s", 0, clock, True),
        (33421, "H", 2, (2, 2), True),  # CFARepeatPatternDim
        (33422, "B", 4, bytes(cells), True),  # CFAPattern
        (33434, "2I", 1, seconds, True),  # ExposureTime
        (50706, "B", 4, bytes([1, 4, 0, 0]), True),  # DNGVersion
        (50707, "B", 4, bytes([1, 1, 0, 0]), True),
        (50708, "s", 0, "Simulated Camera", True),
        (50714, "H", 1, BLACK, True),  # BlackLevel
        (50717, "H", 1, WHITE, True),  # WhiteLevel
        (50721, "2i", 9, tuple(matrix), True),  # ColorMatrix1
        (50728, "2I", 3, (1,) * 6, True),  # AsShotNeutral
        (50778, "H", 1, 21, True),
    ]
    tifffile.imwrite(path, mosaic, photometric=32803, extratags=tags, metadata=None, software=False)


@pytest.fixture
def mosaic():
    return np.random.default_rng(1).integers(BLACK, 4000, (120, 160)).astype(np.uint16)


def test_pixels_are_those_of_the_sensor(tmp_path, mosaic):
    write_dng(tmp_path / "a.dng", mosaic)
    pixels, header = read_image(tmp_path / "a.dng")
    assert pixels.dtype == np.float32
    # The first row of a raw file is the top one, of an image here the lowest.
    assert np.array_equal(pixels, mosaic[::-1])
    assert np.array_equal(read_image(tmp_path / "a.dng", rows=slice(3, 9))[0], mosaic[::-1][3:9])
    assert (header["BLKLEVEL"], header["SATURATE"], header["EXPTIME"]) == (BLACK, WHITE, 60.0)
    assert verify_sums(tmp_path / "a.dng")


@pytest.mark.parametrize(("first", "rows", "pattern"), [(0, 120, "GBRG"), (1, 120, "BGGR"),
                                                        (0, 121, "RGGB")])  # fmt: skip
def test_pattern_from_the_lowest_row(tmp_path, first, rows, pattern):
    # RGGB (or GRBG) from the top: with an even number of rows the lowest is the second kind.
    write_dng(tmp_path / "a.dng", np.full((rows, 160), 600, np.uint16), first=first)
    table = read_frames([tmp_path / "a.dng"], camera_zone="UTC")
    assert table["pattern"][0] == pattern


def test_time_by_the_cameras_zone(tmp_path, mosaic):
    write_dng(tmp_path / "a.dng", mosaic)
    table = read_frames([tmp_path / "a.dng"], camera_zone="Europe/Berlin")
    # Winter: one hour ahead of UTC.
    assert abs((table["start"][0] - Time("2026-02-11T20:30:05")).sec) < 1e-3
    assert table["exposure"][0] == 60.0 and table["saturation"][0] == WHITE
    assert table["reason"][0] == "" and table["group"][0]


@pytest.mark.filterwarnings("ignore::framesort.errors.HeaderWarning")
def test_without_a_zone_the_time_is_unknown(tmp_path, mosaic):
    write_dng(tmp_path / "a.dng", mosaic)
    table = read_frames([tmp_path / "a.dng"])
    assert table["reason"][0] == "no start time"
    assert "--camera-zone" in table.meta["notes"][0]


def test_a_zone_that_is_none(tmp_path, mosaic):
    write_dng(tmp_path / "a.dng", mosaic)
    with pytest.raises(InputError, match="zone 'Berlin/Europe' is not known"):
        read_frames([tmp_path / "a.dng"], camera_zone="Berlin/Europe")


def test_found_in_a_folder_and_read_with_a_dark(tmp_path, mosaic):
    for name in ("a.dng", "b.DNG"):
        write_dng(tmp_path / name, mosaic)
    (tmp_path / "dark").mkdir()
    write_dng(tmp_path / "dark" / "dark.dng", np.full_like(mosaic, BLACK))
    paths = [path for path in find_frames([tmp_path]) if path.parent == tmp_path]
    assert [path.name for path in paths] == ["a.dng", "b.DNG"]
    reader, _ = make_reader(paths, read_masters(dark=[tmp_path / "dark" / "dark.dng"]))
    assert np.array_equal(reader(paths[0])[0], mosaic[::-1] - np.float32(BLACK))
    assert np.array_equal(
        reader(paths[1], rows=slice(7, 20))[0], (mosaic[::-1] - np.float32(BLACK))[7:20]
    )


def test_damaged_files_and_other_kinds(tmp_path, mosaic):
    write_dng(tmp_path / "a.dng", mosaic)
    content = (tmp_path / "a.dng").read_bytes()
    (tmp_path / "b.nef").write_bytes(content[:300])
    (tmp_path / "c.cr2").write_bytes(b"nothing")
    for name in ("b.nef", "c.cr2"):
        with pytest.raises(FrameError, match=rf"{name}: cannot be read as a camera raw file"):
            read_image(tmp_path / name)
    assert list(read_frames([tmp_path / "b.nef"])["reason"]) == ["unreadable"]


def test_without_rawpy_one_line_names_the_package(tmp_path, mosaic, monkeypatch):
    write_dng(tmp_path / "a.dng", mosaic)
    monkeypatch.setitem(sys.modules, "rawpy", None)
    with pytest.raises(FrameError, match=r"pip install 'framesort\[raw\]'"):
        read_image(tmp_path / "a.dng")
    monkeypatch.setattr("framesort.files._raw.find_spec", lambda name: None)
    with pytest.raises(InputError, match=r"a.dng: camera raw files need the package rawpy"):
        read_frames([tmp_path / "a.dng"])


def test_a_night_of_raw_files_is_that_of_fits_files(tmp_path):
    (tmp_path / "night.toml").write_text("""
    start = 2024-10-14T20:12:00Z
    seed = 3
    camera = {width = 320, height = 240, pattern = "RGGB", saturation = 16383.0}
    stars = {count = 120}
    heater = {events = [[3.0, 100]]}
    filter = [{name = "R"}, {name = "G"}, {name = "B"}]
    run = [{filter = "colour", exposure = 60.0, count = 5, pause = 9.0}]
    """)
    simulate_night(read_scenario(tmp_path / "night.toml"), tmp_path / "night")
    (tmp_path / "raw").mkdir()
    for path in (tmp_path / "night" / "frames").glob("*.fits"):
        pixels, header = fits.getdata(path).astype(np.uint16), fits.getheader(path)
        clock = (Time(header["DATE-OBS"]) + 2 * u.hour).strftime("%Y:%m:%d %H:%M:%S")
        # RGGB from the lowest row of an even number is GBRG from the top.
        write_dng(tmp_path / "raw" / f"{path.stem}.dng", pixels[::-1], clock=clock, first=2)
    log = tmp_path / "night" / "heater_power.csv"
    raw = sort_frames(
        [tmp_path / "raw"], heater=log, settings=Settings(camera_zone="Europe/Berlin")
    ).table
    usual = sort_frames([tmp_path / "night" / "frames"], heater=log).table
    assert np.array_equal(raw["pattern"], usual["pattern"])
    assert np.array_equal(raw["fwhm"], usual["fwhm"])
    assert np.array_equal(raw["heater_share"], usual["heater_share"])
