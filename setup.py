"""Which packages a wheel holds: those found, and the generic data files of config/ (see pyproject.toml)."""

from setuptools import find_packages, setup

setup(packages=[*find_packages(include=["sitefinder", "sitefinder.*"]), "sitefinder.generic"])
