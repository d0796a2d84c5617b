"""Layers that the runs of a test process have read, for other runs of the same files.

Most small regions of the tests lie in folders of their own and hold the same layers to the last byte. What a layer
of some bytes, settings and place holds is read once in a process.
"""

import os
import sys

READERS, VECTOR = "sitefinder.steps.readers", "sitefinder.io.vector"
# Modules whose own names must be those that they were: a test that replaces one of them reads every layer itself.
SEEN = (VECTOR, "sitefinder.io.opening", "sitefinder.io.crs", "sitefinder.io.digests", "pyogrio", "shapely")
# Formats of one file that names no other.
FORMATS = (".gpkg", ".geojson")
# Larger files are read each time [bytes]. At most this number of layers is kept; the oldest goes first.
MOST_BYTES, MOST_LAYERS = 1_000_000, 300


class KnownLayers:
    """`sitefinder.io.vector.read_layer` as the runs of a process call it, from memory where that is the same.

    Each time the file is bound to what it is now, as by any reading of a run.
    """

    def __init__(self):
        self.read_layer = sys.modules[VECTOR].read_layer
        self.found = {}
        self._names = {name: dict(vars(sys.modules[name])) for name in SEEN if name in sys.modules}

    def __call__(self, source, folder, crs, *, area=None, **options):
        """See `sitefinder.io.vector.read_layer`."""
        from sitefinder.io.bound_files import files_of, logs_of, unchanged  # noqa: PLC0415
        from sitefinder.io.digests import content_digest  # noqa: PLC0415

        path = folder / source.path
        is_plain = path.suffix in FORMATS and path.is_file() and path.stat().st_size <= MOST_BYTES
        if not (is_plain and os.access(path, os.R_OK) and self._is_unpatched()):
            return self.read_layer(source, folder, crs, area=area, **options)
        with unchanged(*files_of(path)):
            where = None if area is None else tuple(area)
            asked = (source.model_dump_json(), crs, where, *sorted(options.items()))
            key = (content_digest(path, logs_of(path)), type(source), asked)
            if key not in self.found:
                self.found[key] = self.read_layer(source, folder, crs, area=area, **options)
                if len(self.found) > MOST_LAYERS:
                    del self.found[next(iter(self.found))]
        read = self.found[key]
        return read._replace(frame=read.frame.copy(), repairs=read.repairs.copy(), lineage=dict(read.lineage))

    def _is_unpatched(self):
        return all(
            vars(sys.modules[name]).get(attribute) is value
            for name, own in self._names.items()
            for attribute, value in own.items()
        )


def know_layers():
    """Have the runs of this process find layers that it has read, once what reads them is loaded."""
    readers = sys.modules.get(READERS)
    if readers is not None and readers.read_layer is sys.modules[VECTOR].read_layer:
        readers.read_layer = KnownLayers()
