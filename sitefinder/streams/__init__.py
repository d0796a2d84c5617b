"""Lines to a directed network, its stations, their long profile and their catchments."""
