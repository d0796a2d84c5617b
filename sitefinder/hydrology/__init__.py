"""Flow duration curves by regional equations and gauges, environmental flow, abstractions."""
