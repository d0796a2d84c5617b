"""What the map draws, in few bytes: thinned lines and polygons, and the relief as a picture."""

import base64
import io

import numpy as np
import pandas as pd
import shapely
from PIL import Image

# Grey steps of the relief: 32 are enough under lines, and pack well (own choice).
GREYS, DARKEST = 32, 168


def relief_png(relief):
    """The relief as a data address of a PNG picture: few pale greys, clear where the ground is not known."""
    steps = np.round(relief.shade / 255.0 * (GREYS - 1)).astype(np.uint8)
    indices = np.where(relief.known, steps, GREYS).astype(np.uint8)
    greys = np.round(np.linspace(DARKEST, 255, GREYS)).astype(int)
    rows, columns = indices.shape
    picture = Image.frombytes("P", (columns, rows), indices.tobytes())
    picture.putpalette([grey for grey in [*greys.tolist(), 255] for _ in range(3)])
    held = io.BytesIO()
    picture.save(held, "PNG", optimize=False, compress_level=9, transparency=GREYS)
    return "data:image/png;base64," + base64.b64encode(held.getvalue()).decode("ascii")


def line_columns(lines, tolerance_m):
    """Coordinates of lines, thinned and in tenths of a metre; nothing for a line that is missing."""
    xs, ys = [], []
    for line in lines:
        known = line is not None and not pd.isna(line) and not line.is_empty
        points = shapely.get_coordinates(shapely.simplify(line, tolerance_m)) if known else np.empty((0, 2))
        points = np.round(points, 1)
        xs.append(points[:, 0].tolist())
        ys.append(points[:, 1].tolist())
    return xs, ys


def polygon_columns(shapes, tolerance_m):
    """Coordinates of polygons: for each shape its polygons, for each of them its outer ring and its holes."""
    all_xs, all_ys = [], []
    for shape in shapes:
        rings = [
            [np.round(shapely.get_coordinates(ring), 1) for ring in (part.exterior, *part.interiors)]
            for part in shapely.get_parts(shapely.simplify(shape, tolerance_m))
            if part.geom_type == "Polygon" and not part.is_empty
        ]
        all_xs.append([[ring[:, 0].tolist() for ring in part] for part in rings])
        all_ys.append([[ring[:, 1].tolist() for ring in part] for part in rings])
    return all_xs, all_ys
