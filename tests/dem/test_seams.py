"""Seams: steps that are put in are found where they are, and nothing else is."""

import numpy as np
import pandas as pd
import pytest
import rasterio

from sitefinder.dem import seams
from sitefinder.dem.seams import SEAM_COLUMNS, find_seams, lines_across


def found(elevation_m):
    def read(window):
        return elevation_m[window.row : window.row + window.rows, window.column : window.column + window.columns]

    return find_seams(read, *elevation_m.shape)


# Hills with ridges and valleys and some noise of survey [m]; the seed only chooses the hills.
def hills(rows, columns, seed=4, noise_m=0.1):
    generator = np.random.default_rng(seed)
    row, column = np.mgrid[:rows, :columns]
    height = np.zeros((rows, columns))
    for _ in range(12):
        wave = generator.uniform(20, 120)
        angle, phase = generator.uniform(0, 2 * np.pi, 2)
        height += wave / 8 * np.sin((np.cos(angle) * row + np.sin(angle) * column) * 2 * np.pi / wave + phase)
    return height + generator.normal(0, noise_m, height.shape)


def test_hills_without_a_step_have_no_seam():
    assert found(hills(600, 700)).empty
    assert found(hills(300, 300, noise_m=0.0)).empty


@pytest.mark.parametrize("step_m", [-0.6, 0.3, 2.0])
def test_a_step_along_a_whole_row_is_one_seam_of_its_height(step_m):
    ground = hills(600, 700)
    ground[321:] += step_m

    seam = found(ground)

    assert seam[["axis", "border", "first", "end"]].values.tolist() == [[0, 320, 0, 700]]
    # Noise of 0.1 m, 256 columns a piece: 0.1 · sqrt(3) / 16 = 0.011 m for a piece; hills take the rest.
    assert seam["step_m"].iloc[0] == pytest.approx(step_m, abs=0.05)
    assert seam["significance"].iloc[0] > seams.FOUNDS


def test_a_step_along_a_column_is_found_as_well():
    ground = hills(600, 700)
    ground[:, 256:] += 0.5

    assert found(ground)[["axis", "border", "first", "end"]].values.tolist() == [[1, 255, 0, 600]]


def test_the_corner_of_a_tile_that_lies_high_is_two_seams_that_end_where_it_ends():
    ground = hills(800, 800)
    ground[512:, 512:] += 1.0

    assert found(ground)[["axis", "border", "first", "end"]].values.tolist() == [
        [0, 511, 512, 800],
        [1, 511, 512, 800],
    ]


def test_a_wall_a_bend_of_a_slope_and_terraces_are_no_seams():
    walled = hills(400, 400)
    walled[200] += 3.0
    bent = hills(400, 400)
    bent += 0.8 * np.maximum(np.arange(400) - 200, 0)[:, None]
    terraced = np.tile(np.floor(np.arange(400) / 7.0)[:, None], (1, 400))

    assert found(walled).empty
    assert found(bent).empty
    assert found(terraced).empty


def test_cells_without_data_are_left_out_and_few_cells_say_nothing():
    ground = hills(600, 700)
    ground[321:] += 1.0
    ground[::7, ::3] = np.nan
    ground[:, 300:420] = np.nan

    seam = found(ground)

    assert seam[["axis", "border"]].values.tolist() == [[0, 320]]
    assert found(ground[:, : seams.MIN_CELLS - 1]).empty
    assert found(np.full((300, 300), np.nan)).empty
    assert found(np.zeros((1, 1))).empty


@pytest.mark.parametrize(("rows", "count"), [((60, 100, 140), 3), ((60, 100, 140, 180), 0)])
def test_as_many_steps_as_a_piece_may_have_are_seams_and_one_more_are_terraces(rows, count):
    ground = hills(240, 700)
    for row in rows:
        ground[row:] += 2.0

    assert len(found(ground)) == count


# Six rows of flat ground, just enough to be judged, whose third border has a step of 10 m; the first and the last
# border are bent, so that the step changes the borders beside it by that share of itself.
def strip(echo, columns=60, rows=6):
    bend_m = -10.0 - 20.0 * echo
    return np.tile(np.cumsum([0.0, bend_m, 0.0, 10.0, 0.0, bend_m])[:rows, None], (1, columns))


@pytest.mark.parametrize(
    ("echo", "is_seam"), [(-0.81, False), (-0.8, True), (-0.5, True), (-0.2, True), (-0.19, False)]
)
def test_a_step_between_a_wall_and_a_bend_is_a_seam(echo, is_seam):
    seam = found(strip(echo))

    assert seam[["border", "step_m"]].values.tolist() == [[2, 10.0]] * is_seam


