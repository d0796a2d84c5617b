"""Hydraulics of a plant: density, gravity, losses of canals and pipes, water levels, channel width and depth."""

import math
from typing import NamedTuple

import numpy as np

from sitefinder.compiled import part
from sitefinder.energy.open_channel import Resistance, depth_elasticity, resistance, uniform_depth_m
from sitefinder.units import GRAVITY_M_S2, MILLIMETRES_PER_METRE, WATER_DENSITY_KG_M3, WATTS_PER_KILOWATT
from sitefinder.vocabulary import HYDRAULIC_GEOMETRY, MANNING, MEASURED_SECTION

# Power of 1 m³/s falling 1 m without loss [kW], with the standard constants.
KW_PER_M3S_M = WATER_DENSITY_KG_M3 * GRAVITY_M_S2 / WATTS_PER_KILOWATT
# Tanaka et al. (2001), for water without air at 101.325 kPa.
GREATEST_DENSITY_KG_M3 = 999.974950
GREATEST_DENSITY_AT_DEGC = 3.983035
TANAKA_A2_DEGC, TANAKA_A3_DEGC2, TANAKA_A4_DEGC = 301.797, 522_528.9, 69.34881
# WGS 84: normal gravity at the equator, Somigliana's constant, first eccentricity squared.
EQUATOR_GRAVITY_M_S2 = 9.780_325_335_9
SOMIGLIANA_CONSTANT = 0.001_931_852_652_41
ECCENTRICITY_SQUARED = 0.006_694_379_990_14
# Viscosity of water by Vogel's law, from memory; within 2.5 % from 0 to 40 °C.
VOGEL_PA_S, VOGEL_B_K, VOGEL_C_K = 2.414e-5, 247.8, 140.0
KELVIN_AT_ZERO_DEGC = 273.15
# Streams of the temperate zone over the year, where the settings state nothing (common practice, no source).
USUAL_TEMPERATURE_DEGC = 10.0


def water_density_kg_m3(temperature_degc):
    r"""Density of pure water at a temperature from 0 to 40 °C and the pressure of the air at sea level.

    Parameters
    ----------
    temperature_degc : float or ndarray
        [°C].

    Returns
    -------
    float or ndarray
        [kg/m³].

    Notes
    -----
    :math:`a_5 (1 - (t + a_1)^2 (t + a_2) / (a_3 (t + a_4)))` of [1]_, coefficients from memory; tested against
    IAPWS-95.

    References
    ----------
    .. [1] M. Tanaka, G. Girard, R. Davis, A. Peuto, and N. Bignell, "Recommended table for the density of water
       between 0 °C and 40 °C based on recent experimental reports," Metrologia, vol. 38, pp. 301-309, 2001.

    Examples
    --------
    >>> round(water_density_kg_m3(20.0), 4)
    998.2067
    """
    t = temperature_degc
    loss = (t - GREATEST_DENSITY_AT_DEGC) ** 2 * (t + TANAKA_A2_DEGC) / (TANAKA_A3_DEGC2 * (t + TANAKA_A4_DEGC))
    return GREATEST_DENSITY_KG_M3 * (1.0 - loss)


def normal_gravity_m_s2(latitude_deg):
    r"""Gravity on the WGS 84 ellipsoid; 0.03 % less a kilometre higher, which is neglected.

    Parameters
    ----------
    latitude_deg : float or ndarray
        Geodetic latitude [°].

    Returns
    -------
    float or ndarray
        [m/s²].

    Notes
    -----
    Somigliana's closed form :math:`g_e (1 + k \sin^2 \phi) / \sqrt{1 - e^2 \sin^2 \phi}`, constants of WGS 84.

    Examples
    --------
    >>> round(float(normal_gravity_m_s2(45.0)), 6)
    9.806198
    """
    sine_squared = np.sin(np.radians(latitude_deg)) ** 2
    return (
        EQUATOR_GRAVITY_M_S2
        * (1.0 + SOMIGLIANA_CONSTANT * sine_squared)
        / np.sqrt(1.0 - ECCENTRICITY_SQUARED * sine_squared)
    )


