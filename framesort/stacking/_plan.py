"""The request, and what follows from the probes of the frames: factors, surfaces, weights."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from framesort.errors import InputError
from framesort.files import PlainImage
from framesort.records import Note, Transform
from framesort.stacking._noise import (
    LARGEST_TOLERANCE,
    LEAST_TOLERANCE,
    Noise,
    Similarity,
)
from framesort.stacking._normalise import Mesh, fit_surface
from framesort.stacking._options import FrameValues, Reader, StackMethod
from framesort.stacking._resample import Placement, inverse_matrix
from framesort.stacking._weights import kernel_polynomials

__all__ = [
    "FramePlan",
    "Plan",
    "Request",
    "choose_photometric_reference",
    "make_plan",
    "make_request",
]

Floats = NDArray[np.float64]

MOST_SIMILAR = 12  # frames with which one is compared at a pixel


@dataclass(frozen=True, kw_only=True)
class FramePlan(Placement):
    """How a frame comes onto the grid, and where its pixels are.

    Attributes
    ----------
    path : str
        Where its pixels come from.
    plain : PlainImage or None
        Where its pixels lie in the file, if they can be read from there.
    stored : str or None
        File with the frame on the grid already, where row-wise reading does not pay.
    """

    path: str
    plain: PlainImage | None = None
    stored: str | None = None


@dataclass(frozen=True, kw_only=True)
class Plan:
    """All that a band needs. Numbers per frame are in the scale of the reference.

    Attributes
    ----------
    frames : tuple of FramePlan
        In the order in which sums are made.
    weights : (sets, n) float ndarray
        Weight of each frame in each set, background variance included.
    noise : Noise
        Of each frame, and the clip.
    similar : Similarity
        Frames that are compared with each.
    polynomials : (half width, 8) float32 ndarray
        Of the interpolation kernel.
    """

    frames: tuple[FramePlan, ...]
    shape: tuple[int, int]
    weights: Floats
    noise: Noise
    similar: Similarity
    kernel: str
    polynomials: NDArray[np.float32]
    read: Reader


@dataclass(frozen=True, kw_only=True)
class Request:
    """The arguments of a stack, checked; numbers per frame with NaN where not known."""

    names: list[str]
    transforms: Sequence[Transform]
    weights: Floats
    shape: tuple[int, int]
    scales: Floats
    noise: Floats
    gain: Floats
    saturation: Floats
    fwhm: Floats
    similarity: Floats
    groups: NDArray[np.int64]
    reference: int | None
    method: StackMethod
    read: Reader


def make_request(
    names: list[str],
    transforms: Sequence[Transform],
    sets: Mapping[str, ArrayLike],
    shape: tuple[int, int],
    values: FrameValues,
    method: StackMethod,
    read: Reader,
) -> Request:
    """Check the arguments of `stack_frames`.

    Raises
    ------
    InputError
        Lengths or options do not fit.
    """
    if len(transforms) != len(names):
        raise InputError(f"transforms must have {len(names)} values, got {len(transforms)}")
    if not sets:
        raise InputError("sets must name at least one set of frames")
    if len(shape) != 2 or min(shape) < 1:
        raise InputError(f"shape must be (rows, columns) of 1 or more, got {tuple(shape)}")
    rows = []
    for name, weights in sets.items():
        weight: Floats = np.ma.filled(np.ma.asarray(weights, dtype=float), np.nan)
        if weight.shape != (len(names),):
            raise InputError(
                f"set {name!r} must have {len(names)} weights, got the shape {weight.shape}"
            )
        rows.append(np.where(weight > 0, weight, 0.0))
    known = {
        name: _per_frame(getattr(values, name), len(names), name)
        for name in ("scales", "noise", "gain", "saturation", "fwhm", "similarity")
    }
    return Request(
        names=names,
        transforms=transforms,
        weights=np.array(rows),
        groups=_group_numbers(values.groups, len(names)),
        shape=(int(shape[0]), int(shape[1])),
        reference=values.reference,
        method=method,
        read=read,
        **known,
    )


def _per_frame(values: ArrayLike | None, count: int, name: str) -> Floats:
    """One value a frame; NaN where not known."""
    if values is None:
        return np.full(count, np.nan)
    plain = np.asarray(np.ma.filled(np.ma.asarray(values, dtype=float), np.nan), dtype=float)
    if plain.ndim == 0:
        return np.full(count, float(plain))
    if plain.shape != (count,):
        raise InputError(f"{name} must have {count} values, got the shape {plain.shape}")
    return plain


def _group_numbers(groups: Sequence[Any] | None, count: int) -> NDArray[np.int64]:
    """A number for each label; one for all frames where there are none."""
    if groups is None:
        return np.zeros(count, dtype=np.int64)
    if np.shape(groups) != (count,):
        raise InputError(f"groups must have {count} labels, got the shape {np.shape(groups)}")
    labels = [str(label) for label in groups]
    places = {label: k for k, label in enumerate(sorted(set(labels)))}
    return np.array([places[label] for label in labels], dtype=np.int64)


def choose_photometric_reference(request: Request, used: list[int]) -> int:
    """The frame whose background the stacks have."""
    if request.reference is not None and request.reference in used:
        return request.reference
    return min(used, key=lambda k: float(np.abs(request.transforms[k].matrix - np.eye(3)).sum()))


def make_plan(
    request: Request, used: list[int], reference: int, probes: Mapping[int, Any]
) -> tuple[Plan, list[Note]]:
    """Factors, surfaces, noise and weights of the frames in use, and what was assumed.

    `probes` holds the `FrameProbe` of every frame by its number; `reference` is one of `used`.
    """
    notes: list[Note] = []
    frames, variance, photon_variance = [], [], []
    factor = {k: _scale(request, k, notes) / probes[k].area for k in used}
    mesh: Mesh = probes[reference].mesh
    reference_mesh = Mesh(mesh.level * factor[reference], mesh.cell, mesh.noise, mesh.shape)
    for k in used:
        noise = request.noise[k] if request.noise[k] > 0 else probes[k].mesh.noise
        if not noise > 0:  # a constant picture
            noise = mesh.noise if mesh.noise > 0 else 1.0
        variance.append((noise * factor[k]) ** 2)
        photon_variance.append(factor[k] / request.gain[k] if request.gain[k] > 0 else 0.0)
        frames.append(
            FramePlan(
                path=request.names[k],
                shape=probes[k].shape,
                inverse=inverse_matrix(request.transforms[k]),
                factor=factor[k],
                surface=_surface(
                    request, k, reference, probes[k].mesh, reference_mesh, factor[k], notes
                ),
                saturation=float(np.nan_to_num(request.saturation[k], nan=np.inf)),
                edges=probes[k].edges,
                plain=probes[k].plain,
                stored=probes[k].stored,
            )
        )
    scale = np.array([request.transforms[k].scale for k in used])
    fwhm = request.fwhm[used] * scale
    width = np.log(fwhm, out=np.full(len(used), np.nan), where=fwhm > 0)
    similarity = request.similarity[used]
    order, in_group = _order(width, similarity, request.groups[used])
    plan = Plan(
        frames=tuple(frames),
        shape=request.shape,
        weights=request.weights[:, used] / np.array(variance),
        noise=Noise(
            variance=np.array(variance),
            photon_variance=np.array(photon_variance),
            tolerance=np.full(len(used), LEAST_TOLERANCE if order.size else LARGEST_TOLERANCE),
            sky=_level(reference_mesh),
            clip=request.method.clip,
        ),
        similar=Similarity(
            order=order,
            in_group=in_group,
            heat=similarity if np.isfinite(similarity).any() else width,
            tolerance=_similarity_tolerance(width, order, in_group),
        ),
        kernel=request.method.kernel,
        polynomials=kernel_polynomials(request.method.kernel),
        read=request.read,
    )
    return plan, notes


def _level(mesh: Mesh) -> float:
    known = mesh.level[np.isfinite(mesh.level)]
    return float(np.median(known)) if len(known) else 0.0


def _scale(request: Request, k: int, notes: list[Note]) -> float:
    if request.scales[k] > 0:
        return float(request.scales[k])
    if np.isfinite(request.scales).any():
        name = request.names[k]
        text = f"{name}: no common stars for its flux scale, 1 is assumed"
        notes.append(Note("flux scale unknown", text, [name]))
    return 1.0


def _surface(
    request: Request,
    k: int,
    reference: int,
    mesh: Mesh,
    reference_mesh: Mesh,
    factor: float,
    notes: list[Note],
) -> Floats:
    """Background surface to take off a frame."""
    if request.method.background_order < 0 or k == reference:
        return np.zeros(6)
    surface = fit_surface(
        mesh,
        request.transforms[k],
        factor,
        reference_mesh,
        request.transforms[reference],
        request.shape,
        request.method.background_order,
    )
    if np.isfinite(surface).all():
        return surface
    name = request.names[k]
    text = (
        f"{name}: no common area with the reference, only the level of its background was matched"
    )
    notes.append(Note("no common area", text, [name]))
    return np.array([factor * _level(mesh) - _level(reference_mesh), 0, 0, 0, 0, 0])


def _order(
    width: Floats, similarity: Floats, groups: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """For each frame the others, most similar first, and how many of them are of its group.

    Those of its group come first; then `similarity`, where known, and log width count. Without
    groups all frames are of one.
    """
    count = len(width)
    known = [values for values in (width, similarity) if np.isfinite(values).any()]
    other = groups[:, None] != groups
    if (not known and not other.any()) or count < 3:
        return np.empty((count, 0), dtype=np.int64), np.zeros(count, dtype=np.int64)
    distance = np.zeros((count, count))
    for values in known:
        span = float(np.nanmax(values) - np.nanmin(values))
        step = np.abs(values[:, None] - values) / (span or 1.0)
        distance += np.where(np.isfinite(step), step, 1.0)  # not known is far away
    distance[other] += len(known) + 1.0
    np.fill_diagonal(distance, np.inf)
    # A dozen is enough to find three with data at a pixel.
    order = np.argsort(distance, axis=1, kind="stable")[:, : min(count - 1, MOST_SIMILAR)]
    in_group = np.count_nonzero(~np.take_along_axis(other, order, axis=1), axis=1)
    return order.astype(np.int64), in_group.astype(np.int64)


def _similarity_tolerance(
    width: Floats, order: NDArray[np.int64], in_group: NDArray[np.int64]
) -> Floats:
    """Share of the local contrast by which a frame may differ from the three most similar ones.

    `width` is the log of the FWHM. A star that is wider by the factor q has its peak changed by
    q^2 or 1 / q^2, to first order 2 ln q of it; the fifth is for residual shifts and seeing
    (0.15 pixel on the flank of a star of FWHM 3 pixels changes it by 0.15 of the peak).
    """
    if not order.size:
        return np.full(len(width), LARGEST_TOLERANCE)
    nearest = [those[: min(3, m or 3)] for those, m in zip(order, in_group, strict=True)]
    change = np.abs(width - [np.median(width[those]) for those in nearest])
    tolerance = np.minimum(LEAST_TOLERANCE + 2.5 * change, LARGEST_TOLERANCE)
    return np.where(np.isfinite(tolerance), tolerance, LARGEST_TOLERANCE)
