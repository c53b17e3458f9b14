"""A night's frames measured: damaged files, cache, order, columns, transparency."""

from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from astropy.io import fits
from astropy.table import Table

from framesort.errors import QualityWarning
from framesort.quality import add_quality_columns, measure_frames, measure_transparency
from framesort.records import COLUMNS, FrameQuality, add_column
from framesort.simulation import read_scenario, simulate_night
from framesort.stars import find_stars, measure_image
from framesort.workers import open_executor


def sky(rng, *, dim=1.0, shift=(0.0, 0.0), turn=False, size=320, seed=1):
    """A frame of the same stars: dimmed, shifted, turned by half a turn."""
    places = np.random.default_rng(seed)
    x, y = places.uniform(-60, size + 60, (2, 220))
    flux = 10 ** (3.3 + places.exponential(0.4, 220))
    x, y = x + shift[0], y + shift[1]
    if turn:
        x, y = size - 1 - x, size - 1 - y
    image = rng.normal(200, 4, (size, size))
    yy, xx = np.mgrid[:size, :size]
    for px, py, f in zip(x, y, flux, strict=True):
        if -9 < px < size + 9 and -9 < py < size + 9:
            a, b = max(0, int(px) - 12), max(0, int(py) - 12)
            cut = (slice(b, int(py) + 13), slice(a, int(px) + 13))
            r2 = (xx[cut] - px) ** 2 + (yy[cut] - py) ** 2
            image[cut] += dim * f / (2 * np.pi * 1.2**2) * np.exp(-0.5 * r2 / 1.2**2)
    return image.astype(np.float32)


@pytest.fixture
def frames(tmp_path):
    rng = np.random.default_rng(0)
    paths = []
    for k, dim in enumerate((1.0, 0.6, 1.0)):
        path = tmp_path / f"light_{k}.fits"
        fits.writeto(path, sky(rng, dim=dim, shift=(3.0 * k, -2.0 * k)))
        paths.append(path)
    return paths


def same(one: FrameQuality, two: FrameQuality) -> bool:
    return (
        one.fwhm == two.fwhm
        and np.array_equal(one.spike_profile, two.spike_profile, equal_nan=True)
        and one.star_list.colnames == two.star_list.colnames
        and all(
            np.array_equal(one.star_list[n], two.star_list[n], equal_nan=n != "saturated")
            for n in ("x", "flux", "saturated")
        )
        and one.star_list.meta == two.star_list.meta
        and one.reason == two.reason
    )


def test_a_damaged_frame_is_a_value_with_a_reason(frames, tmp_path):
    broken = tmp_path / "broken.fits"
    broken.write_bytes(frames[0].read_bytes()[:20000])
    text = tmp_path / "notes.fits"
    text.write_text("not an image")
    blank = tmp_path / "blank.fits"
    fits.writeto(blank, np.zeros((100, 100), np.float32))
    planes = tmp_path / "planes.fits"
    fits.writeto(planes, np.zeros((3, 50, 50), np.float32))
    paths = [frames[0], broken, tmp_path / "gone.fits", text, blank, planes]
    with pytest.warns(QualityWarning, match=r"(broken|notes)\.fits"):
        qualities = measure_frames(paths)
    assert [q.reason for q in qualities] == [
        "", "unreadable", "vanished", "unreadable", "few stars", "colour frame",
    ]  # fmt: skip
    assert qualities[0] and not qualities[1]
    assert np.isnan(qualities[1].fwhm)


def test_order_and_result_do_not_depend_on_the_workers(frames):
    alone = measure_frames(frames)
    with ThreadPoolExecutor(2) as pool:
        shared = measure_frames(frames, executor=pool)
    assert all(same(a, b) for a, b in zip(alone, shared, strict=True))
    turned = measure_frames(frames[::-1])
    assert all(same(a, b) for a, b in zip(alone, turned[::-1], strict=True))


def counting_measurer(image, *, saturation=None):
    counting_measurer.calls.append(saturation)
    return measure_image(image, saturation=saturation)


