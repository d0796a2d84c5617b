"""Data of the page in little room: what is packed comes back, by a reader of its own."""

import numpy as np
import pytest
import shapely
import unpacked

from sitefinder.report.page.packing import packed_lines, packed_lists, packed_series, packed_texts
from sitefinder.report.page.region_map import Frame

FRAME = Frame(0.0, 0.0, 30_000.0, 30_000.0, 1.0)


@pytest.mark.parametrize(
    "texts",
    [
        [],
        [""],
        ["2.5 m", "", "3.5 m", "?", "m", " m", "4 m"],
        ["eel"] * 5,
        ["no", "yes", "no", "no"],
        ["9.61 ± 0.25\u00a0m (standard error)", "1.00 ± 0.10\u00a0m (standard error)", "not known"],
        ["<script>", "نهر الأردل", "n" * 200],
        ["a b"],
    ],
)
def test_texts_come_back(texts):
    assert unpacked.texts(packed_texts(texts), len(texts)) == texts


def test_a_unit_that_all_have_is_kept_once_and_no_text_can_break_a_column():
    packed = packed_texts([f"{number}.5\u00a0km²" for number in range(50)])

    assert packed["after"] == ".5\u00a0km²"
    assert unpacked.texts(packed_texts(["one\ntwo", "three\tfour"]), 2) == ["one two", "three four"]


def test_lists_and_series_come_back():
    lists = [["a", "b"], [], ["c"]]
    assert unpacked.lists(packed_lists(lists), 3) == lists
    numbers = [[1.25, None, 3.5], [], [-2.0]]
    assert unpacked.series(packed_series(numbers, 2), 3) == numbers
    assert unpacked.series(packed_series([[5, 50], [5, 50]]), 2) == [[5, 50], [5, 50]]
    # Four digits where three are shown.
    assert unpacked.series(packed_series([[0.123456, 98765.4], [1.0]]), 2) == [[0.1235, 98770], [1]]


def test_lines_come_back_on_their_grid_with_parts_and_gaps():
    random = np.random.default_rng(3)
    far = shapely.LineString([(0, 0), (30_000, 30_000), (0, 29_990)])
    two = shapely.MultiLineString([[(10, 10), (20, 40)], [(500, 100), (400, 90)]])
    winding = shapely.LineString(15_000 + np.cumsum(random.normal(0, 40, (200, 2)), axis=0))

    found = unpacked.lines(packed_lines([far, None, two, winding], FRAME, 0.0, 2), 2)

    assert [len(parts) for parts in found] == [1, 0, 2, 1]
    for line, parts in zip((far, two, winding), (found[0], found[2], found[3]), strict=True):
        back = shapely.MultiLineString([[(x, 30_000 - y) for x, y in part] for part in parts])
        # Rounded to whole metres, and then to cells of two.
        assert shapely.hausdorff_distance(back, line) <= 1.5 * 2.0**0.5
        assert shapely.get_num_coordinates(back) == shapely.get_num_coordinates(line)