def kinematic_viscosity_m2_s(temperature_degc):
    """Kinematic viscosity of water from 0 to 40 °C, within 2.5 % [m²/s]; pipe friction hardly feels that.

    Examples
    --------
    >>> round(kinematic_viscosity_m2_s(20.0) * 1e6, 2)
    1.0
    """
    dynamic_pa_s = VOGEL_PA_S * 10.0 ** (VOGEL_B_K / (temperature_degc + KELVIN_AT_ZERO_DEGC - VOGEL_C_K))
    return dynamic_pa_s / water_density_kg_m3(temperature_degc)


# Gravity by the settings' latitude, or the standard one [m/s²].
def _gravity_of(energy):
    latitude_deg = energy.gravity_latitude_deg
    return GRAVITY_M_S2 if latitude_deg is None else float(normal_gravity_m_s2(latitude_deg))


def kw_per_m3s_m(energy):
    """Power of 1 m³/s falling 1 m without loss, by the settings' water temperature and latitude [kW].

    Parameters
    ----------
    energy : sitefinder.settings.EnergySettings
        Without either of the two the standard value of it holds, 1000 kg/m³ and 9.80665 m/s².

    Examples
    --------
    >>> from sitefinder.settings import EnergySettings
    >>> round(kw_per_m3s_m(EnergySettings(turbines=["m.toml"])), 5)
    9.80665
    """
    temperature_degc = energy.water_temperature_degc
    density = WATER_DENSITY_KG_M3 if temperature_degc is None else water_density_kg_m3(temperature_degc)
    return density * _gravity_of(energy) / WATTS_PER_KILOWATT


class Waterway(NamedTuple):
    """What turns flow and head into power, as bare numbers for kernels: the water's weight and the pipe."""

    kw_per_m3s_m: float
    by_manning: bool
    velocity_m_s: float
    roughness_m: float
    manning_n: float
    form_loss: float
    viscosity_m2_s: float
    gravity_m_s2: float


# Columns of stretches with the length than which a canal, or a pipe, is no shorter [m], where no more is known.
LEAST_CANAL, LEAST_PIPE = "least_canal_m", "least_pipe_m"
# The same as a record, which kernels take; yes and no as 1 and 0.
WATERWAY = np.dtype(
    [(name, np.float64 if kind is float else np.int64) for name, kind in Waterway.__annotations__.items()]
)
# A canal, whose fall does not go with the flow, and standard water.
CANAL = Waterway(KW_PER_M3S_M, False, 1.0, 0.0, 0.0, 0.0, 1.0e-6, GRAVITY_M_S2)


def waterway(energy):
    """The waterway of a run.

    Parameters
    ----------
    energy : sitefinder.settings.EnergySettings

    Returns
    -------
    Waterway
    """
    temperature_degc = energy.water_temperature_degc
    return Waterway(
        kw_per_m3s_m=kw_per_m3s_m(energy),
        by_manning=energy.pipe_friction == "manning",
        velocity_m_s=energy.pipe_velocity_m_s,
        roughness_m=energy.pipe_roughness_mm / MILLIMETRES_PER_METRE,
        manning_n=energy.pipe_manning_n,
        form_loss=energy.pipe_form_loss,
        viscosity_m2_s=kinematic_viscosity_m2_s(
            USUAL_TEMPERATURE_DEGC if temperature_degc is None else temperature_degc
        ),
        gravity_m_s2=_gravity_of(energy),
    )


