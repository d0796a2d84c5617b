"""How the errors of regressed flows go together: residuals of the public gauges' regressions by region.

Prints the correlations of the residuals of the mean flow and of the flows exceeded 5 % and 95 % of the time, and
what the law exp(-|z - z'| / span) makes of them on a lognormal curve; ``uncertainty.quantile_correlation_span``
has its default from here.

Data: CAMELS attributes (Addor, Newman, Mizukami and Clark 2017, HESS 21:5293), see `tests/real/data/us_gauges`.
Run as ``python tests/benchmarks/quantile_errors.py``.
"""

from pathlib import Path

import numpy as np
import pandas as pd
from scipy.special import ndtri

GAUGES = Path(__file__).resolve().parents[1] / "real" / "data" / "us_gauges" / "attributes_671.csv"
FLOWS = {"mean": "Qmean_m3s", "5 %": "Q5exc_m3s", "95 %": "Q95exc_m3s"}
FEWEST = 25
SPANS = (1.0, 1.5, 2.0, 3.0)


def residuals(table):
    """Residuals of log flow on log area and log precipitation within each region, of gauges without zero flows."""
    rows = []
    for region, own in table.groupby("huc_02"):
        used = own[(own[list(FLOWS.values())] > 0).all(axis=1)]
        if len(used) < FEWEST:
            continue
        design = np.column_stack([np.ones(len(used)), np.log(used["area_gages2"]), np.log(used["P_mm_yr"])])
        found = {"region": region}
        flows = np.log(used[list(FLOWS.values())].to_numpy())
        left = flows - design @ np.linalg.lstsq(design, flows, rcond=None)[0]
        found |= {name: left[:, column] for column, name in enumerate(FLOWS)}
        rows.append(pd.DataFrame(found))
    return pd.concat(rows, ignore_index=True)


def of_law(span, spread=1.2):
    """Correlations that the law gives on a lognormal curve whose logs spread so much, by pair."""
    bins = -ndtri((np.arange(200) + 0.5) / 200)
    at = np.concatenate([bins, -ndtri([0.05, 0.95])])
    alike = np.exp(-np.abs(at[:, None] - at[None, :]) / span)
    water = np.concatenate([np.exp(spread * bins), [0.0, 0.0]])
    water /= water.sum()
    of_mean = alike @ water / np.sqrt(water @ alike @ water)
    return {("5 %", "95 %"): alike[-2, -1], ("mean", "5 %"): of_mean[-2], ("mean", "95 %"): of_mean[-1]}


def main():
    """Measure and print."""
    table = pd.read_csv(GAUGES)
    found = residuals(table)
    scaled = found[list(FLOWS)] / found.groupby("region")[list(FLOWS)].transform("std")
    alike = scaled.corr()
    pairs = (("5 %", "95 %"), ("mean", "5 %"), ("mean", "95 %"))
    print(f"{len(found)} gauges in {found['region'].nunique()} regions")
    print("correlation of residuals  " + "  ".join(f"{one} and {other}" for one, other in pairs))
    print("gauges                    " + "  ".join(f"{alike.loc[pair]:10.2f}" for pair in pairs))
    for span in SPANS:
        law = of_law(span)
        print(f"span {span:<20g} " + "  ".join(f"{law[pair]:10.2f}" for pair in pairs))
    by_region = scaled.groupby(found["region"])[["5 %", "95 %"]].apply(lambda own: own.corr().iloc[0, 1])
    print("by region: " + ", ".join(f"{region} {value:.2f}" for region, value in by_region.items()))


if __name__ == "__main__":
    main()
