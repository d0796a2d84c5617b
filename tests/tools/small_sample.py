"""Settings for runs of the sample region that are not about heads or turbines, and take half the time."""

from pathlib import Path

# What the region makes likely, and the luck of those that are chosen, is judged by all candidates.
HEADS_AS_SURVEYED = """
[heads]
shrink = false
correct_selection = false
"""
FEW = "turbines/few.toml"
FEW_TURBINES = f"""
[energy]
turbines = ["{FEW}"]
"""


def write_few_turbines(settings, *names):
    """Write the file that `FEW_TURBINES` names beside settings of the sample region, of a few generic classes.

    Parameters
    ----------
    settings : Path
        A settings file in the folder of the sample's.
    *names : str
        Names of classes, as the file of all has them.
    """
    folder = Path(settings).parent / "turbines"
    head, *classes = (folder / "generic.toml").read_text(encoding="utf-8").split("[[turbines]]\n")
    own = [each for each in classes if each.split("\n")[0].removeprefix("name = ").strip('"') in names]
    assert len(own) == len(names)
    text = "[[turbines]]\n".join([head, *own])
    (folder.parent / FEW).write_text(text, encoding="utf-8")