def waterway_lengths_m(stretches, energy):
    """Lengths over which a conduit loses head: by the slope of the canal, and by friction in the pipe.

    Parameters
    ----------
    stretches : DataFrame, n rows
        ``conduit_length_m``; ``headrace_length_m`` and ``penstock_length_m`` where they are known, else all is
        headrace. With ``least_canal_m`` and ``least_pipe_m``, the least lengths of a conduit of which no more is
        known, the pipe loses nothing.
    energy : sitefinder.settings.EnergySettings

    Returns
    -------
    headrace_m, pipe_m : ndarray of float64, shape (n,)
        [m]. Where the headrace is a pipe, all is pipe.
    """
    conduit_m = np.nan_to_num(stretches["conduit_length_m"].to_numpy(dtype=np.float64))
    nothing = np.zeros(len(conduit_m))
    if LEAST_CANAL in stretches:
        return stretches[LEAST_CANAL].to_numpy(dtype=np.float64), nothing
    if energy.conduit == "pipe":
        return nothing, conduit_m
    if "penstock_length_m" not in stretches:
        return conduit_m, nothing
    return tuple(
        np.nan_to_num(stretches[name].to_numpy(dtype=np.float64))
        for name in ("headrace_length_m", "penstock_length_m")
    )


def net_head_m(head_m, headrace_length_m, energy):
    """Gross head less the losses that do not go with the flow: canal fall, rack, gates and exit.

    Parameters
    ----------
    head_m : float or ndarray
        Gross head [m].
    headrace_length_m : float or ndarray
        Length of the headrace without the penstock [m]; 0 without one. See `waterway_lengths_m`.
    energy : sitefinder.settings.EnergySettings

    Returns
    -------
    ndarray of float64
        Net head [m], never below zero. The friction of a penstock or pipe goes with the flow and is not in it, see
        `pipe_loss_m`.
    """
    slope = energy.canal_slope if energy.conduit == "canal" else 0.0
    loss_m = slope * np.asarray(headrace_length_m, dtype=float)
    loss_m = loss_m + energy.rack_and_gate_loss_m + energy.exit_loss_m
    return np.maximum(np.asarray(head_m, dtype=float) - loss_m, 0.0)


@part
def pipe_diameter_m(flow_m3s, velocity_m_s):
    """Inner diameter of a round pipe that a flow fills at a velocity [m].

    Examples
    --------
    >>> round(pipe_diameter_m(1.0, 4.0 / math.pi), 12)
    1.0
    """
    return math.sqrt(4.0 * flow_m3s / (math.pi * velocity_m_s))


@part
def friction_factor(reynolds, relative_roughness):
    r"""Darcy's friction factor of a round pipe in turbulent flow, as all pipes of a plant have it.

    Parameters
    ----------
    reynolds : float
        Reynolds number by the diameter.
    relative_roughness : float
        Roughness over diameter.

    Returns
    -------
    float

    Notes
    -----
    :math:`0.25 / \log_{10}(\varepsilon / 3.7 + 5.74 / Re^{0.9})^2` of [1]_ (from memory), which replaces the
    equation of Colebrook and White.

    References
    ----------
    .. [1] P. K. Swamee and A. K. Jain, "Explicit equations for pipe-flow problems," J. Hydraul. Div. ASCE,
       vol. 102, no. 5, pp. 657-664, 1976.
    """
    return 0.25 / math.log10(relative_roughness / 3.7 + 5.74 / reynolds**0.9) ** 2


@part
def pipe_loss_m(flow_design_m3s, length_m, conduit):
    r"""Head that a pipe takes when its design flow runs.

    Parameters
    ----------
    flow_design_m3s : float
        [m³/s]; it fills the pipe at the waterway's velocity, which gives the diameter.
    length_m : float
        [m]; without length there is no pipe and no loss.
    conduit : Waterway

    Returns
    -------
    float
        [m]. At another flow the loss is that times the square of the relative flow: the friction
        factor is kept at its design value.

    Notes
    -----
    Darcy and Weisbach, :math:`(f L / D + k) v^2 / 2g`, or Manning,
    :math:`L n^2 v^2 / R^{4/3} + k v^2 / 2g` with :math:`R = D / 4`. Longer or thinner pipes lose more.
    """
    if length_m <= 0.0 or flow_design_m3s <= 0.0:
        return 0.0
    diameter_m = pipe_diameter_m(flow_design_m3s, conduit.velocity_m_s)
    return pipe_loss_by_diameter_m(length_m, diameter_m, pipe_friction(diameter_m, conduit), conduit)


