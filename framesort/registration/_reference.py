"""Which frame is the grid, and what registration adds to the table."""

from collections.abc import Sequence

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from framesort.errors import NotEnoughFramesError
from framesort.records import Transform, add_column, add_reason, column_values

__all__ = ["add_registration_columns", "choose_reference"]

NEAR_BEST = 1.1  # FWHM and eccentricity up to this multiple of the best tenth are equivalent
ENOUGH_STARS = 0.7  # of the star count of the fullest tenth


def choose_reference(table: Table) -> int:
    """The frame whose pixels serve best as the target grid.

    Parameters
    ----------
    table : `~astropy.table.Table`
        A row a frame in the order of the exposures: `fwhm`, `stars`, and where known
        `heater_share`, `eccentricity`, `shift_x`, `shift_y`, `matched`.

    Returns
    -------
    int
        Row of the table.

    Raises
    ------
    NotEnoughFramesError
        No frame has both `fwhm` and `stars`.

    Notes
    -----
    Among the frames with the heater off (where that is known of any), those within 10 % of
    the sharpest tenth in FWHM and with at least 70 % of the stars of the fullest tenth are
    taken as equally good. Of these the one nearest to the middle of the dithers wins: by
    `shift_x`, `shift_y` once frames were registered with any reference, else the middle of
    the sequence, since a drift makes that the middle of the sky covered.
    """
    fwhm, stars = column_values(table, "fwhm"), column_values(table, "stars")
    good = np.isfinite(fwhm) & np.isfinite(stars) & (stars > 0)
    if not good.any():
        raise NotEnoughFramesError("no frame has measured stars, so none can be the reference")
    off = good & (column_values(table, "heater_share") == 0)
    if off.any():
        good = off
    for keep in (
        stars >= ENOUGH_STARS * np.quantile(stars[good], 0.9),
        fwhm <= NEAR_BEST * np.quantile(fwhm[good], 0.1),
        column_values(table, "eccentricity") <= 0.6,  # flattened by a fifth: a trailed frame
    ):
        if (good & keep).any():
            good &= keep
    middle_x, middle_y = _middles(table)
    distance = np.hypot(*(middle_x, middle_y))
    distance = np.where(good & np.isfinite(distance), distance, np.inf)
    if not np.isfinite(distance).any():
        distance = np.where(good, np.abs(np.arange(len(table)) - (len(table) - 1) / 2), np.inf)
    # Of equals (no dither at all) the sharpest.
    near = np.flatnonzero(distance <= distance.min() + 1e-9)
    return int(near[np.argmin(fwhm[near])])


def _middles(table: Table) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Shifts from the median shift, pixels."""
    x, y = column_values(table, "shift_x"), column_values(table, "shift_y")
    known = np.isfinite(x) & np.isfinite(y)
    if not known.any():
        return x, y
    return x - np.median(x[known]), y - np.median(y[known])


def add_registration_columns(
    table: Table, transforms: Sequence[Transform], *, shape: tuple[int, int] | None = None
) -> None:
    """Set `matched`, `residual`, `rotation`, `scale`, `shift_x`, `shift_y`; extend `reason`.

    A frame that could not be placed gets its transform's reason, one that lies on the grid as
    in a mirror the reason "mirrored".

    Parameters
    ----------
    table : `~astropy.table.Table`
        A row a frame; changed in place. `width` and `height` give the frames' centres.
    transforms : sequence of `~framesort.records.Transform`
        One a row.
    shape : (int, int) or None
        Rows and columns of the grid; None takes each frame's own size.

    Raises
    ------
    ValueError
        There are not as many transforms as rows.
    """
    if len(transforms) != len(table):
        raise ValueError(f"transforms must have {len(table)} values, got {len(transforms)}")
    width, height = column_values(table, "width"), column_values(table, "height")
    columns: dict[str, list[float]] = {
        name: [] for name in ("residual", "rotation", "scale", "shift_x", "shift_y")
    }
    for row, transform in enumerate(transforms):
        if not transform:
            for values in columns.values():
                values.append(np.nan)
            continue
        x, y = transform.map_points((width[row] - 1) / 2, (height[row] - 1) / 2)
        ny, nx = shape if shape is not None else (height[row], width[row])
        columns["residual"].append(transform.residual)
        columns["rotation"].append(transform.rotation)
        columns["scale"].append(transform.scale)
        columns["shift_x"].append(float(x) - (nx - 1) / 2)
        columns["shift_y"].append(float(y) - (ny - 1) / 2)
    add_column(table, "matched", [t.matched if t else 0 for t in transforms])
    for name, values in columns.items():
        add_column(table, name, values)
    reasons = (
        [str(text) for text in np.ma.filled(np.ma.asarray(table["reason"], dtype=object), "")]
        if "reason" in table.colnames
        else [""] * len(table)
    )
    add_column(
        table,
        "reason",
        [
            add_reason(text, t.reason or "mirrored") if t.reason or t.mirrored else text
            for text, t in zip(reasons, transforms, strict=True)
        ],
    )
