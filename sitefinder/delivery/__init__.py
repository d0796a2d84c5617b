"""The delivery: every table and every file of it is made by a stage of its own."""
