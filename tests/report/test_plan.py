"""The text of a plan, whole."""

from sitefinder.pipeline.keys import Planned
from sitefinder.report.plan import plan_text

ABOUT_STORE = {"store": "out/.sitefinder-store", "results": 25, "size_gb": 0.0289}


def test_what_is_done_again_is_listed_with_its_reasons():
    stages = [
        Planned("heads", True, []),
        Planned("rule_overlaps", False, ["salmon: it is new"]),
        Planned("sites", False, ["setting ranking.rank_by: 'energy' → 'net_value'", "after rule_overlaps"]),
        Planned("quality_flags", True, []),
    ]

    assert plan_text("Small valley", stages, **ABOUT_STORE) == (
        "Small valley: 2 of 4 stages would run\n"
        "  rule_overlaps  salmon: it is new\n"
        "  sites          setting ranking.rank_by: 'energy' → 'net_value'\n"
        "                 after rule_overlaps\n"
        "  up to date: heads, quality_flags\n"
        "  store: out/.sitefinder-store, 25 results, 28.9 MB\n"
    )


def test_many_reasons_are_counted():
    reasons = [f"setting heads.s{number} is new" for number in range(9)]

    text = plan_text("All", [Planned("heads", False, reasons)], **ABOUT_STORE)

    assert text.splitlines()[1:8] == [
        "  heads  setting heads.s0 is new",
        *(f"         setting heads.s{number} is new" for number in range(1, 6)),
        "         and 3 more",
    ]


def test_nothing_to_do_is_said():
    text = plan_text("All", [Planned("heads", True, [])], **ABOUT_STORE)

    assert text.splitlines()[0] == "All: 0 of 1 stages would run"
