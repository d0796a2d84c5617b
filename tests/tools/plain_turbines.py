"""A plain turbine class, to be changed in what a test is about."""

from sitefinder.catalogue.turbines import TurbineClass


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
        "survival": {"share": 0.99, "evidence": "tested", "reason": practice, "source": practice},
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
