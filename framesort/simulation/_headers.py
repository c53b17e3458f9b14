"""Headers of simulated frames, by the FITS Standard 4.0."""

from datetime import UTC, datetime

from astropy.io import fits

import framesort
from framesort.simulation._scenario import Scenario

__all__ = ["frame_header"]


def frame_header(
    scenario: Scenario, *, start: float, exposure: float, kind: str, filter_name: str
) -> fits.Header:
    """Header of a frame by the FITS Standard 4.0; times in UTC."""
    camera, header = scenario.camera, fits.Header()

    def stamp(seconds: float) -> str:
        moment = datetime.fromtimestamp(round(seconds, 3), UTC)
        return moment.strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3]

    header["BUNIT"] = "adu"
    header["TIMESYS"] = ("UTC", "time scale of all times here")
    header["DATE-OBS"] = (stamp(start), "start of the exposure")
    header["DATE-END"] = (stamp(start + exposure), "end of the exposure")
    header["EXPTIME"] = (exposure, "[s] exposure time")
    header["IMAGETYP"] = kind
    if camera.pattern != "none":
        header["BAYERPAT"] = (camera.pattern, "colours from pixel (1, 1) along x, then up")
        header["XBAYROFF"] = (0, "offset of the pattern along x")
        header["YBAYROFF"] = (0, "offset of the pattern along y")
        header["ROWORDER"] = ("BOTTOM-UP", "first row of the file is the lowest")
    elif filter_name:
        header["FILTER"] = filter_name
    header["OBJECT"] = scenario.object if kind == "light" else kind
    header["OBSERVER"] = scenario.observer
    header["SITENAME"] = scenario.site
    header["TELESCOP"] = scenario.telescope
    header["INSTRUME"] = "simulated camera"
    header["FOCALLEN"] = (camera.focal_length, "[mm] focal length")
    header["APTDIA"] = (camera.aperture, "[mm] diameter of the front opening")
    header["XPIXSZ"] = (camera.pixel_size, "[um] pixel size")
    header["YPIXSZ"] = (camera.pixel_size, "[um] pixel size")
    header["PIXSCALE"] = (
        round(206.264806 * camera.pixel_size / camera.focal_length, 5),
        "[arcsec] image scale of a pixel",
    )
    header["XBINNING"] = (camera.binning, "pixels read as one, along x")
    header["YBINNING"] = (camera.binning, "pixels read as one, along y")
    header["EGAIN"] = (camera.gain, "[e/adu] electrons per count")
    header["RDNOISE"] = (camera.read_noise, "[e] read noise")
    header["SATURATE"] = (camera.saturation, "[adu] level at which pixels saturate")
    header["CCD-TEMP"] = (camera.temperature, "[deg C] sensor temperature")
    header["SWCREATE"] = f"framesort {framesort.__version__} simulation"
    return header
