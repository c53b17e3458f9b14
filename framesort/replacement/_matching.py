"""The matching kernel: what turns the sharp stack's profile into the deep stack's."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import fft

from framesort.replacement import _kernels as kernels
from framesort.replacement._arrays import Array, Floats, Image, Mask
from framesort.replacement._convolution import convolve_full
from framesort.replacement._linear import sum_products
from framesort.replacement._passes import spread_blocks
from framesort.replacement._profile import Profile
from framesort.replacement._robust import median_deviation
from framesort.replacement._sky import fine_residual
from framesort.workers import run_bands, run_each

__all__ = [
    "HALF",
    "TILE",
    "KernelFit",
    "KernelPrior",
    "Tile",
    "common_noise",
    "convolve",
    "convolve_band",
    "fine_noise",
    "fit_kernel",
    "identity",
    "kernel_parts",
    "kernel_spectrum",
    "profile_kernel",
    "tile_corners",
]

HALF = 32
"""The kernel reaches so many pixels from its centre."""

WIDTHS = (0.7, 1.4, 2.8, 5.6)
"""Standard deviations, pixels, of the Gaussians by which the kernel may differ from that of the
stars' profiles."""

FREEDOM = (0.3, 0.3, 0.1, 0.1, 0.1, 0.1)
"""What each of these differences may be, as a share of the kernel: standard deviations of a
Gaussian prior at 0. The first two are the spike left out, and no blur at all."""

DAMPING = 1e-5
"""Power of the sharp profile, relative to its total, below which the kernel is held at 0."""

UNSURE = 0.02
"""Relative uncertainty of the noise that is taken off the sums of squares."""

AROUND = 20.0
"""Structure wider than this, pixels, is taken off before the stacks are compared."""

BLOCK = 8
"""Pixels a side of the blocks that it is made of."""

TILE = 256

SAMPLE = 500_000
"""Most pixels from which the noise that both stacks share is measured."""

TILES = 20
"""Tiles that the kernel is fitted on are at most so many."""
_BAND = 256


def identity() -> Floats:
    """The kernel that changes nothing."""
    out = np.zeros((2 * HALF + 1, 2 * HALF + 1))
    out[HALF, HALF] = 1.0
    return out


def _stamp(profile: Profile, *, spike: bool) -> Floats:
    """A star of the profile, faded out towards the edge of the kernel, of sum 1."""
    tables = profile.tables
    if not spike:
        tables = tables._replace(line=tables.line[:0], cs=tables.cs[:0])
    out = np.zeros((2 * HALF + 1, 2 * HALF + 1))
    far = 1.5 * HALF
    kernels.add_star(
        out, float(HALF), float(HALF), 1.0, 1 / profile.width, far, far if spike else 0.0, tables
    )
    y, x = np.indices(out.shape) - HALF
    out *= np.clip((HALF - np.hypot(x, y)) / (0.3 * HALF), 0, 1)
    return np.asarray(out / out.sum())


def profile_kernel(deep: Profile, sharp: Profile, *, spike: bool = True) -> Floats:
    """Kernel of sum 1 that turns the sharp profile into the deep one: their ratio in Fourier space.

    Where the sharp profile has next to no power the ratio is damped (Wiener filter).
    """
    d, s = (fft.rfft2(fft.ifftshift(_stamp(p, spike=spike))) for p in (deep, sharp))
    kernel = fft.fftshift(
        fft.irfft2(d * s.conj() / (np.abs(s) ** 2 + DAMPING), s=(2 * HALF + 1, 2 * HALF + 1))
    )
    return np.asarray(kernel / kernel.sum())


def _padded_shape(rows: int, columns: int, half: int) -> list[int]:
    return [fft.next_fast_len(n + 2 * half, real=True) for n in (rows, columns)]


