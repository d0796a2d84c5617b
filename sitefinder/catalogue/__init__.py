"""Data files as models: turbines, costs, equations and DEM errors, each figure with its source."""