@part
def pipe_friction(diameter_m, conduit):
    """What the friction of a full pipe goes by at the waterway's velocity, for `pipe_loss_by_diameter_m`.

    Darcy's friction factor, or by Manning the hydraulic radius [m] to the power of 4/3.
    """
    if conduit.by_manning:
        return (0.25 * diameter_m) ** (4.0 / 3.0)
    velocity = conduit.velocity_m_s
    return friction_factor(velocity * diameter_m / conduit.viscosity_m2_s, conduit.roughness_m / diameter_m)


@part
def pipe_loss_by_diameter_m(length_m, diameter_m, friction, conduit):
    """`pipe_loss_m` of a pipe that has a length, by its diameter and its `pipe_friction`."""
    velocity = conduit.velocity_m_s
    velocity_head = velocity**2 / (2.0 * conduit.gravity_m_s2)
    if conduit.by_manning:
        loss = length_m * conduit.manning_n**2 * velocity**2 / friction
    else:
        loss = friction * length_m / diameter_m * velocity_head
    return loss + conduit.form_loss * velocity_head


# Flow taken for the survey day where it is unknown [% of time exceeded]: the median.
MEDIAN_PERCENT = 50.0


class WaterDepths(NamedTuple):
    """Depth of water at each station; only differences at one station matter.

    ``depth_m`` has the depth at each bin of the duration curve, shape (stations, bins), and ``survey_m`` that of
    the day on which the DEM was surveyed, shape (stations,) [m]. ``mean_exponent`` and ``flow_exponent``, shape
    (stations,), are the powers of mean flow and of flow at a station by which a river is deeper that carries more
    than was thought; None where those of the settings hold everywhere.
    """

    depth_m: np.ndarray
    survey_m: np.ndarray
    mean_exponent: np.ndarray | None = None
    flow_exponent: np.ndarray | None = None

    def at(self, stations) -> "WaterDepths":
        """Depths of some of the stations.

        Parameters
        ----------
        stations : ndarray of int64, shape (k,)

        Returns
        -------
        WaterDepths
        """
        return WaterDepths(*(None if part is None else part[stations] for part in self))

    @property
    def rise_m(self):
        """Rise of each bin above the level of the survey day [m], shape (stations, bins)."""
        return self.depth_m - self.survey_m[:, None]


class Rating(NamedTuple):
    """Levels that a user measured at a place, with the stations that it holds for.

    ``flow_m3s`` and ``level_m`` rise and have the same length, at least 2; the datum of the levels does not
    matter.
    """

    stations: np.ndarray
    flow_m3s: np.ndarray
    level_m: np.ndarray


