"""What the printed review and One tank tell once: causes that no record speaks for."""

from __future__ import annotations

import polars as pl

from dashboard.tank_forms import causes_html
from pipeline.review.causes import UNEXPLAINED
from pipeline.review.summary import left_over


def cause(name: str, because: str) -> dict[str, object]:
    return {"rule": "r", "cause": name, "because": because, "check": f"check {name}", "score": 0.0}


def test_a_cause_without_a_record_is_told_once_where_several_tanks_have_it() -> None:
    tanks = ("T1", "T2", "T3")
    review = pl.DataFrame({"tank": tanks, "class": ["plan", "plan", "steady"]})
    found = {tank: [{"rule": "r", "class": "plan", "harm": 1.0, "quiet": False}] for tank in tanks}
    causes = {tank: [cause("overfeeding", UNEXPLAINED), cause("dead fish", "2 died")] for tank in tanks}
    assert left_over(review, found, causes) == {"overfeeding": "check overfeeding"}
    assert left_over(review.head(1), found, causes) == {}
    assert left_over(review.filter(pl.col("class") == "steady"), found, causes) == {}


def test_causes_of_a_tank_that_no_record_speaks_for_are_said_so_once() -> None:
    bare = causes_html([cause("overfeeding", UNEXPLAINED), cause("tap ammonia", UNEXPLAINED)])
    assert bare.count("Nothing recorded explains it") == 1
    assert UNEXPLAINED not in bare
    assert causes_html([cause("overfeeding", UNEXPLAINED), cause("dead fish", "2 died")]).count(UNEXPLAINED) == 1