def kernel_spectrum(kernel: Array, rows: int, columns: int) -> Array:
    """Fourier transform of a kernel, for `convolve_band` of so many rows and columns."""
    shape = _padded_shape(rows, columns, kernel.shape[0] // 2)
    return np.asarray(fft.rfft2(np.asarray(kernel, np.float32), s=shape))


def convolve_band(
    image: Array, kernel: Array, first: int, last: int, *, spectrum: Array | None = None
) -> Image:
    """Rows `first` to `last` of an image convolved with a kernel; mirrored at the image's edges.

    `spectrum` is the kernel's Fourier transform where it is known (`kernel_spectrum`).
    """
    half = kernel.shape[0] // 2
    ny, nx = image.shape
    low, high = max(0, first - half), min(ny, last + half)
    part = np.pad(
        image[low:high],
        ((half - (first - low), half - (high - last)), (half, half)),
        mode="symmetric",
    )
    shape = _padded_shape(last - first, nx, half)
    light = fft.rfft2(np.asarray(part, np.float32), s=shape)
    light *= kernel_spectrum(kernel, last - first, nx) if spectrum is None else spectrum
    out = fft.irfft2(light, s=shape)
    return np.asarray(out[2 * half : 2 * half + last - first, 2 * half : 2 * half + nx], np.float32)


def convolve(rows: Callable[[int, int], Array], shape: tuple[int, ...], kernel: Array) -> Image:
    """An image convolved with a kernel, in bands that threads take up.

    `rows` gives the image's rows from a first to a last one.
    """
    out = np.empty(shape, np.float32)
    half = kernel.shape[0] // 2
    spectrum = kernel_spectrum(kernel, _BAND, shape[1])

    def work(first: int, last: int) -> None:
        low = max(0, first - half)
        part = rows(low, min(shape[0], last + half))
        known = spectrum if last - first == _BAND else None
        out[first:last] = convolve_band(part, kernel, first - low, last - low, spectrum=known)

    run_bands(work, shape[0], band=_BAND)
    return out


def fine_noise(deep: Array, sharp: Array, free: Mask) -> tuple[Image, Image]:
    """Fine residuals of both stacks at the free pixels where both are known."""
    a, b = (fine_residual(v)[free] for v in (deep, sharp))
    good = np.isfinite(a) & np.isfinite(b)
    return a[good], b[good]


def common_noise(pairs: list[tuple[Array, Array]]) -> float:
    """Covariance of the pixel noise of both stacks over the variance of the sharp one's.

    Above 0 where frames are in both. `pairs` are fine residuals of the deep and the sharp stack.
    """
    a, b = (np.concatenate([pair[k] for pair in pairs]) for k in (0, 1))
    a, b = (v[:: 1 + len(a) // SAMPLE] for v in (a, b))
    if len(a) < 500:
        return 0.0
    spread_a, spread_b = run_each(median_deviation, (a, b))
    if not (spread_a > 0 and spread_b > 0):
        return 0.0
    a, b = a / np.float32(spread_a), b / np.float32(spread_b)
    total, rest = run_each(median_deviation, (a + b, a - b))
    correlation = (total**2 - rest**2) / 4
    return float(np.clip(correlation * spread_a / spread_b, 0, 1))


@dataclass(frozen=True)
class KernelFit:
    """Result of `fit_kernel`.

    Attributes
    ----------
    scale, error : float
        Deep flux per sharp flux, and its uncertainty.
    change : (2 HALF + 1, 2 HALF + 1) float ndarray
        To be added to the kernel of the profiles, for extended light; its sum is 0.
    """

    scale: float
    error: float
    change: Floats


@dataclass(frozen=True, kw_only=True)
class KernelPrior:
    """What is known before the kernel is fitted.

    Attributes
    ----------
    scale, error : float
        Deep flux per sharp flux of stars, and its uncertainty.
    noise_ratio : float
        Noise of the deep stack over that of the sharp one.
    common : float
        Of `common_noise`.
    noise_kernel : (n, n) float ndarray
        How noise is correlated (`PixelNoise.kernel`).
    """

    scale: float
    error: float
    noise_ratio: float
    common: float
    noise_kernel: Floats


@dataclass
class Tile:
    """A part of both stacks, star light taken off: what `fit_kernel` compares.

    Attributes
    ----------
    sharp, deep : (n, n) float32 ndarray
        `deep` less a smooth level.
    noise : (n, n) float32 ndarray
        Of a pixel of `sharp`.
    free : (n, n) bool ndarray
        Pixels that count: no star light, no edge.
    """

    sharp: Array
    deep: Array
    noise: Array
    free: Mask


def tile_corners(
    shape: tuple[int, ...], structure: Array, step: int, *, most: int = TILES
) -> list[tuple[int, int]]:
    """Corners (y, x) of at most `most` tiles, those with most structure first.

    `structure` is sampled every `step` pixels.
    """
    inner = TILE - 2 * HALF
    places = [
        (min(y, max(0, shape[0] - TILE)), min(x, max(0, shape[1] - TILE)))
        for y in range(0, max(1, shape[0] - 2 * HALF), inner)
        for x in range(0, max(1, shape[1] - 2 * HALF), inner)
    ]
    places = sorted(set(places))
    if len(places) <= most:
        return places
    size = TILE // step
    power = [float(np.std(structure[y // step :, x // step :][:size, :size])) for y, x in places]
    order = np.argsort(power, kind="stable")[::-1]
    return [places[k] for k in order[:most]]


def _grid(shape: tuple[int, ...]) -> list[int]:
    """Size to which a tile is enlarged for its Fourier transform; a kernel fits in it."""
    return [fft.next_fast_len(max(n, 2 * HALF + 1), real=True) for n in shape]


def _wide_means(images: Image) -> Image:
    """Gaussian means of tiles, of blocks and linear between them; nothing lies beyond their edges.

    No library of linear algebra: its own threads would wait for one another in ours.
    """
    n, ny, nx = images.shape
    counts = [-(-size // BLOCK) for size in (ny, nx)]
    padded = np.zeros((n, counts[0] * BLOCK, counts[1] * BLOCK), np.float32)
    padded[:, :ny, :nx] = images
    blocks = padded.reshape(n, counts[0], BLOCK, counts[1], BLOCK).mean(axis=(2, 4))
    # Blocks, and lines between their middles, are a part of the width.
    sigma = np.sqrt(AROUND**2 - (BLOCK**2 - 1) / 12 - BLOCK**2 / 6) / BLOCK
    line = np.exp(-0.5 * (np.arange(int(3 * sigma) + 1) / sigma) ** 2)
    line /= 2 * line.sum() - line[0]
    down, across = (
        np.where(away < len(line), line[np.minimum(away, len(line) - 1)], 0).astype(np.float32)
        for away in (np.abs(np.subtract.outer(np.arange(m), np.arange(m))) for m in counts)
    )
    blocks = np.einsum("nik,jk->nij", np.einsum("ij,njk->nik", down, blocks), across)
    out = np.empty_like(images)
    for mean, wide in zip(np.ascontiguousarray(blocks), out, strict=True):
        spread_blocks(mean, BLOCK, 0, wide)
    return out


def _transforms(kernels: list[Array], shape: tuple[int, ...]) -> Array:
    """Fourier transforms of kernels, each centred on the first pixel of a tile of that shape."""
    out = np.zeros((len(kernels), *_grid(shape)), np.float32)
    for image, kernel in zip(out, kernels, strict=True):
        image[: kernel.shape[0], : kernel.shape[1]] = kernel
        half = kernel.shape[0] // 2
        image[...] = np.roll(image, (-half, -half), (0, 1))
    return np.asarray(fft.rfft2(out))


@dataclass
class _Sums:
    """What tiles add to the normal equations: matrix, right side, and number of free pixels."""

    normal: Floats
    right: Floats
    count: int = 0


def _tile_sums(tile: Tile, kernels: Array) -> _Sums:
    """Sums over the free pixels of one tile, weighted by 1 / (noise of the sharp stack)^2.

    `kernels` are the parts' transforms. A wide mean over free pixels is taken off.
    """
    n = len(kernels)
    inner = np.s_[HALF:-HALF, HALF:-HALF]
    free = tile.free[inner]
    if free.sum() < 500:
        return _Sums(np.zeros((n, n)), np.zeros(n))
    size = tile.sharp.shape
    grid = _grid(size)
    level = tile.sharp[inner][free].mean()
    light = fft.rfft2(tile.sharp - level, s=grid)
    images = np.empty((n + 2, *free.shape), np.float32)
    for image, kernel in zip(images, kernels, strict=False):
        image[...] = fft.irfft2(light * kernel, s=grid)[: size[0], : size[1]][inner]
    images[n] = tile.deep[inner] - tile.deep[inner][free].mean()
    images[n + 1] = 1.0
    images[:, ~free] = 0.0
    wide = _wide_means(images)
    wide[:-1] /= np.maximum(wide[-1], np.float32(0.05))
    images = (images[:-1] - wide[:-1]) / tile.noise[inner]
    rows = np.take(images.reshape(n + 1, -1), np.flatnonzero(free), axis=1)
    sums = np.empty((n + 1, n + 1))
    sum_products(rows, sums)
    return _Sums(sums[:n, :n], sums[:n, n], rows.shape[1])


def fit_kernel(tiles: list[Tile], parts: list[Array], prior: KernelPrior) -> KernelFit:
    """Flux scale and kernel of extended light by least squares, given that of the stars.

    With the sharp sky s and parts k_i of the kernel it minimises the misfit of
    ``deep = sum_i a_i (k_i * s)`` over free pixels (Alard & Lupton 1998, ApJ 503, 325), structure
    wider than some 20 pixels taken off both. `parts[0]` has sum 1 and is the kernel of the
    stars' profiles; the others have sum 0. The noise of s would bias the sums of squares and, where
    frames are in both stacks, of products: what it adds is known and taken off. The scale of
    stars with its error and `FREEDOM` limit the solution.
    """
    n, scale = len(parts), prior.scale
    normal, right, power = _all_sums(tiles, parts)
    spread = [convolve_full(part, prior.noise_kernel) for part in parts]
    same = convolve_full(identity(), prior.noise_kernel)
    centre = np.array([np.sum(part * same) for part in spread])
    added = power * np.array([[np.sum(a * b) for a in spread] for b in spread])
    # What noise adds is known to some percent; less than nothing cannot be left.
    values, vectors = np.linalg.eigh(normal - added)
    normal = (vectors * np.maximum(values, 0)) @ vectors.T
    right -= power * prior.common * centre
    # Weights are 1 / (sharp noise)^2: in these units this is the variance of the residual.
    variance = float(prior.noise_kernel.sum()) ** 2 * (scale**2 + prior.noise_ratio**2)
    allowed = np.array([prior.error, *(scale * f for f in FREEDOM[: n - 1])])
    aim = np.zeros(n)
    aim[0] = scale
    inverse = np.linalg.inv((normal + UNSURE * added) / variance + np.diag(1 / allowed**2))
    found = aim + inverse @ ((right - normal @ aim) / variance)
    if not (np.isfinite(found).all() and abs(found[0] - scale) < 0.5 * scale):
        return KernelFit(scale, prior.error, np.zeros_like(parts[0]))
    change = sum(a * k for a, k in zip(found[1:], parts[1:], strict=True)) / found[0]
    return KernelFit(float(found[0]), float(np.sqrt(inverse[0, 0])), np.asarray(change, float))


def _all_sums(tiles: list[Tile], parts: list[Array]) -> tuple[Array, Array, int]:
    """`_tile_sums` of all tiles together: matrix, right side, number of pixels."""
    n = len(parts)
    normal, right = np.zeros((n, n)), np.zeros(n)
    power = 0
    spectra = {shape: _transforms(parts, shape) for shape in {tile.sharp.shape for tile in tiles}}
    for sums in run_each(lambda tile: _tile_sums(tile, spectra[tile.sharp.shape]), tiles):
        normal += sums.normal
        right += sums.right
        power += sums.count
    return normal, right, power


def kernel_parts(deep: Profile, sharp: Profile) -> list[Array]:
    """The kernel of the profiles, and by what that of extended light may differ from it."""
    full = profile_kernel(deep, sharp)
    y, x = np.indices(full.shape) - HALF
    parts = [full, profile_kernel(deep, sharp, spike=False) - full, identity() - full]
    spread = fft.rfft2(fft.ifftshift(full))
    for width in WIDTHS:
        blur = np.exp(-(x**2 + y**2) / (2 * width**2))
        wider = fft.irfft2(spread * fft.rfft2(fft.ifftshift(blur / blur.sum())), s=full.shape)
        parts.append(fft.fftshift(wider) - full)
    return parts
