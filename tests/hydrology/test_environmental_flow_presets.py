"""Preset files: sources, choices and what is refused; and the invariants that every rule keeps."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from one_plant import plant_output

from sitefinder.errors import ConfigError
from sitefinder.hydrology.duration_curve import BIN_EXCEEDANCE
from sitefinder.hydrology.environmental_flow import environmental_flow_by_bin
from sitefinder.hydrology.seasons import BIN_MONTH, YearBins
from sitefinder.io.catalogue_files import read_environmental_flow
from sitefinder.io.settings_files import read_toml
from sitefinder.settings import EnvironmentalFlowPreset, EnvironmentalFlowRule, EnvironmentalFlowSetting, checked

SHARES = st.floats(0, 1)
FLOWS = st.floats(0, 50)
PERCENTS = st.floats(0.5, 99.5)
BANDS = st.lists(st.tuples(FLOWS, SHARES), min_size=1, max_size=4).map(
    lambda pairs: [{"from_m3s": flow, "take_share": share} for flow, share in sorted(pairs)]
)
STEPS = st.lists(st.tuples(FLOWS, FLOWS, SHARES), min_size=1, max_size=4, unique_by=lambda row: row[0]).map(
    lambda rows: [{"index_from": a, "environmental_flow": b, "further": c} for a, b, c in sorted(rows)]
)
RULES = st.one_of(
    st.builds(EnvironmentalFlowRule, kind=st.just("share_of_mean"), share=SHARES, of_month=st.booleans()),
    st.builds(EnvironmentalFlowRule, kind=st.just("share_of_mean"), share=SHARES, mean_above_m3s=FLOWS),
    st.builds(
        EnvironmentalFlowRule, kind=st.just("exceedance_flow"), exceedance_percent=PERCENTS, of_month=st.booleans()
    ),
    st.builds(EnvironmentalFlowRule, kind=st.just("share_of_flow"), share=SHARES, months=st.just([1, 6, 12])),
    st.builds(EnvironmentalFlowRule, kind=st.just("flow_per_area"), flow_m3s_km2=st.floats(0, 1)),
    st.builds(
        EnvironmentalFlowRule,
        kind=st.just("hands_off"),
        hands_off_m3s=FLOWS,
        take_share=SHARES,
        take_max_m3s=FLOWS,
    ),
    st.builds(
        EnvironmentalFlowRule, kind=st.just("bands"), bands=BANDS, between=st.sampled_from(["steps", "linear"])
    ),
    st.builds(EnvironmentalFlowRule, kind=st.just("stepped_table"), exceedance_percent=PERCENTS, steps=STEPS),
)


def presets(repository):
    return sorted((repository / "config" / "environmental-flow").glob("*.toml"))


def test_every_preset_says_where_it_is_from_and_that_local_law_decides(repository):
    assert len(presets(repository)) == 6
    for path in presets(repository):
        preset = checked(EnvironmentalFlowPreset, read_toml(path, "environmental flow"), str(path))
        assert len(preset.source) > 40
        assert preset.remark.endswith("Local law decides.")


@pytest.mark.parametrize("key", ["source", "remark"])
def test_a_preset_without_source_or_remark_does_not_load(tmp_path, key):
    lines = {"name": '"A"', "source": '"B, 2020"', "remark": '"C"'}
    rest = '\n[[choices]]\nname = "all"\n[[choices.rules]]\nkind = "share_of_mean"\nshare = 0.1\n'
    text = "".join(f"{name} = {value}\n" for name, value in lines.items() if name != key)
    (tmp_path / "rule.toml").write_text(text + rest, encoding="utf-8")

    with pytest.raises(ConfigError, match=f"{key}: missing"):
        read_environmental_flow([EnvironmentalFlowSetting(preset="rule.toml")], tmp_path)


def test_where_a_preset_offers_several_rules_the_user_must_choose(repository):
    folder = repository / "config"

    with pytest.raises(ConfigError, match=r"choice = one of: high protection, moderate protection"):
        read_environmental_flow(
            [EnvironmentalFlowSetting(preset="environmental-flow/presumptive_standard.toml")], folder
        )
    with pytest.raises(ConfigError, match=r"did you mean high protection\?"):
        read_environmental_flow(
            [
                EnvironmentalFlowSetting(
                    preset="environmental-flow/presumptive_standard.toml", choice="high protecton"
                )
            ],
            folder,
        )


def test_rules_of_settings_and_presets_come_together_with_their_sources(repository):
    given_rules = [
        EnvironmentalFlowSetting(kind="share_of_mean", share=0.05),
        EnvironmentalFlowSetting(preset="environmental-flow/switzerland_art_31.toml"),
    ]

    own, swiss = read_environmental_flow(given_rules, repository / "config")

    assert own.source == "the user's choice; local law decides"
    assert (swiss.kind, "Art. 31(1)" in swiss.source) == ("stepped_table", True)


@pytest.mark.parametrize(
    ("fields", "message"),
    [
        ({"kind": "hands_off", "take_share": 0.5}, "needs one of hands_off_m3s"),
        ({"kind": "share_of_mean"}, "needs share"),
        ({"kind": "share_of_flow", "share": 0.1, "exceedance_percent": 5}, "has no exceedance_percent"),
        ({"kind": "bands", "bands": [{"take_share": 0.5}]}, "state one of from_m3s"),
        ({"preset": "a.toml", "share": 0.1}, "only choice may be stated with preset, not share"),
        ({}, "state either kind or preset"),
        (
            {
                "kind": "stepped_table",
                "exceedance_percent": 95,
                "steps": [{"index_from": 2, "environmental_flow": 1}, {"index_from": 1, "environmental_flow": 1}],
            },
            "rising index_from",
        ),
    ],
)
def test_a_rule_that_does_not_hold_together_is_refused(fields, message):
    with pytest.raises(ValueError, match=message):
        EnvironmentalFlowSetting(**fields)


# The year of a river whose every month has the same flows, ordered within the month.
def even_year(generator, scale):
    flow = scale * generator.exponential(size=365)
    for month in range(1, 13):
        flow[month == BIN_MONTH] = -np.sort(-flow[month == BIN_MONTH])
    return YearBins(BIN_MONTH, flow[None, :], np.ones(1))


@settings(max_examples=150, deadline=None, derandomize=True)
@given(
    st.lists(RULES, min_size=1, max_size=3),
    RULES,
    st.integers(0, 1000),
    st.floats(0, 30),
    st.lists(st.integers(1, 12), max_size=3),
)
def test_no_rule_keeps_more_than_flows_and_another_or_a_closed_month_never_gives_energy(
    rules, another, seed, scale, closed
):
    year = even_year(np.random.default_rng(seed), scale)
    curve, area = scale * -np.log(BIN_EXCEEDANCE)[None, :], np.array([25.0])
    mean = curve.mean(axis=1)

    environmental_flow = environmental_flow_by_bin(curve, mean, rules, area, year)
    more = environmental_flow_by_bin(curve, mean, [*rules, another], area, year, closed)

    flow, energy = year.flow_m3s, []
    for kept in (environmental_flow, more):
        assert (kept >= 0).all()
        assert (kept <= flow).all()
        used = plant_output(flow[0], kept[0], 2.0, 5.0, np.full(101, 0.8), 0.2, 2)
        assert used.flow_used_m3s >= 0
        assert used.flow_used_m3s <= (flow - kept).mean() + 1e-12
        energy.append(used.power_mean_kw)
    assert (more >= environmental_flow).all()
    assert energy[1] <= energy[0] * (1 + 1e-12)
    assert np.array_equal(more[:, np.isin(BIN_MONTH, closed)], flow[:, np.isin(BIN_MONTH, closed)])


def test_hands_off_flow_share_above_it_and_greatest_abstraction_by_hand():
    rule = EnvironmentalFlowRule(kind="hands_off", hands_off_m3s=2.0, take_share=0.5, take_max_m3s=3.0)

    environmental_flow = environmental_flow_by_bin(np.array([[20.0, 6.0, 2.0, 1.0]]), np.array([7.25]), [rule])

    # 20: half of 18 is 9, capped at 3; 6: half of 4; at or under 2 all stays.
    assert environmental_flow.tolist() == [[17.0, 4.0, 2.0, 1.0]]


def test_bands_by_steps_and_linear_by_hand():
    bands = [{"from_m3s": 2.0, "take_share": 0.1}, {"from_m3s": 4.0, "take_share": 0.3}]
    flow, mean = np.array([[10.0, 4.0, 3.0, 2.0, 1.0]]), np.array([4.0])

    steps = environmental_flow_by_bin(flow, mean, [EnvironmentalFlowRule(kind="bands", bands=bands)])
    linear = environmental_flow_by_bin(
        flow, mean, [EnvironmentalFlowRule(kind="bands", bands=bands, between="linear")]
    )

    assert (flow - steps) == pytest.approx(np.array([[3.0, 1.2, 0.3, 0.2, 0.0]]))
    assert (flow - linear) == pytest.approx(np.array([[3.0, 1.2, 0.6, 0.2, 0.1]]))


def test_a_rule_by_month_without_flows_by_month_is_refused():
    rule = EnvironmentalFlowRule(kind="share_of_mean", share=0.3, months=[4])

    with pytest.raises(ValueError, match="needs the flows of each month"):
        environmental_flow_by_bin(np.ones((1, 4)), np.ones(1), [rule])
