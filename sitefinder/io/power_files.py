"""Machine files and cost files, read from TOML and checked all at once."""

from typing import NamedTuple

from pydantic import ValidationError

from sitefinder.config import checked
from sitefinder.errors import ConfigError, all_of
from sitefinder.io.settings import read_toml
from sitefinder.power.cost_file import CostFile
from sitefinder.power.machine_file import MachineFile
from sitefinder.power.machine_sizes import family


class MachinesRead(NamedTuple):
    """Machine classes that use a head, and free-stream rotors, each size by itself."""

    machines: list
    rotors: list


def read_machine_files(paths):
    """Machine classes and free-stream rotors from files.

    Parameters
    ----------
    paths : list of path-like
        TOML files with ``[[machines]]`` and ``[[rotors]]`` tables; see config/machines/generic.toml.

    Returns
    -------
    MachinesRead
        In the order of the files, of the tables in them, and of the sizes that a table states.

    Raises
    ------
    ConfigError
        With the problems of all files at once: a file that is absent or no TOML, a class that does not hold
        together, a name that stands twice, no class at all that uses a head.
    """
    machines, rotors, homes, problems = [], [], {}, []
    for path in paths:
        try:
            read = checked(MachineFile, read_toml(path, "machine"), str(path))
        except ConfigError as error:
            problems.append(str(error))
            continue
        for kind, into in ((read.machines, machines), (read.rotors, rotors)):
            for machine in (size for stated in kind for size in _sizes(stated, path, problems)):
                if machine.name in homes:
                    where = "twice" if homes[machine.name] == path else f"already in {homes[machine.name]}"
                    problems.append(
                        f"{path}: the machine class {machine.name!r} stands {where}; give it another name"
                    )
                homes.setdefault(machine.name, path)
                into.append(machine)
    if not machines and not problems:
        told = ", ".join(map(str, paths))
        problems.append(f"{told}: no machine class that uses a head; add a [[machines]] table to one of the files")
    if problems:
        raise all_of(ConfigError, "machine files", problems)
    return MachinesRead(machines, rotors)


# The sizes of a class; one that does not hold together is a problem.
def _sizes(stated, path, problems):
    try:
        return family(stated)
    except ValidationError as error:
        first = error.errors()[0]["msg"]
        problems.append(f"{path}: a size of {stated.name!r} does not hold together: {first}; correct its sizes")
        return [stated]


def read_machines(paths):
    """`read_machine_files` without the rotors.

    Parameters
    ----------
    paths : list of path-like

    Returns
    -------
    list of MachineClass
    """
    return read_machine_files(paths).machines


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
