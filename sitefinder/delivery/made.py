"""Results, scoped for the stages of files: those that a stage declares, keyed by content."""

from collections.abc import Mapping

from sitefinder.io.bound_files import bound_now
from sitefinder.io.digests import content_digest
from sitefinder.pipeline.graph import Parts
from sitefinder.steps.scope import NotDeclared

TABLE = "_table"


class MadeParts(Parts):
    """Results of earlier stages, of which a file can read those that its stage declares.

    Parameters
    ----------
    results : Mapping
        As `sitefinder.pipeline.graph.run_stages` gives them.
    stages : sequence of sitefinder.pipeline.graph.Stage
        Stages that made them.
    """

    def __init__(self, results, stages):
        self._results = results
        self._with_content = {stage.name for stage in stages if stage.content is not None}

    def scoped(self, parts):
        """Results that refuse any other name."""
        return SeenResults(self._results, tuple(parts))

    def facts(self, parts):
        """Content digest of each of these results, or its key if the digest is not known."""
        return {
            fact_of(name): self._results.content_of(name)
            if name in self._with_content
            else self._results.key_of(name)
            for name in parts
        }


class FileParts(Parts):
    """Files of the user for printed pages, such as fonts, keyed by content.

    Parameters
    ----------
    what : str
        What each of them is.
    paths : sequence of Path
    """

    def __init__(self, what, paths):
        self._what, self._paths = what, tuple(paths)

    def scoped(self, parts):
        """All of them, for a stage that declares them."""
        return self._paths if parts else ()

    def facts(self, parts):
        """A digest of each."""
        paths = self.scoped(parts)
        return {f"input {self._what} {number}": content_digest(path) for number, path in enumerate(paths, 1)}

    def validate_unchanged(self):
        """Refuse fonts that changed since the run first read them."""
        if (bound := bound_now()) is not None:
            bound.validate(self._paths)


class SeenResults(Mapping):
    """Results by name, those that a stage declares; a stored one is read when accessed."""

    def __init__(self, results, names):
        self._results, self._names = results, names

    def __getitem__(self, name):
        if name not in self._names:
            raise NotDeclared(f"result {name}: add it to this stage in sitefinder.delivery.graph")
        return self._results[name]

    def __iter__(self):
        return iter(self._names)

    def __len__(self):
        return len(self._names)


def fact_of(name):
    """Name of a result in a recipe.

    Examples
    --------
    >>> fact_of("sites_table"), fact_of("relief")
    ('table sites', 'result relief')
    """
    return f"table {name.removesuffix(TABLE)}" if name.endswith(TABLE) else f"result {name}"
