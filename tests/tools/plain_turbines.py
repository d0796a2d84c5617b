"""A plain turbine class, to be changed in what a test is about."""

from sitefinder.catalogue.screens import Screen, ScreenSources
from sitefinder.catalogue.turbines import TurbineClass


def survival(share, evidence="tested"):
    """A stated survival; a tested one names a trial with fish of any length."""
    stated = {"share": share, "evidence": evidence, "reason": "an example", "source": "an example"}
    if evidence == "tested":
        trial = {"study": "an example", "species": "trout", "lengths_m": (0.01, 2.0), "fish": 100}
        return stated | {"trials": (trial,)}
    return stated | {"share_range": (0.0, 1.0)}


def plain_screen(**changes):
    """A screen of 20 mm that guides half of all fish, tested at all lengths, with these fields replaced."""
    fields = {
        "name": "plain screen",
        "bar_spacing_mm": 20.0,
        "angle_degrees": 26.0,
        "approach_velocity_m_s": 0.5,
        "guidance": ((0.001, 0.5),),
        "bypass_survival": 1.0,
        "bypass_survival_range": (0.9, 1.0),
        "bypass_share": 0.05,
        "head_loss_m": 0.1,
        "trials": ({"study": "an example", "species": "trout", "lengths_m": (0.01, 2.0), "fish": 100},),
        "sources": dict.fromkeys(ScreenSources.model_fields, "an example"),
    }
    return Screen.model_validate(fields | changes)


def plain_turbine(**changes):
    """A turbine class of efficiency 0.8 at every flow, gear and generator 0.9, with these fields replaced."""
    practice = "an example"
    fields = {
        "name": "plain turbine",
        "head_range_m": (0.5, 10.0),
        "flow_range_m3s": (0.1, 5.0),
        "units_max": 1,
        "efficiency": ((0.0, 0.8), (1.0, 0.8)),
        "lowest_relative_flow": 0.0,
        "generator_efficiency": 0.9,
        "scheme_types": ("at_barrier", "diversion", "new_weir"),
        "survival": survival(0.99),
        "cost": {
            "coefficient": 10_000.0,
            "power_exponent": 0.5,
            "head_exponent": -1.0,
            "currency": "EUR",
            "year": 2024,
            "power_range_kw": (1.0, 100.0),
            "source": practice,
        },
        "sources": dict.fromkeys(
            [
                "head_range_m",
                "flow_range_m3s",
                "efficiency",
                "lowest_relative_flow",
                "generator_efficiency",
                "civil_factor",
            ],
            practice,
        ),
    }
    return TurbineClass.model_validate(fields | changes)