def water_depths(
    curve_m3s, exceedance, mean_m3s, tailwater, survey_percent=None, ratings=(), bins_m3s=None, shapes=None
) -> WaterDepths:
    r"""Depth of water at each station over its duration curve, by the user's ratings or the shape of the channel.

    Parameters
    ----------
    curve_m3s : ndarray of float64, shape (stations, bins)
        Natural flow in bins of equal time [m³/s], falling.
    exceedance : ndarray of float64, shape (bins,)
        Share of time that each bin is exceeded, rising.
    mean_m3s : ndarray of float64, shape (stations,)
        Mean flow [m³/s].
    tailwater : sitefinder.settings.TailwaterSettings
    survey_percent : float, optional
        Share of time that the flow of the survey day is exceeded [%]; without it the median flow is taken.
    ratings : sequence of Rating
        Where two apply to a station, the later one counts.
    bins_m3s : ndarray of float64, shape (stations, any), optional
        Flows to give depths of in place of the curve's; the survey day's is read off the curve all the same.
    shapes : ChannelShapes, optional
        Of the same stations. Without it hydraulic geometry gives all depths.

    Returns
    -------
    WaterDepths
        Zero everywhere where the settings turn tailwater off, ratings included. NaN where the flow is.

    Notes
    -----
    For the depth of a channel see `ChannelShapes`. A level below the table of a rating counts as its lowest; above
    it the last piece is drawn on straight, because a level held still would hide that floods drown the head.
    Levels of a rating are counted from its lowest one.

    Examples
    --------
    Four times the flow gives 1.74 times the depth:

    >>> from sitefinder.settings import TailwaterSettings
    >>> depth_m = water_depths(
    ...     np.array([[4.0, 1.0]]), np.array([0.25, 0.75]), np.array([2.5]), TailwaterSettings()
    ... ).depth_m[0]
    >>> round(float(depth_m[0] / depth_m[1]), 3)
    1.741
    """
    curve_m3s, mean_m3s = np.asarray(curve_m3s, dtype=float), np.asarray(mean_m3s, dtype=float)
    bins_m3s = curve_m3s if bins_m3s is None else np.asarray(bins_m3s, dtype=float)
    if tailwater.method == "none":
        return WaterDepths(np.zeros(bins_m3s.shape), np.zeros(len(curve_m3s)))
    share = (MEDIAN_PERCENT if survey_percent is None else survey_percent) / 100.0
    place = np.interp(share, exceedance, np.arange(len(exceedance)))
    before = min(int(place), len(exceedance) - 2)
    surveyed = curve_m3s[:, before] + (place - before) * (curve_m3s[:, before + 1] - curve_m3s[:, before])
    if shapes is None:
        at_mean_m = tailwater.depth_at_1_m3s_m * mean_m3s**tailwater.downstream_exponent
        depth_m, survey_m = (
            at_mean_m[:, None] * _relative(flow_m3s, mean_m3s) ** tailwater.station_exponent
            for flow_m3s in (bins_m3s, surveyed[:, None])
        )
        exponents = [None, None]
    else:
        everywhere = np.arange(len(mean_m3s))
        depth_m, survey_m = (shapes.depth_m_at(everywhere, flow) for flow in (bins_m3s, surveyed[:, None]))
        exponents = [each.copy() for each in shapes.depth_exponents]
    survey_m = survey_m[:, 0]
    for rating in ratings:
        depth_m[rating.stations] = _level(rating, bins_m3s[rating.stations])
        survey_m[rating.stations] = _level(rating, surveyed[rating.stations])
        for each in exponents:
            if each is not None:
                each[rating.stations] = tailwater.station_exponent
    return WaterDepths(depth_m, survey_m, *exponents)


# Flow over mean flow, shape (stations, any); where nothing ever flows there is none.
def _relative(flow_m3s, mean_m3s):
    mean = mean_m3s[:, None]
    return np.divide(flow_m3s, mean, out=np.zeros_like(flow_m3s), where=mean != 0)


# Level of a flow in the table of a rating, above its lowest.
def _level(rating, flow_m3s):
    flow, level = np.asarray(rating.flow_m3s, dtype=float), np.asarray(rating.level_m, dtype=float)
    level = level - level[0]
    steepness = (level[-1] - level[-2]) / (flow[-1] - flow[-2])
    return np.interp(flow_m3s, flow, level) + steepness * np.maximum(flow_m3s - flow[-1], 0.0)


def intake_is_held(scheme_type, tailwater):
    """Which scheme types have a weir that holds the level at the intake.

    Parameters
    ----------
    scheme_type : array_like of str, shape (n,)
    tailwater : sitefinder.settings.TailwaterSettings

    Returns
    -------
    ndarray of bool, shape (n,)
        The water over the crest of such a weir rises in a flood too, by less than the tailwater does; that rise is
        neglected, so that the head in floods is underestimated rather than overestimated.
    """
    return np.isin(np.asarray(scheme_type, dtype=object).astype(str), list(tailwater.held_scheme_types))


class MeasuredSection(NamedTuple):
    """Width and mean depth measured at a flow, and the stations to which they apply.

    ``away_m`` is the distance along the stream to each of ``stations``; ``flow_m3s``, ``width_m`` and ``depth_m``
    are above zero.
    """

    stations: np.ndarray
    away_m: np.ndarray
    flow_m3s: float
    width_m: float
    depth_m: float


