"""Which rasters the program opens, in either of the ways in which it does."""

import rasterio
import rasterio.io


def note_opened(patch, opened):
    """Add the path of each raster that is opened from now on to a list, as text.

    Parameters
    ----------
    patch : pytest.MonkeyPatch
    opened : list of str
    """

    def noting(opening):
        def noted(path, *arguments, **options):
            opened.append(str(path))
            return opening(path, *arguments, **options)

        return noted

    patch.setattr(rasterio, "open", noting(rasterio.open))
    patch.setattr(rasterio.io, "DatasetReader", noting(rasterio.io.DatasetReader))
