"""The one place where all parts meet: the stage graph."""
