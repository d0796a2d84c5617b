"""What each flag of sites and reaches says, in words for people who read no column."""

# Flags are told as they stand in the column ``flags``; those of flows are of `sitefinder.flows.estimate.FLAGS`.
FLAG_WORDS = {
    "head_unresolved": "The DEM does not resolve the head: it may be nothing. Measure it before all else.",
    "cost_extrapolated": "The cost law was not made for a plant of this power or head.",
    "catchment_incomplete": "Water may enter over the edge of the DEM: catchment and flow are lower bounds.",
    "covariate_partial": "Rasters that the flow equations read cover only a part of the catchment.",
    "regulated": "A dam or regulated water above changes the flow.",
    "karst": "Water may be lost to karst, or come from it: the flow is less sure.",
    "snap_doubtful": "It is doubtful which channel of the DEM belongs to the mapped stream.",
    "seam": "A step between tiles of the DEM crosses the stretch and may look like head.",
    "dem_border": "Two surveys of different error meet in the stretch.",
    "dem_surface_model": "The DEM shows trees, roofs and bridges, not the ground: measure the head.",
    "standing_water": "Standing water lies in the stretch.",
    "standing_water_detected": "The DEM is level here as if water stood in the stretch; no map says so.",
    "tidal": "The tide reaches the stretch.",
    "developed": "An existing plant uses the stream here.",
    "head_measured": "Levels were measured on site and are used.",
    "flow_missing": "No flow can be told here.",
    "flow_extrapolated": "The catchment is outside the range of the flow equations.",
    "flow_outside_area": "The catchment is smaller or larger than those of the flow equations.",
    "flow_leverage": "The catchment is unlike those of the gauges behind the flow equations.",
    "flow_region_doubtful": "The flow regions do not cover the catchment exactly once.",
    "flow_negative": "A flow equation fell below nothing; nothing is taken.",
    "flow_interval_widened": "The interval of the mean flow was widened: its equation missed too many gauges.",
    "flow_intermittent": "The stream is dry for a part of the time.",
    "flow_altered": "Abstractions or transfers change the mean flow.",
    "flow_exhausted": "More water is taken above than there is at some times.",
    "curve_repaired": "The regressed flow quantiles crossed and were pooled.",
    "curve_scaled": "The flow duration curve was scaled by more than 1.5 to meet the mean flow.",
    "curve_extended": "A low or high flow was read beyond the outermost flow quantiles.",
    "gauge_differs": "A gauge on this stream has a mean flow outside the interval of the equations.",
    "seen_dry": "A spot gauging found no water here.",
    "months_missing": "The flow equations tell of no months here.",
    "months_scaled": "The months were scaled by more than 1.5 to meet the mean flow.",
    "network_unresolved": "The stream could not be joined to the network: head, area and flow are not known.",
    "survival_rounded": "Losses of fish were rounded up in the choice; a slightly better set of sites may exist.",
}
SEPARATOR = "; "
IN_USE = "structure_in_use"


def flags_in_words(flags):
    """What a cell of the column ``flags`` says.

    Parameters
    ----------
    flags : str
        As delivered.

    Returns
    -------
    list of str
        A sentence for each flag, in their order. A flag without words is told as it is.

    Examples
    --------
    >>> flags_in_words("tidal; structure_in_use: mill")
    ['The tide reaches the stretch.', 'The structure is in use: mill.']
    >>> flags_in_words("")
    []
    """
    told = []
    for flag in filter(None, flags.split(SEPARATOR)):
        name, _, use = flag.partition(": ")
        if name == IN_USE:
            told.append(f"The structure is in use: {use}." if use else "The structure is in use.")
        else:
            told.append(FLAG_WORDS.get(flag, flag))
    return told