class ChannelShapes(NamedTuple):
    """Width and mean depth of each station at its mean flow, shape (n,), and how both move with flow.

    Attributes
    ----------
    mean_m3s, width_m, depth_m : ndarray of float64, shape (n,)
        Mean flow, and width and depth at it [m].
    is_measured : ndarray of bool, shape (n,)
        True where a measured section is behind both.
    width_exponent, depth_exponent : float
        Powers of flow at a station, where the slope does not give the depth.
    depth_exponents : (ndarray of float64, ndarray of float64), each of shape (n,)
        Powers of mean flow and of flow at the station by which the depth grows from that at mean flow.
    slope : ndarray of float64, shape (n,)
        Slope of the water surface where the depth is Manning's, else NaN.
    resistance : sitefinder.energy.open_channel.Resistance
        Of those slopes.
    """

    mean_m3s: np.ndarray
    width_m: np.ndarray
    depth_m: np.ndarray
    is_measured: np.ndarray
    width_exponent: float
    depth_exponent: float
    depth_exponents: tuple[np.ndarray, np.ndarray]
    slope: np.ndarray
    resistance: Resistance

    @property
    def method(self):
        """How each depth is found, shape (n,): one of `sitefinder.vocabulary.HYDRAULICS_METHODS`."""
        found = np.where(np.isnan(self.slope), HYDRAULIC_GEOMETRY, MANNING).astype(object)
        found[self.is_measured] = MEASURED_SECTION
        return found

    def width_m_at(self, stations, flow_m3s):
        """Width at other flows; arguments and result as in `at`."""
        relative = _relative(np.asarray(flow_m3s, dtype=float), self.mean_m3s[stations])
        width_m = self.width_m[stations][:, None] * relative**self.width_exponent
        # A bed of an exponent of 0 keeps its width when it is dry.
        return np.where(flow_m3s != 0, width_m, 0.0)

    def depth_m_at(self, stations, flow_m3s):
        """Depth at other flows; arguments and result as in `at`."""
        flow_m3s = np.asarray(flow_m3s, dtype=float)
        relative = _relative(flow_m3s, self.mean_m3s[stations])
        depth_m = np.where(flow_m3s != 0, self.depth_m[stations][:, None] * relative**self.depth_exponent, 0.0)
        by_slope = np.flatnonzero(~np.isnan(self.slope[stations]))
        rows = stations[by_slope]
        depth_m[by_slope] = uniform_depth_m(
            flow_m3s[by_slope], self.width_m_at(rows, flow_m3s[by_slope]), self.resistance.at(rows)
        )
        return depth_m

    def at(self, stations, flow_m3s):
        """Width, depth and speed at other flows.

        Parameters
        ----------
        stations : ndarray of int, shape (k,)
        flow_m3s : ndarray of float64, shape (k, any)

        Returns
        -------
        width_m, depth_m, speed_m_s : ndarray of float64, shape of flow_m3s
            Zero where nothing flows, NaN where the flow is.
        """
        flow_m3s = np.asarray(flow_m3s, dtype=float)
        width_m, depth_m = (of(stations, flow_m3s) for of in (self.width_m_at, self.depth_m_at))
        speed = np.divide(flow_m3s, width_m * depth_m, out=np.zeros_like(flow_m3s), where=flow_m3s != 0)
        return width_m, depth_m, speed


def hydraulic_width_m(mean_m3s, channel):
    """Width at mean flow by hydraulic geometry.

    Parameters
    ----------
    mean_m3s : ndarray of float64, shape (n,)
        Mean flow [m³/s].
    channel : sitefinder.settings.ChannelSettings

    Returns
    -------
    ndarray of float64, shape (n,)
        [m].
    """
    return channel.width_at_1_m3s_m * np.asarray(mean_m3s, dtype=float) ** channel.downstream_exponent