def test_cache_is_used_renewed_and_repaired(frames, tmp_path):
    folder = tmp_path / "cache"
    counting_measurer.calls = []
    first = measure_frames(frames, cache=folder, measurer=counting_measurer)
    again = measure_frames(frames, cache=folder, measurer=counting_measurer)
    assert len(counting_measurer.calls) == 3
    assert all(same(a, b) for a, b in zip(first, again, strict=True))
    # Another setting, another content: measured anew. Another name: not.
    measure_frames(frames[:1], cache=folder, saturation=60000.0, measurer=counting_measurer)
    assert counting_measurer.calls[3:] == [60000.0]
    moved = frames[0].rename(tmp_path / "renamed.fits")
    measure_frames([moved], cache=folder, measurer=counting_measurer)
    assert len(counting_measurer.calls) == 4
    # Damaged, empty and foreign entries are rebuilt.
    kept = sorted(folder.glob("*.npz"))
    assert len(kept) == 4
    kept[0].write_bytes(kept[0].read_bytes()[:300])
    kept[1].write_bytes(b"")
    kept[2].write_bytes(kept[3].read_bytes())
    third = measure_frames([moved, *frames[1:]], cache=folder, measurer=counting_measurer)
    assert len(counting_measurer.calls) >= 6
    assert all(same(a, b) for a, b in zip(first, third, strict=True))
    assert not list(folder.glob(".*"))


def test_a_cache_that_cannot_be_written_is_one_warning(frames, tmp_path):
    blocked = tmp_path / "cache"
    blocked.write_text("a file where the folder should be\n")
    with pytest.warns(QualityWarning) as caught:
        results = measure_frames(frames, cache=blocked)
    (note,) = [warning.message.args[0] for warning in caught]
    assert note.code == "not kept" and list(note.files) == [str(path) for path in frames]
    assert f"{blocked}: cannot be written (" in note
    assert f"{len(frames)} of {len(frames)} measurements are used but not kept" in note
    assert [r.fwhm for r in results] == [r.fwhm for r in measure_frames(frames)]


def test_saturation_one_a_frame(frames):
    counting_measurer.calls = []
    measure_frames(frames, saturation=[None, np.nan, 4000], measurer=counting_measurer)
    assert counting_measurer.calls == [None, None, 4000.0]
    with pytest.raises(ValueError, match="one value a frame, got 2 for 3"):
        measure_frames(frames, saturation=[1.0, 2.0])


def failing_measurer(image, *, saturation=None):
    raise RuntimeError("no lens cap off")


def test_a_failing_measurer_ends_no_night(frames):
    with pytest.warns(QualityWarning, match="no lens cap off"):
        qualities = measure_frames(frames[:1], measurer=failing_measurer)
    assert qualities[0].reason == "measurer failed"


def test_columns(frames):
    qualities = [*measure_frames(frames), FrameQuality(reason="unreadable")]
    table = Table({"file": ["a", "b", "c", "d"]})
    add_column(table, "reason", ["", "heated", "", "heated"])
    add_quality_columns(table, qualities)
    assert list(table["reason"]) == ["", "heated", "", "heated; unreadable"]
    for name in ("stars", "fwhm", "spike_raw", "spike_raw_angle", "sky", "noise"):
        assert table[name].unit == COLUMNS[name].unit
    assert table["fwhm"][0] == pytest.approx(np.sqrt(1.2**2) * 2.3548, rel=0.02)
    assert np.isnan(table["fwhm"][3]) and table["stars"][3] == 0
    with pytest.raises(ValueError, match="got 1 for 4 rows"):
        add_quality_columns(table, qualities[:1])


def test_transparency_of_known_dimming():
    rng = np.random.default_rng(4)
    dims = [1.0, 0.5, 0.8, 1.0, 0.3, 1.0, 0.9]
    shifts = [(0, 0), (10, -15), (40, 30), (-50, 20), (5, 5), (0, 0), (60, -50)]
    qualities = [
        measure_image(sky(rng, dim=d, shift=s, turn=k == 5))
        for k, (d, s) in enumerate(zip(dims, shifts, strict=True))
    ]
    qualities.append(FrameQuality(reason="few stars"))
    qualities.append(measure_image(sky(rng, seed=99)))  # another field
    other = [measure_image(sky(rng, dim=0.2))]  # another group: its own reference frames
    result = measure_transparency(qualities + other, ["a"] * 9 + ["b"])
    # The flux of some 40 matched stars of S/N 20 to 100 is known to half a percent.
    assert result[:7] == pytest.approx(np.array(dims), rel=0.02)
    assert np.isnan(result[7]) and np.isnan(result[8])
    assert result[9] == pytest.approx(1)


