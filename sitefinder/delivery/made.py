"""Results as the stages of files see them: those that a stage declares, kept under what they hold."""

from collections.abc import Mapping

from sitefinder.io.digests import content_digest
from sitefinder.pipeline.graph import Parts
from sitefinder.steps.scope import NotDeclared

TABLE = "_table"


class MadeParts(Parts):
    """Results of earlier stages, of which a file sees those that its stage declares.

    Parameters
    ----------
    results : Mapping
        As `sitefinder.pipeline.graph.run_stages` gives them.
    stages : sequence of sitefinder.pipeline.graph.Stage
        That made them.
    """

    def __init__(self, results, stages):
        self._results = results
        self._with_content = {stage.name for stage in stages if stage.content is not None}

    def scoped(self, parts):
        """Results that refuse all else."""
        return SeenResults(self._results, tuple(parts))

    def facts(self, parts):
        """What each of these results holds; where that is not known, the key of what it was made from."""
        return {
            fact_of(name): self._results.content_of(name)
            if name in self._with_content
            else self._results.key_of(name)
            for name in parts
        }


class FontParts(Parts):
    """Font files of the user's, which count by what they hold.

    Parameters
    ----------
    paths : sequence of Path
    """

    def __init__(self, paths):
        self._paths = tuple(paths)

    def scoped(self, parts):
        """All of them, for a stage that declares fonts."""
        return self._paths if parts else ()

    def facts(self, parts):
        """A digest of each."""
        return {f"input font {number}": content_digest(path) for number, path in enumerate(self.scoped(parts), 1)}


class SeenResults(Mapping):
    """Results by name, those that a stage declares; a kept one is read when it is asked for."""

    def __init__(self, results, names):
        self._results, self._names = results, names

    def __getitem__(self, name):
        if name not in self._names:
            raise NotDeclared(f"result {name}: name it in the line of this stage in sitefinder.delivery.graph")
        return self._results[name]

    def __iter__(self):
        return iter(self._names)

    def __len__(self):
        return len(self._names)


def fact_of(name):
    """What a result is called among the facts of a recipe.

    Examples
    --------
    >>> fact_of("sites_table"), fact_of("relief")
    ('table sites', 'result relief')
    """
    return f"table {name.removesuffix(TABLE)}" if name.endswith(TABLE) else f"result {name}"
