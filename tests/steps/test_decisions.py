"""Decisions in a run: what they admit and exclude, where they are shown, and that they outlast ids of reaches."""

import json
import re
from types import SimpleNamespace

import numpy as np
import pytest

from sitefinder.finished_runs import compare, explain
from sitefinder.preparation import read_run
from sitefinder.rules.verdicts import NONE_MAY
from sitefinder.running import run
from sitefinder.steps.decisions import decide, place_decisions

# The weir of the valley stands at 500 330, in a reserve that excludes sites from 500 250 to 500 450.
RESERVE = '\n[[rules]]\nname = "reserve"\npath = "layers.gpkg"\nlayer = "environmental"\naction = "exclude"\n'
SOURCE = '[inputs.decisions]\npath = "decisions.csv"\ncrs = "EPSG:32633"\non_date = "2026-05-31"\n\n[network]'
HEAD = "decision_id,decision,scheme_type,reach_id,x,y,author,date,valid_until,justification,head_m,rule_verdict\n"
MIDDLE = 4999945
KEEP = f'K1,keep,,,500340,{MIDDLE},A. Author,2026-01-10,2027-12-31,"Exempt, letter 12",3.75,excluded\n'
OLD = "O1,drop,,B1@9,,,B. Author,2025-03-01,,Spawning,3.0,\n"


@pytest.fixture(scope="module")
def runs(tmp_path_factory, write_valley):
    """A run without decisions and, into the same folder, one with them; its settings."""
    folder = tmp_path_factory.mktemp("decisions")
    path = write_valley(folder)
    text = path.read_text(encoding="utf-8").replace("reach_length_m = 600.0", "reach_length_m = 200.0") + RESERVE
    text = text.replace("page = false", "page = true")
    path.write_text(text, encoding="utf-8")
    store = folder / "store"
    before = run(path, folder / "out", store=store)
    (folder / "decisions.csv").write_text(HEAD + KEEP + OLD, encoding="utf-8")
    path.write_text(text.replace("[network]", SOURCE), encoding="utf-8")
    after = run(path, folder / "out", store=store)
    return SimpleNamespace(before=before, after=after, path=path, folder=folder, store=store)


def test_a_site_that_rules_exclude_is_there_with_the_decision_and_bears_both(runs):
    assert not len(runs.before.sites)

    site = runs.after.sites.iloc[0]

    assert (site["verdict"], site["reasons"], site["rules_lifted"]) == (
        "excluded",
        "migration; reserve",
        "reserve",
    )
    assert site["mark_exclude"]
    assert site["kept_by_decision"]
    assert site[["decision", "decision_id", "decision_author", "decision_date"]].tolist() == [
        "keep", "K1", "A. Author", "2026-01-10"
    ]  # fmt: skip
    assert site[["decision_valid_until", "decision_justification"]].tolist() == ["2027-12-31", "Exempt, letter 12"]
    assert "kept_by_decision: K1" in site["flags"].split("; ")
    # The limit on turbines holds in the kept reach too.
    assert site["fish_safe"]
    reach = runs.after.reaches.set_index("reach_id").loc[site["reach_id"]]
    assert reach[["verdict", "decision_id", "rules_lifted"]].tolist() == ["excluded", "K1", "reserve"]


def test_what_is_kept_against_rules_is_counted_on_its_own(runs):
    totals, site = runs.after.region_totals, runs.after.sites.iloc[0]

    assert (totals["sites"], totals["kept_sites"]) == (1, 1)
    assert totals["kept_power_w"] == totals["power_w"] == round(site["power_kw"] * 1000)
    assert totals["kept_energy_wh"] == totals["energy_wh"]
    # A kept reach is no open one.
    assert totals["open_m"] == runs.before.region_totals["open_m"]
    assert totals["excluded_m"] == runs.before.region_totals["excluded_m"]
    assert "1 is a site that rules exclude and decisions keep" in " ".join(runs.after.summary.split())
    assert "excluded by reserve; kept by K1 (A. Author, 2026-01-10)" in runs.after.summary


def test_the_cascade_has_a_step_for_decisions_where_there_are_any_and_ends_at_what_rules_leave_open(runs):
    before, after = (
        run.tables["screening_cascade"].query("way == 'in order'") for run in (runs.before, runs.after)
    )

    assert before["kind"].tolist() == [kind for kind in after["kind"] if kind != "decision"]
    assert after["kind"].tolist()[-2:] == ["decision", "open"]
    assert after["remaining_km"].iloc[-1] == before["remaining_km"].iloc[-1]


def test_every_decision_is_listed_with_what_it_did_or_why_it_does_not_apply(runs):
    table = runs.after.tables["decisions"].set_index("decision_id")

    assert table["applied"].to_dict() == {"K1": True, "O1": False}
    assert table.loc["K1", ["rules_lifted", "admitted", "site_ids"]].tolist()[::2] == [
        "reserve",
        "B1@350/diversion",
    ]
    assert table.loc["K1", "admitted"] >= 1
    assert table.loc["O1", ["not_applied", "because"]].tolist() == ["reach vanished", "no reach is called B1@9"]
    assert re.search(r"O1 +drop +B1@9 +reach vanished: no reach is called B1@9", runs.after.summary)
    listed = json.loads(runs.after.json)["decisions"]
    assert [row["decision_id"] for row in listed] == ["K1", "O1"]


