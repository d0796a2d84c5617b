"""Bokeh's plots as JSON with ids that do not hang on what was made before, and BokehJS as text."""

from bokeh.document import Document
from bokeh.resources import Resources


def plots_json(plots):
    """A Bokeh document of the plots, the same for the same plots however often it is made in one process.

    Parameters
    ----------
    plots : sequence of bokeh.model.Model
        Each of them new; they may not be in a document yet.

    Returns
    -------
    dict
        What ``Bokeh.embed`` takes.
    """
    document = Document(title="sitefinder")
    for plot in plots:
        document.add_root(plot)
    return renumbered(document.to_json(deferred=False))


def renumbered(content):
    """The same JSON with ids p1, p2 … in the order in which they occur: Bokeh counts them through a process.

    Only values of the key ``id`` are ids: Bokeh writes a user's mappings as lists of entries, never as such keys.

    Examples
    --------
    >>> renumbered({"roots": [{"id": "p1207", "at": {"id": "p1101"}}, {"id": "p1101"}]})
    {'roots': [{'id': 'p1', 'at': {'id': 'p2'}}, {'id': 'p2'}]}
    """
    ids = {}

    def walk(part):
        if isinstance(part, dict):
            return {
                key: ids.setdefault(value, f"p{len(ids) + 1}") if key == "id" else walk(value)
                for key, value in part.items()
            }
        if isinstance(part, list | tuple):
            return [walk(value) for value in part]
        return part

    return walk(content)


def bokeh_script():
    """BokehJS without widgets, tables, WebGL and formulas."""
    return "\n".join(Resources(mode="inline", components=["bokeh"], log_level="warn").js_raw)
