"""Standard errors of equations in logs and in percent, by the published formulas."""

import math

LN_10 = math.log(10.0)


def percent_from_log10(standard_error_log10):
    r"""Standard error [%] of a standard error in log10 units.

    Notes
    -----
    :math:`100 \sqrt{\exp((\ln 10)^2 s^2) - 1}`, eq. 34 of [1]_.

    References
    ----------
    .. [1] K. Eng, Y.-Y. Chen, J. E. Kiang, "User's guide to the weighted-multiple-linear-regression program,"
       U.S. Geol. Surv. Tech. Methods 4-A8, 2009.

    Examples
    --------
    >>> round(percent_from_log10(0.2), 3)
    48.605
    """
    return 100.0 * math.sqrt(math.expm1((LN_10 * standard_error_log10) ** 2))


def log10_from_percent(standard_error_percent):
    """Standard error in log10 units of a standard error [%]; the inverse of `percent_from_log10`.

    Examples
    --------
    >>> round(log10_from_percent(48.605), 5)
    0.2
    """
    return math.sqrt(math.log1p((standard_error_percent / 100.0) ** 2)) / LN_10


def log10_from_upper_percent(upper_percent):
    """Standard error in log10 units of the upper number of a printed pair such as −35 to +54 %.

    Examples
    --------
    >>> round(log10_from_upper_percent(58.49), 4)
    0.2
    """
    return math.log1p(upper_percent / 100.0) / LN_10
