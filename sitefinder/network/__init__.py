"""Lines to a directed network, its stations and their catchments."""
