"""Models of the data files: turbines, costs and equations, each figure with its source."""