def test_a_strip_of_fewer_rows_or_of_fewer_cells_with_data_says_nothing():
    bare = strip(-0.5, columns=200)
    bare[:, seams.MIN_CELLS :] = np.nan
    barer = bare.copy()
    barer[0, 0] = barer[3, 1] = np.nan

    assert found(strip(-0.5, rows=5)).empty
    assert len(found(strip(-0.5, columns=seams.MIN_CELLS))) == 1
    assert len(found(bare)) == 1
    assert found(barer).empty


@pytest.mark.parametrize(("columns", "is_seam"), [(64, False), (65, True)])
def test_two_thirds_of_the_cells_along_a_seam_step_the_same_way(columns, is_seam):
    # Of 100 columns; the others step a little the other way. Noise of 1 mm is the usual spread.
    ground = np.random.default_rng(3).normal(0.0, 0.001, (60, 100))
    ground[30:, :columns] += 1.0
    ground[30:, columns:] -= 0.05

    assert len(found(ground)) == is_seam


def test_steps_are_measured_in_units_in_which_the_middle_one_is_that_of_a_normal_deviate():
    # The median of the size of a normal deviate is 0.6745; hills step by more than their noise, border by border.
    steps = seams._border_steps(hills(200, 256), (1, 198))

    assert np.median(steps.significance) == pytest.approx(0.6745, rel=1e-3)


@pytest.mark.parametrize(
    ("step_m", "continues", "founds"),
    [(4.75, False, False), (5.0, True, False), (8.75, True, False), (9.0, True, True)],
)
def test_a_step_of_five_errors_continues_a_seam_and_one_of_nine_founds_it(step_m, continues, founds):
    # Every second row is 16 m higher in 8 of 64 columns and lower in 8 others: a border's excess is 32 m there
    # to either side, with a mean of nothing. The mean deviation is 16 · 32 / 64 = 8 m, and the 16 are drawn in to
    # two of it: variance 16 · 16² / 64 = 64 m², over 64 values an error of 1 m.
    ground = np.zeros((60, 64))
    ground[1::2, :16:2], ground[1::2, 1:16:2] = 16.0, -16.0
    ground[30:] += step_m

    steps = seams._border_steps(ground, (0, 59))

    assert np.flatnonzero(steps.continues).tolist() == [29] * continues
    assert np.flatnonzero(steps.founds).tolist() == [29] * founds
    assert steps.significance[29] == step_m


def test_the_mean_draws_a_cliff_in_to_two_mean_deviations_and_leaves_gaps_out():
    # 60 zeros and 4 of 16 m: the mean deviation about the median is 64 / 64 = 1 m, so that the four count as 2 m
    # each: mean 8 / 64 = 1/8 m, variance 4 · 4 / 64 - 1/64 = 15/64 m², over 64 values. Then the same 1 m lower.
    excess = np.concatenate([np.zeros(60), np.full(20, np.nan), np.full(4, 16.0)])

    mean, error, agrees = seams._means(np.stack([excess, excess - 1.0, np.full(84, np.nan)]))

    assert mean.tolist() == [1 / 8, -7 / 8, 0.0]
    assert agrees.tolist() == [4 / 64, 60 / 64, 0.0]
    assert error == pytest.approx([np.sqrt(15 / 64 / 64), np.sqrt(15 / 64 / 64), 0.0], rel=1e-12)


@pytest.mark.parametrize("count", [1, 4, 7])
def test_the_median_of_a_row_leaves_its_gaps_out(count):
    values = np.random.default_rng(6).normal(size=(3, 7))
    values[1, count:] = np.nan

    assert seams._medians(values).tolist() == np.nanmedian(values, axis=1).tolist()


@pytest.mark.parametrize(("columns", "end"), [(512 + seams.MIN_CELLS, 512), (511 + seams.MIN_CELLS, 559)])
def test_pieces_on_one_border_are_one_seam_of_their_mean_step_and_greatest_significance(columns, end):
    weak, strong, elsewhere = (0, 9, 0, 1.0, 6.0, False), (0, 9, 1, 2.0, 12.0, True), (0, 10, 2, 1.0, 6.0, False)

    # A last piece that is too short to be judged goes with the one before.
    assert seams._joined([strong, elsewhere, weak], (columns, 600)).values.tolist() == [[0, 9, 0, end, 1.5, 12.0]]


