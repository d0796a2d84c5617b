"""Machine files and cost files, read from TOML and checked all at once."""

from sitefinder.config import checked
from sitefinder.errors import ConfigError, all_of
from sitefinder.io.settings import read_toml
from sitefinder.power.cost_file import CostFile
from sitefinder.power.machines import MachineFile


def read_machines(paths):
    """Machine classes from files.

    Parameters
    ----------
    paths : list of path-like
        TOML files with ``[[machines]]`` tables; see config/machines/generic.toml.

    Returns
    -------
    list of MachineClass
        In the order of the files and of the tables in them.

    Raises
    ------
    ConfigError
        With the problems of all files at once: a file that is absent or no TOML, a class that does not hold
        together, a name that stands twice.
    """
    machines, homes, problems = [], {}, []
    for path in paths:
        try:
            read = checked(MachineFile, read_toml(path, "machine"), str(path)).machines
        except ConfigError as error:
            problems.append(str(error))
            continue
        for machine in read:
            if machine.name in homes:
                where = "twice" if homes[machine.name] == path else f"already in {homes[machine.name]}"
                problems.append(f"{path}: the machine class {machine.name!r} stands {where}; give it another name")
            homes.setdefault(machine.name, path)
        machines.extend(read)
    if problems:
        raise all_of(ConfigError, "machine files", problems)
    return machines


def read_costs(path):
    """A cost file.

    Parameters
    ----------
    path : path-like
        TOML; see config/costs/generic.toml.

    Returns
    -------
    CostFile

    Raises
    ------
    ConfigError
        Naming every problem of the file at once.
    """
    return checked(CostFile, read_toml(path, "cost"), str(path))
