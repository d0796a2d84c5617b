"""Machines of one class in several sizes."""


def family(machine):
    """The sizes that a class, or a rotor, states; itself alone where it states none.

    Parameters
    ----------
    machine : MachineClass or FreeStreamRotor

    Returns
    -------
    list of MachineClass or FreeStreamRotor
        One a diameter, in the order stated. The reference size keeps its name, the others carry their diameter in
        it. None of them states sizes of its own.

    Raises
    ------
    pydantic.ValidationError
        If a derived size does not hold together.

    Notes
    -----
    Similar machines at one head take flow, and give power, as the square of the diameter, because speeds in them
    go by the head alone: the affinity laws with exponents of 2. Machines with a free surface may state others.
    Where ``loss_exponent`` is not 0, smaller sizes lose more: (1 - efficiency) grows as (reference diameter /
    diameter)^loss_exponent, the form of L. F. Moody (1942), with about 0.2 for propellers, from memory. Lengths
    that the stream must have go with the diameter; ranges of head and prices by power stay.
    """
    law = machine.sizes
    if law is None:
        return [machine]
    return [_sized(machine, law, diameter_m) for diameter_m in law.diameters_m]


def _sized(machine, law, diameter_m):
    fields = machine.model_dump(exclude={"sizes"})
    scale = diameter_m / law.reference_diameter_m
    if scale == 1.0:
        return type(machine).model_validate(fields)
    fields["name"] = f"{machine.name}, {diameter_m:g} m"
    for name in ("least_depth_m", "least_width_m", "diameter_m", "height_m"):
        if fields.get(name) is not None:
            fields[name] = fields[name] * scale
    if "flow_range_m3s" in fields:
        fields["flow_range_m3s"] = tuple(flow * scale**law.flow_exponent for flow in machine.flow_range_m3s)
        if machine.power_most_kw is not None:
            fields["power_most_kw"] = machine.power_most_kw * scale**law.power_exponent
        fields["efficiency"] = tuple(
            (place, max(1.0 - (1.0 - value) * scale**-law.loss_exponent, 0.0))
            for place, value in machine.efficiency
        )
    return type(machine).model_validate(fields)