@pytest.mark.parametrize("pieces", [1, 2, 3])
def test_windows_of_any_size_find_the_same(pieces, monkeypatch):
    ground = hills(530, 1100)
    ground[321:] += 0.4
    ground[:, 800:] -= 0.5
    whole = found(ground)
    monkeypatch.setattr(seams, "PIECES_IN_A_WINDOW", pieces)

    pd.testing.assert_frame_equal(found(ground), whole)
    assert len(whole) == 2


def test_exchanged_axes_find_the_exchanged_seams():
    ground = hills(600, 700)
    ground[321:] += 0.5

    upright, lying = found(ground), found(ground.T.copy())

    assert lying["axis"].tolist() == (1 - upright["axis"]).tolist()
    assert lying["border"].tolist() == upright["border"].tolist()
    assert lying["step_m"].to_numpy() == pytest.approx(upright["step_m"].to_numpy())


@pytest.mark.parametrize(
    ("path", "step_m"),
    [("logan/dem_100m.tif", 40.0), ("eno/dem_third_arcsec.tif", 0.3), ("zion/dem_3arcsec.tif", 40.0)],
)
def test_real_ground_has_no_seam_until_one_is_put_in(public_data, path, step_m):
    with rasterio.open(public_data / path) as raster:
        ground = raster.read(1, masked=True).astype(np.float64).filled(np.nan)
    split = ground.copy()
    split[150:] += step_m

    assert found(ground).empty
    # Some piece of the border shows it; the rest may be too rough for a step of this height.
    assert found(split)[["axis", "border"]].values.tolist() == [[0, 149]]


def test_the_sample_region_has_no_seam(repository):
    with rasterio.open(repository / "sample-region" / "dem.tif") as raster:
        assert found(raster.read(1).astype(np.float64)).empty


def seam_table(*rows):
    return pd.DataFrame([(*row, 1.0, 20.0) for row in rows], columns=SEAM_COLUMNS)


def test_lines_that_cross_a_seam_are_reported_and_those_that_pass_its_end_are_not():
    # The seam lies between rows 9 and 10, thus at 10.0, over columns 20 to 29.
    seam = seam_table((0, 9, 20, 30))
    lines = [
        [(5.0, 25.0), (15.0, 25.0)],  # straight across
        [(5.0, 25.0), (9.9, 25.0)],  # ends before it
        [(5.0, 10.0), (15.0, 10.0)],  # passes west of it
        [(15.0, 25.0), (12.0, 26.0), (8.0, 27.0)],  # from below
        [(5.0, 40.0), (15.0, 18.0)],  # slanting: column 29 where row is 10
        [(5.0, 40.0), (15.0, 22.0)],  # slanting: column 31 where row is 10
    ]
    start = np.cumsum([0, *map(len, lines)])
    row, column = np.concatenate(lines).T

    assert lines_across(seam, start, row, column).tolist() == [True, False, False, True, True, False]
    exchanged = seam_table((1, 9, 20, 30))
    assert lines_across(exchanged, start, column, row).tolist() == [True, False, False, True, True, False]


@pytest.mark.parametrize(
    ("line", "crosses"),
    [
        # A seam holds both of its ends.
        ([(5.0, 20.0), (15.0, 20.0)], True),
        ([(5.0, 30.0), (15.0, 30.0)], True),
        ([(5.0, 19.9), (15.0, 19.9)], False),
        ([(5.0, 30.1), (15.0, 30.1)], False),
        # It lies between the cells: just beyond it is beyond it.
        ([(9.95, 25.0), (10.05, 25.0)], True),
        ([(10.05, 25.0), (10.2, 25.0)], False),
        # A vertex on it belongs to the side below, so that a line through it crosses once.
        ([(9.0, 25.0), (10.0, 25.0)], True),
        ([(10.0, 25.0), (11.0, 25.0)], False),
    ],
)
def test_a_line_at_the_end_of_a_seam_and_one_that_only_just_crosses_it(line, crosses):
    seam = seam_table((0, 9, 20, 30))
    row, column = np.array(line).T

    assert lines_across(seam, np.array([0, 2]), row, column).tolist() == [crosses]


def test_from_one_line_to_the_next_nothing_is_crossed():
    seam = seam_table((0, 9, 0, 100))
    row, column = np.array([5.0, 8.0, 12.0, 15.0]), np.full(4, 50.0)

    assert lines_across(seam, np.array([0, 2, 4]), row, column).tolist() == [False, False]
    assert lines_across(seam_table(), np.array([0, 2, 4]), row, column).tolist() == [False, False]