def test_the_page_shows_the_decision_its_author_and_its_reason(runs):
    page = (runs.folder / "out" / "report.html").read_text(encoding="utf-8")

    assert 'id="decisions"' in page
    for words in ("Decision K1 (kept) on B1@300, A. Author, 2026-01-10", "1 kept by decisions against rules"):
        assert words in page
    assert page.count("Exempt, letter 12") >= 2


def test_a_comparison_names_the_decision_as_the_cause(runs):
    found = compare(runs.before, runs.after)

    site = found.changes[found.changes["kind"] == "site"].iloc[0]
    assert (site["change"], site["cause"]) == ("appeared", "decision K1 (keep) is new")
    reach = found.changes[found.changes["id_new"] == "B1@300"].iloc[0]
    assert reach["change"] == "changed by decisions"
    assert reach["cause"] == "decision K1 (keep) is new"
    assert (found.causes["origin"] == "decision").sum() == 2
    assert "input decisions" not in " ".join(found.causes["difference"])


def test_an_explanation_says_what_the_site_would_be_without_the_decision(runs):
    text = " ".join(explain(runs.path, "B1@350/diversion", store=runs.store).summary.split())

    assert "without the decision that keeps it (K1), it would be refused: excluded by rules" in text
    assert (
        "Decision K1 (kept) on B1@300, A. Author, 2026-01-10, valid until 2027-12-31: Exempt, letter 12." in text
    )


@pytest.fixture(scope="module")
def staged(runs):
    """What the two stages of decisions read, and a function that does them with other decisions."""
    settings, inputs = read_run(runs.path)
    results = runs.after._results
    names = (
        "stationing",
        "candidates",
        "stream_things",
        "rule_overlaps",
        "rule_verdicts",
        "heads",
        "water_bodies",
    )
    held = SimpleNamespace(**{name: results[name] for name in names})

    def do(stationing=None, **changed):
        stationing = held.stationing if stationing is None else stationing
        frame = inputs.decisions.iloc[:1].assign(**changed)
        given = SimpleNamespace(decisions=frame)
        placed = place_decisions(settings, given, stationing, held.heads, held.water_bodies, held.rule_verdicts)
        judged = decide(
            settings,
            stationing,
            held.candidates,
            held.stream_things,
            held.rule_overlaps,
            held.rule_verdicts,
            placed,
        )
        return placed.table.iloc[0], judged

    return held, do


def test_a_decision_at_a_place_outlasts_the_ids_of_reaches(staged):
    held, do = staged
    renamed = held.stationing._replace(
        reaches=held.stationing.reaches.assign(reach_id=lambda table: "NEW" + table["reach_id"])
    )

    row, judged = do(renamed, reach_id="B1@300")

    assert row["applied"]
    assert (judged.choice != NONE_MAY).sum() > (held.rule_verdicts.choice != NONE_MAY).sum()


def test_a_decision_with_an_id_that_is_now_elsewhere_is_not_applied(staged):
    row, judged = staged[1](reach_id="B1@100")

    assert row["not_applied"] == "reach lies elsewhere"
    np.testing.assert_array_equal(judged.choice, staged[0].rule_verdicts.choice)


def test_keeping_one_reach_lifts_nothing_of_the_rule_on_the_next(staged):
    held, do = staged
    reach = held.stationing.stations["reach"].to_numpy()
    table, start, taken = held.candidates.table, held.candidates.start, held.candidates.taken
    row, judged = do()
    admitted = np.flatnonzero(judged.rules_lifted != "")

    assert len(admitted)
    reserve = held.rule_overlaps[held.rule_overlaps["rule"] == "reserve"]["station"].unique()
    for number in range(len(table)):
        own = taken[start[number] : start[number + 1]]
        in_reserve = own[np.isin(own, reserve)]
        alone = len(in_reserve) and (reach[in_reserve] == row["reach"]).all()
        assert (number in admitted) == bool(alone)


def test_a_dropped_reach_and_another_pinned_scheme_type_bar_every_candidate_on_it(staged):
    held, do = staged
    kept = do()[1]
    # Where nothing is kept, the rules exclude already, and a decision has nothing to exclude.
    assert not do(decision="drop", rule_verdict="")[1].barred_by_decision.any()
    lifted = held.rule_verdicts._replace(choice=kept.choice)
    settings_of = {"decision": "pin", "scheme_type": "at_barrier", "head_m": np.nan, "rule_verdict": ""}
    _, pinned = do(**settings_of)
    assert pinned.barred_by_decision.sum() == 0
    held.rule_verdicts, before = lifted, held.rule_verdicts
    try:
        _, dropped = do(decision="drop", head_m=np.nan, rule_verdict="")
        _, pinned = do(**settings_of)
        _, same = do(**settings_of | {"scheme_type": "diversion"})
    finally:
        held.rule_verdicts = before
    was = (lifted.choice != NONE_MAY).sum()
    assert dropped.barred_by_decision.sum() == pinned.barred_by_decision.sum() > 0
    assert (dropped.choice != NONE_MAY).sum() == was - dropped.barred_by_decision.sum()
    assert not same.barred_by_decision.any()
