"""Tables and files of a delivery: each one a stage."""
