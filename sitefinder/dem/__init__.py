"""From a digital elevation model to where each cell drains."""
