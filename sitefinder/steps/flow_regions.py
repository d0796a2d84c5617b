"""The regions of flow equations: read as a layer, made a share of each catchment, and weights of equations."""

import numpy as np
import pandas as pd
import shapely

from sitefinder.errors import InputError, listed
from sitefinder.hydrology.regions import RegionWeights, apply_regional, by_statistic
from sitefinder.io.vector import read_layer, validate_near_region
from sitefinder.network.topology import REPAIR_COLUMNS

FLOW_REGIONS = "flow_regions"
PERCENT = 100.0


def read_flow_regions(source, folder, crs, bounds):
    """The layer of regions, with the code of each polygon as its name, and no polygon far from the DEM.

    Parameters
    ----------
    source : sitefinder.settings.FlowRegionSource
    folder : Path
    crs : str
        Coordinate system of the run.
    bounds : tuple of float or None
        Of the DEM, in the run's system [m].

    Returns
    -------
    LayerRead

    Raises
    ------
    InputError
        If the layer cannot be read, has no column of codes, no code, or lies elsewhere.
    """
    by_code = source.model_copy(update={"name_column": source.code_column})
    read = read_layer(by_code, folder, crs, what=FLOW_REGIONS, geometry="polygon")
    if bounds is not None:
        validate_near_region(read, bounds)
    frame = read.frame
    named = (frame["feature_name"] != "").to_numpy()
    if not named.any():
        raise InputError.of(
            "no region of inputs.flow_regions has a code",
            file=source.path,
            expected=f"the code of each region in column {source.code_column}, as the equations give it in region",
            found=f"{len(frame)} polygons with nothing there",
            fix="correct inputs.flow_regions.code_column",
        )
    repairs = read.repairs
    if not named.all():
        row = (FLOW_REGIONS, "", f"{(~named).sum()} polygons do not say {source.code_column}", "left out")
        repairs = pd.concat([repairs, pd.DataFrame([row], columns=REPAIR_COLUMNS, dtype="str")], ignore_index=True)
    near = named if bounds is None else named & frame.intersects(shapely.box(*bounds)).to_numpy()
    if not near.any():
        raise InputError.of(
            "no region of inputs.flow_regions reaches the DEM",
            file=source.path,
            expected="polygons that hold the ground of the DEM",
            found=f"{named.sum()} polygons beside it",
            fix="check that the layer is of the same region as the DEM",
        )
    return read._replace(frame=frame[near].reset_index(drop=True), repairs=repairs)


def region_codes(inputs):
    """Codes of the regions near the DEM, in order; none without the layer."""
    if FLOW_REGIONS not in inputs.layers:
        return []
    return sorted(set(inputs.layers[FLOW_REGIONS].frame["feature_name"]))


def region_polygons(inputs):
    """Polygons of each region by the column of the catchments that holds its share.

    Returns
    -------
    dict of str to ndarray of shapely geometry
    """
    return {
        region_column(code): frame.geometry.to_numpy()[(frame["feature_name"] == code).to_numpy()]
        for code in region_codes(inputs)
        for frame in [inputs.layers[FLOW_REGIONS].frame]
    }


def region_column(code):
    """Column of the catchments with the share in a region [%]; its space keeps it apart from all predictors."""
    return f"flow region {code}"


def region_weights(settings, inputs, catchments):
    """Weights of the regions at each station, or None without the layer.

    Returns
    -------
    RegionWeights or None
    """
    codes = region_codes(inputs)
    if not codes:
        return None
    share = catchments[[region_column(code) for code in codes]].to_numpy(dtype=np.float64) / PERCENT
    return RegionWeights(tuple(codes), share, settings.flows.region_weights == "renormalised")


def flow_by_regions(equations, predictors, weights=None):
    """Flow of the equations of one statistic at stations [m³/s]."""
    (regional,) = by_statistic(equations, weights).values()
    return apply_regional(regional, predictors, weights).flow_m3s


def trial_weights(layers):
    """Weights of one station that lies in all regions, to try equations on before anything long begins."""
    read = layers.get(FLOW_REGIONS)
    if read is None:
        return None
    codes = tuple(sorted(set(read.frame["feature_name"])))
    return RegionWeights(codes, np.full((1, len(codes)), 1.0 / len(codes)))


def list_region_doubts(inputs, equations):
    """Regions near the DEM that no equation is for, as rows of the repairs."""
    given = {equation.region for equation in equations}
    lacking = [] if None in given else [code for code in region_codes(inputs) if code not in given]
    row = (FLOW_REGIONS, listed(lacking, 5), "no equation for these regions", "their ground counts as uncovered")
    return pd.DataFrame([row] if lacking else [], columns=REPAIR_COLUMNS, dtype="str")
