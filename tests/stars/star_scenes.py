"""Images with known stars, drawn by galsim or by formula; and their true widths."""

import functools

import galsim
import numpy as np

GSPARAMS = galsim.GSParams(folding_threshold=2e-4, maxk_threshold=1e-4, maximum_fft_size=16384)


def profile(kind: str, fwhm: float, e: float = 0.0, angle: float = 0.0):
    """gauss, kolm or m<index>; distortion e = (a^2 - b^2) / (a^2 + b^2)."""
    if kind == "gauss":
        star = galsim.Gaussian(fwhm=fwhm, gsparams=GSPARAMS)
    elif kind == "kolm":
        # Its wings fall steeply; the finer setting costs seconds a star.
        star = galsim.Kolmogorov(fwhm=fwhm, gsparams=galsim.GSParams(folding_threshold=2e-3))
    else:
        star = galsim.Moffat(beta=float(kind[1:]), fwhm=fwhm, gsparams=GSPARAMS)
    return star.shear(e=e, beta=angle * galsim.degrees) if e else star


@functools.cache
def true_widths(kind: str, fwhm: float) -> tuple[float, float]:
    """FWHM and half-flux radius of the profile with the pixel, off a finely drawn image."""
    fine = 0.05
    size = int(16 * fwhm / fine) | 1
    star = galsim.Convolve(profile(kind, fwhm), galsim.Pixel(1.0))
    image = star.drawImage(nx=size, ny=size, scale=fine, method="no_pixel").array.astype(float)
    c = size // 2
    row = image[c, c:] / image[c, c]
    k = int(np.argmax(row < 0.5))
    width = 2 * fine * (k - 1 + (row[k - 1] - 0.5) / (row[k - 1] - row[k]))
    y, x = np.indices(image.shape)
    radius = np.hypot(x - c, y - c).ravel() * fine
    order = np.argsort(radius)
    return width, float(np.interp(0.5, np.cumsum(image.ravel()[order]), radius[order]))


def trailed(kind: str, fwhm: float, length: float, angle: float):
    """A star that moved evenly on a straight line of `length` pixels."""
    box = galsim.Box(length, 0.02, gsparams=GSPARAMS).rotate(angle * galsim.degrees)
    return galsim.Convolve(profile(kind, fwhm), box, gsparams=GSPARAMS)


def true_shape(star) -> tuple[float, float, float, float]:
    """FWHM, half-flux radius, eccentricity and angle of a profile with the pixel.

    Off a finely drawn image. FWHM is the diameter of the circle with the area above half
    maximum; eccentricity and angle are those of the ellipse with the second moments of that
    area. For an ellipse both are the usual ones.
    """
    whole = galsim.Convolve(star, galsim.Pixel(1.0))
    image = whole.drawImage(nx=801, ny=801, scale=0.05, method="no_pixel", dtype=float).array
    c = 400
    # Every point is shared out between inside and outside by how far it is from the contour.
    slope = np.hypot(*np.gradient(image))
    inside = np.clip(0.5 + (image - image[c, c] / 2) / np.maximum(slope, 1e-300), 0, 1)
    area = inside.sum() * 0.05**2
    y, x = np.indices(image.shape) - c
    xx, xy, yy = ((inside * a * b).sum() for a, b in ((x, x), (x, y), (y, y)))
    root = np.hypot(xx - yy, 2 * xy)
    ratio = (xx + yy - root) / (xx + yy + root)
    angle = np.degrees(0.5 * np.arctan2(2 * xy, xx - yy)) % 180
    radius = np.hypot(x, y).ravel() * 0.05
    order = np.argsort(radius, kind="stable")
    # The flux is 1, also where the image does not hold all of it.
    half = float(np.interp(0.5, np.cumsum(image.ravel()[order]), radius[order]))
    return 2 * float(np.sqrt(area / np.pi)), half, float(np.sqrt(max(1 - ratio, 0))), float(angle)


