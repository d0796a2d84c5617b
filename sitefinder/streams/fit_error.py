"""Error of the heads that a fitted long profile gives, and the least head that it resolves."""

import numpy as np

from sitefinder.streams.fitted_profile import SLOPE_CHANGES_OVER_M, fit_long_profile
from sitefinder.streams.profile_error import ROUGH_OVER_M, simulate_profile_errors

# A fit is smoother than the stream it stands for. In the simulation the slope varies about the fit's, by so much
# that it changes by its own size over SLOPE_CHANGES_OVER_M.
ROUGHNESS = (ROUGH_OVER_M / SLOPE_CHANGES_OVER_M / 2.0) ** 0.5
# Steps and spikes too small to be seen in the noise are in no simulation. On the bench of heads
# (tests/benchmarks/heads.py) errors are a tenth to a fifth larger for them, and so are the simulated ones made.
UNSEEN_STEPS = 1.15


def simulate_fit_errors(
    fitted,
    known,
    downstream,
    to_downstream_m,
    rmse_m,
    correlation_length_m,
    draws,
    seed,
    quantile=0.5,
    place_error_m=0.0,
    known_break=None,
):
    """Errors of a fitted long profile in simulated surveys, each fitted as the profile itself was.

    Parameters
    ----------
    fitted : LongProfile
        From `sitefinder.streams.fitted_profile.fit_long_profile`.
    known : ndarray of bool, shape (n,)
        Stations with a raw elevation; refused ones are left out of the simulated surveys too.
    downstream, to_downstream_m, rmse_m, correlation_length_m, quantile, place_error_m, known_break
        As in the fit.
    draws : int
        Number of simulated surveys.
    seed : int
        Seed of the noise, 0 to 2⁶⁴ - 1.

    Returns
    -------
    ndarray of float32, shape (n, draws)
        Refitted profile less the true one [m], times `UNSEEN_STEPS`.

    Raises
    ------
    ValueError
        As of `simulate_profile_errors`.
    """
    surveyed = known & ~fitted.is_spike

    def refit(elevation_m):
        return fit_long_profile(
            np.where(surveyed, elevation_m, np.nan),
            downstream,
            to_downstream_m,
            rmse_m,
            correlation_length_m,
            quantile,
            place_error_m=place_error_m,
            known_break=known_break,
        ).profile_m

    errors_m = simulate_profile_errors(
        fitted.profile_m,
        downstream,
        to_downstream_m,
        fitted.rmse_m,
        correlation_length_m,
        draws,
        seed,
        quantile,
        refit=refit,
        roughness=ROUGHNESS,
        is_break=fitted.is_break,
    )
    return errors_m * np.float32(UNSEEN_STEPS)
