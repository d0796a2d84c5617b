"""What compare prints of flags: those set and removed, by their labels, for values whose counts are plain."""

import pandas as pd

from sitefinder.report.text_comparison import _flags


def test_flags_that_were_set_or_removed_are_counted_by_their_labels():
    values = pd.DataFrame(
        [
            ("reach", "flags", "tidal", "tidal; karst"),
            ("reach", "flags", "", "karst"),
            ("reach", "flags", "structure_in_use: mill", ""),
            ("site", "flags", "", "head_measured"),
            ("site", "verdict", "open", "karst"),
        ],
        columns=["kind", "column", "old", "new"],
    )

    assert _flags(values) == (
        "Data-quality flags: karst set on 2 reaches; structure in use removed on 1 reach; head surveyed set\n"
        "on 1 site."
    )
    assert _flags(values.tail(1)) == ""