def test_kept_ratios_give_the_same_transparency(tmp_path, monkeypatch):
    rng = np.random.default_rng(7)
    qualities = [measure_image(sky(rng, dim=dim)) for dim in (1.0, 0.8, 0.6)]
    plain = measure_transparency(qualities, ["a"] * 3)
    first = measure_transparency(qualities, ["a"] * 3, cache=tmp_path)
    monkeypatch.setattr("framesort.quality._transparency.match_star_lists", None)  # not called
    again = measure_transparency(qualities, ["a"] * 3, cache=tmp_path)
    np.testing.assert_array_equal(plain, first)
    np.testing.assert_array_equal(plain, again)


def test_transparency_is_the_same_from_other_processes():
    rng = np.random.default_rng(7)
    qualities = [measure_image(sky(rng, dim=dim)) for dim in (1.0, 0.8, 0.6)]
    with open_executor(2) as pool:
        spread = measure_transparency(qualities, ["a"] * 3, executor=pool)
    np.testing.assert_array_equal(spread, measure_transparency(qualities, ["a"] * 3))


def test_damaged_or_foreign_ratios_are_made_again(tmp_path):
    rng = np.random.default_rng(7)
    qualities = [measure_image(sky(rng, dim=dim)) for dim in (1.0, 0.6)]
    plain = measure_transparency(qualities, ["a"] * 2)
    for text in ("", "[1]", '{"a b": "x"}', "{"):
        (tmp_path / "ratios.json").write_text(text)
        result = measure_transparency(qualities, ["a"] * 2, cache=tmp_path)
        np.testing.assert_array_equal(plain, result)
    other = [measure_image(sky(rng, dim=dim)) for dim in (1.0, 0.7)]
    assert measure_transparency(other, ["a"] * 2, cache=tmp_path)[1] != plain[1]


def test_ratios_in_a_folder_that_cannot_be_written(tmp_path):
    (tmp_path / "file").write_text("in the place of the cache")
    rng = np.random.default_rng(7)
    qualities = [measure_image(sky(rng, dim=dim)) for dim in (1.0, 0.6)]
    result = measure_transparency(qualities, ["a"] * 2, cache=tmp_path / "file")
    np.testing.assert_array_equal(result, measure_transparency(qualities, ["a"] * 2))


def test_heating_costs_no_transparency():
    # Stars twice as wide hold the same light.
    rng = np.random.default_rng(6)
    sharp = sky(rng)
    places = find_stars(sharp)
    wide = rng.normal(200, 4, sharp.shape)
    yy, xx = np.indices(sharp.shape)
    for x, y, flux in places["x", "y", "flux"]:
        r2 = (xx - x) ** 2 + (yy - y) ** 2
        wide += flux / (2 * np.pi * 1.8**2) * np.exp(-0.5 * r2 / 1.8**2)
    result = measure_transparency(
        [measure_image(sharp), measure_image(wide.astype(np.float32))], ["a", "a"]
    )
    assert result[1] / result[0] == pytest.approx(1, abs=0.02)


def test_transparency_of_a_night_that_drifts_and_is_heated(tmp_path):
    (tmp_path / "night.toml").write_text("""
    start = 2024-10-14T20:12:00Z
    seed = 4
    camera = {width = 480, height = 360, hot_pixels = 20}
    stars = {count = 300}
    sky = {extinction = 0.3, scatter = 0.05}
    mount = {drift = 40.0}
    heater = {events = [[4.0, 100]]}
    filter = [{name = "L"}]
    run = [{filter = "L", exposure = 60.0, count = 8}]
    """)
    truth = simulate_night(read_scenario(tmp_path / "night.toml"), tmp_path / "night")
    qualities = measure_frames([tmp_path / "night" / str(file) for file in truth["file"]])
    assert all(qualities)
    result = measure_transparency(qualities, ["a"] * len(qualities))
    expected = np.asarray(truth["transparency"])
    assert np.ptp(expected) > 0.05
    # The scale is that of the best frames; the spike of heated stars takes a few percent of their
    # light out of the profile.
    ratio = result / expected
    assert np.ptp(ratio) < 0.06 * np.median(ratio)