def channel_shapes(mean_m3s, tailwater, channel, sections=(), slope=None) -> ChannelShapes:
    r"""Width and depth of each station.

    Parameters
    ----------
    mean_m3s : ndarray of float64, shape (n,)
        Mean flow [m³/s].
    tailwater : sitefinder.settings.TailwaterSettings
        Reads the three depth parameters; slopes do not matter where its method is hydraulic_geometry.
    channel : sitefinder.settings.ChannelSettings
    sections : sequence of MeasuredSection
        Of several that hold for a station the nearest counts, of equals the earlier.
    slope : ndarray of float64, shape (n,), optional
        Slope of the water surface, NaN where it is not known.

    Returns
    -------
    ChannelShapes

    Notes
    -----
    Down a river the width at mean flow is :math:`w = a \bar Q^{b}` and the mean depth :math:`d = c \bar Q^{f}`; at
    a station both move with flow by exponents of their own [1]_. Real streams scatter widely about such laws, and
    small steep ones depart from them: on average width, depth and speed go there by 0.20, 0.29 and 0.51 [2]_.
    Where the slope is known, the depth is that of uniform flow in a rectangle of that width, see
    `sitefinder.energy.open_channel`. Speed is :math:`Q / (w d)`, the mean over the section: midstream runs faster,
    banks slower.

    References
    ----------
    .. [1] L. B. Leopold and T. Maddock, "The hydraulic geometry of stream channels and some physiographic
       implications," U.S. Geol. Surv., Washington, DC, USA, Prof. Paper 252, 1953. Quoted after others.
    .. [2] D. E. Reid, E. J. Hickin and S. C. Babakaiff, "Low-flow hydraulic geometry of small, steep mountain
       streams in southwest British Columbia," Geomorphology, vol. 122, pp. 39-55, 2010, abstract.
    """
    mean_m3s = np.asarray(mean_m3s, dtype=float)
    width_m = hydraulic_width_m(mean_m3s, channel)
    depth_m = tailwater.depth_at_1_m3s_m * mean_m3s**tailwater.downstream_exponent
    nearest_m = np.full(len(mean_m3s), np.inf)
    for section in sections:
        # At a station without flow there is nothing to carry over.
        holds = (section.away_m < nearest_m[section.stations]) & (mean_m3s[section.stations] > 0)
        rows = section.stations[holds]
        relative = mean_m3s[rows] / section.flow_m3s
        width_m[rows] = section.width_m * relative**channel.station_exponent
        depth_m[rows] = section.depth_m * relative**tailwater.station_exponent
        nearest_m[rows] = section.away_m[holds]
    is_measured = np.isfinite(nearest_m)
    by_slope = mean_m3s > 0
    if slope is None or tailwater.method == "hydraulic_geometry":
        by_slope = np.zeros(len(mean_m3s), dtype=bool)
    else:
        by_slope &= (np.asarray(slope) > 0) & ~is_measured
    slope = np.where(by_slope, slope if slope is not None else np.nan, np.nan)
    rough = resistance(slope, channel.manning_n, channel.jarrett_from_slope)
    mean_exponent, flow_exponent = (
        np.full(len(mean_m3s), each) for each in (tailwater.downstream_exponent, tailwater.station_exponent)
    )
    # A section that was measured stays as wide and deep as it is, whatever the mean flow is.
    mean_exponent[is_measured] = tailwater.station_exponent
    rows = np.flatnonzero(by_slope)
    own = rough.at(rows)
    flow, width = mean_m3s[rows], width_m[rows]
    depth_m[rows] = uniform_depth_m(flow[:, None], width[:, None], own)[:, 0]
    for exponents, of_width in (
        (mean_exponent, channel.downstream_exponent),
        (flow_exponent, channel.station_exponent),
    ):
        exponents[rows] = depth_elasticity(flow, width, depth_m[rows], own, of_width)
    return ChannelShapes(
        mean_m3s,
        width_m,
        depth_m,
        is_measured,
        channel.station_exponent,
        tailwater.station_exponent,
        (mean_exponent, flow_exponent),
        slope,
        rough,
    )
