"""What water weighs and how it flows: density by temperature, gravity by latitude, viscosity."""

import numpy as np

from sitefinder.units import GRAVITY_M_S2, WATER_DENSITY_KG_M3, WATTS_PER_KILOWATT

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
# Streams of the temperate zone over the year, where the settings say nothing (common practice, no source).
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
    r"""Gravity on the WGS 84 ellipsoid; a kilometre higher it is 0.03 % less, which is left out.

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


def gravity_of(energy):
    """Gravity by the settings' latitude, or the standard one [m/s²].

    Parameters
    ----------
    energy : sitefinder.config.EnergySettings
    """
    latitude_deg = energy.gravity_latitude_deg
    return GRAVITY_M_S2 if latitude_deg is None else float(normal_gravity_m_s2(latitude_deg))


def kw_per_m3s_m(energy):
    """Power of 1 m³/s falling 1 m without loss, by the settings' water temperature and latitude [kW].

    Parameters
    ----------
    energy : sitefinder.config.EnergySettings
        Without either of the two the standard value of it holds, 1000 kg/m³ and 9.80665 m/s².

    Examples
    --------
    >>> from sitefinder.config import EnergySettings
    >>> round(kw_per_m3s_m(EnergySettings(machines=["m.toml"])), 5)
    9.80665
    """
    temperature_degc = energy.water_temperature_degc
    density = WATER_DENSITY_KG_M3 if temperature_degc is None else water_density_kg_m3(temperature_degc)
    return density * gravity_of(energy) / WATTS_PER_KILOWATT
