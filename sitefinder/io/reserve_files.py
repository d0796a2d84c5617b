"""Presets of published reserve rules, read from TOML and checked all at once."""

import difflib

from sitefinder.config import ReservePreset, checked
from sitefinder.errors import ConfigError, all_of, listed
from sitefinder.io.settings import read_toml


def read_reserve(reserve, folder):
    """The rules that the settings ask for, those of presets in their place.

    Parameters
    ----------
    reserve : list of ReserveSetting
    folder : Path
        Folder that relative paths start from.

    Returns
    -------
    list of ReserveRule
        Rules of a preset carry its source.

    Raises
    ------
    ConfigError
        With the problems of all files at once: a file that is absent or no TOML, a preset without source or
        remark, a choice that is not made or not there.
    """
    rules, problems = [], []
    for setting in reserve:
        if setting.preset is None:
            rules.append(setting)
            continue
        path = folder / setting.preset
        try:
            preset = checked(ReservePreset, read_toml(path, "reserve"), str(path))
            chosen = _chosen(preset, setting, path)
        except ConfigError as error:
            problems.append(error)
            continue
        source = f"{preset.name}, {chosen.name}: {preset.source}"
        rules += [rule.model_copy(update={"source": source}) for rule in chosen.rules]
    if len(problems) == 1:
        raise problems[0]
    if problems:
        raise all_of(ConfigError, "reserve files", [str(problem) for problem in problems])
    return rules


# Which rule holds is the user's to say wherever there is more than one.
def _chosen(preset, setting, path):
    names = [choice.name for choice in preset.choices]
    if setting.choice is None and len(names) == 1:
        return preset.choices[0]
    if setting.choice in names:
        return preset.choices[names.index(setting.choice)]
    near = difflib.get_close_matches(setting.choice or "", names, n=1)
    raise ConfigError.of(
        "flows.reserve does not say which of the preset's rules to take",
        file=path,
        expected=f"choice = one of: {listed(names, 20)}",
        found="no choice" if setting.choice is None else f'choice = "{setting.choice}"',
        fix=f"did you mean {near[0]}?" if near else "choose; local law decides",
    )