def star_grid(star, fwhm, snr, *, rng, side=7, noise=10.0, sky=1000.0, step=None):
    """Stars on a grid at random sub-pixel places.

    `snr` is the background-limited signal to noise, F / (noise sqrt(4 pi s^2)), one or a
    range in which it is drawn evenly in its logarithm.
    Returns the image and an array of x, y, flux.
    """
    step = step or int(max(40, 14 * fwhm))
    size = side * step
    image = galsim.ImageD(size, size, scale=1.0)
    stamp = int(max(31, 12 * fwhm)) | 1
    area = 4 * np.pi * ((fwhm / 2.3548) ** 2 + 1 / 12)
    rows = []
    for j in range(side):
        for i in range(side):
            s = snr if np.isscalar(snr) else np.exp(rng.uniform(*np.log(snr)))
            flux = s * noise * np.sqrt(area)
            x, y = (np.array([i, j]) + 0.5) * step + rng.uniform(-0.5, 0.5, 2)
            ix, iy = int(np.floor(x)), int(np.floor(y))
            drawn = star.withFlux(flux).drawImage(
                nx=stamp, ny=stamp, scale=1.0, offset=(x - ix, y - iy)
            )
            drawn.setCenter(ix + 1, iy + 1)
            both = drawn.bounds & image.bounds
            image[both] += drawn[both]
            rows.append((x, y, flux))
    pixels = image.array + rng.normal(sky, noise, image.array.shape)
    return pixels.astype(np.float32), np.array(rows)


def add_moffat(image, x, y, flux, fwhm, *, index=3.0, ratio=1.0, angle=0.0, reach=40):
    """Add a star by the formula of the Moffat profile, sampled at pixel centres."""
    ny, nx = image.shape
    x0, x1 = max(0, int(x) - reach), min(nx, int(x) + reach + 1)
    y0, y1 = max(0, int(y) - reach), min(ny, int(y) + reach + 1)
    if x0 >= x1 or y0 >= y1:
        return
    dy, dx = np.mgrid[y0:y1, x0:x1].astype(float)
    dx, dy = dx - x, dy - y
    t = np.radians(angle)
    u, v = dx * np.cos(t) + dy * np.sin(t), -dx * np.sin(t) + dy * np.cos(t)
    a = fwhm / (2 * np.sqrt(2 ** (1 / index) - 1))
    light = (1 + (u**2 * ratio + v**2 / ratio) / a**2) ** -index
    image[y0:y1, x0:x1] += flux * (index - 1) / (np.pi * a * a) * light


def add_spike(image, x, y, flux, angle, *, length, width, reach=60):
    """Add a two-sided spike: exponential along, Gaussian across, `flux` in all."""
    ny, nx = image.shape
    x0, x1 = max(0, int(x) - reach), min(nx, int(x) + reach + 1)
    y0, y1 = max(0, int(y) - reach), min(ny, int(y) + reach + 1)
    if x0 >= x1 or y0 >= y1:
        return
    dy, dx = np.mgrid[y0:y1, x0:x1].astype(float)
    dx, dy = dx - x, dy - y
    t = np.radians(angle)
    u, v = dx * np.cos(t) + dy * np.sin(t), -dx * np.sin(t) + dy * np.cos(t)
    light = np.exp(-np.abs(u) / length - 0.5 * (v / width) ** 2)
    image[y0:y1, x0:x1] += flux * light / (2 * length * width * np.sqrt(2 * np.pi))


def star_field(
    rng,
    *,
    shape=(600, 700),
    stars=150,
    fwhm=3.0,
    index=3.0,
    noise=10.0,
    sky=500.0,
    spike=0.0,
    angle=62.0,
    ratio=1.0,
    turn=0.0,
    low=3.0,
    top=5.5,
):
    """A field of stars at random places with fluxes like those of the sky (a power law)."""
    image = np.zeros(shape)
    x, y = rng.uniform(0, shape[1], stars), rng.uniform(0, shape[0], stars)
    flux = 10 ** np.minimum(low + rng.exponential(0.6, stars), top)
    for px, py, f in zip(x, y, flux, strict=True):
        add_moffat(image, px, py, f * (1 - spike), fwhm, index=index, ratio=ratio, angle=turn)
        if spike and f > 1e4:
            add_spike(image, px, py, f * spike, angle, length=5 * fwhm, width=fwhm / 2.3548)
    return (image + rng.normal(sky, noise, shape)).astype(np.float32), np.c_[x, y, flux]
