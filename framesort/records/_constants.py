"""Numerical constants in common use."""

__all__ = ["FWHM_TO_SIGMA", "MAD_TO_SIGMA"]

MAD_TO_SIGMA = 1.4826
"""Standard deviation over median absolute deviation of normal data, rounded from 1.482602218 as
`astropy.stats.mad_std` has it; the difference of 1.5e-6 is far below any uncertainty."""

FWHM_TO_SIGMA = 2.354820
"""FWHM over standard deviation of a Gaussian, sqrt(8 ln 2)."""
