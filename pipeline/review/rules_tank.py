"""Rules about what happened to a tank: a filter that stood still, deaths, lost flow, nitrate over its ceiling."""

from __future__ import annotations

import polars as pl

from pipeline.review.facts import Facts
from pipeline.review.rules_water import ACT, DEATHS, FLOW, NITRATE, STOPPED, WEEK, nearer
from pipeline.review.saying import ASK, CP, HOUSE, ago, change_words, finding, num, round_up, span, whole
from pipeline.wording import NBSP


def filter_stopped(f: Facts) -> pl.DataFrame:
    """A filter that stood still in the last week, until ammonia and nitrite were tested on a later day."""
    foul, short, back = f.assumed["stopped_hours"], f.assumed["stop_short_hours"], f.assumed["alarm_back_days"]
    events = f.lately("event", "date", back).filter(
        (pl.col("event") == "filter stopped") | ((pl.col("event") == "power cut") & (pl.col("hours") >= short))
    )
    services = f.lately("service", "date", back).filter(pl.col("hours_stopped") >= foul)
    still = f.rows.filter((pl.col("flow_l_h_matched") == 0) & (pl.col("flow_l_h_age_days") < back)).select(
        *ASK, pl.lit(None, pl.Float64).alias("hours"), pl.col("flow_l_h_age_days").cast(pl.Int64).alias("ago")
    )
    stops = pl.concat(
        [
            events.select(*ASK, "hours", "ago"),
            services.select(*ASK, pl.col("hours_stopped").alias("hours"), "ago"),
            still,
        ]
    ).sort(*ASK, "ago", maintain_order=True)
    last = stops.unique(ASK, keep="first", maintain_order=True)
    rows = f.rows.join(last, on=ASK)
    tested = ((pl.col("ammonia_age_days") < pl.col("ago")) & (pl.col("nitrite_age_days") < pl.col("ago"))).fill_null(
        False
    )
    rows = rows.filter(~tested)
    long = (pl.col("hours") >= foul).fill_null(True)
    brief = (pl.col("hours") < short).fill_null(False)
    spell = (
        pl.when(pl.col("hours").is_null())
        .then(pl.lit("for a time not recorded"))
        .otherwise(pl.format(f"for {{}}{NBSP}hours", num(pl.col("hours"), 1)))
    )
    do = (
        pl.when(long)
        .then(
            pl.lit(
                "Do not restart it into the tank if it stood over 12 hours: empty it outdoors, rinse the media in tank"
                " water, then start it. Change 30 %; ammonia and nitrite daily for five days; more air meanwhile."
            )
        )
        .otherwise(pl.lit("See that it runs, check the flow, and retest ammonia and nitrite within a day."))
    )
    return finding(
        rows,
        "filter_stopped",
        pl.when(brief).then(pl.lit(WEEK)).otherwise(pl.lit(ACT)),
        reason=pl.format("filter stood still {}, {}", spell, ago(pl.col("ago"))),
        step=pl.when(long)
        .then(pl.lit("Over 12 hours: do not restart into the tank; test ammonia, nitrite"))
        .otherwise(pl.lit("See that it runs; test ammonia and nitrite today")),
        says=pl.format("The filter stood still {}, {}; no ammonia and nitrite since.", spell, ago(pl.col("ago"))),
        do=do,
        basis=f"a canister stopped over {foul:g} hours is not restarted into the tank; {CP}",
        harm=nearer(STOPPED, pl.col("hours").fill_null(foul) / foul),
    )


def fish_deaths(f: Facts) -> pl.DataFrame:
    """Fish that died in the last week."""
    limit = f.assumed["act_deaths_week"]
    died = f.lately("event", "date", f.assumed["alarm_back_days"]).filter(pl.col("event") == "fish died")
    deaths = died.group_by(ASK, maintain_order=True).agg(
        pl.col("count").fill_null(1).sum().alias("deaths"), pl.col("ago").min()
    )
    rows = f.rows.join(deaths, on=ASK).filter(pl.col("deaths") >= limit)
    return finding(
        rows,
        "fish_deaths",
        ACT,
        reason=pl.format(
            f"{{}}{NBSP}fish died within a week, the last {{}}", whole(pl.col("deaths")), ago(pl.col("ago"))
        ),
        step="Test everything today; count fish, check flow, smell and heater",
        says=pl.format(
            f"{{}}{NBSP}fish died within a week, the last {{}}.", whole(pl.col("deaths")), ago(pl.col("ago"))
        ),
        do="Test ammonia, nitrite, pH, KH and temperature today; count the fish, look behind the decor and at the intake;"
        " ask what was sprayed or added. For illness ask a vet: this tool diagnoses none.",
        basis=f"{limit:g} deaths in a week; {HOUSE}",
        harm=nearer(DEATHS, pl.col("deaths")),
    )


def nitrate_over_ceiling(f: Facts) -> pl.DataFrame:
    """The last nitrate reading lies over the tank's ceiling."""
    rows = f.rows.filter(pl.col("nitrate_matched") > pl.col("ceiling"))
    ceiling, tap = pl.col("ceiling"), pl.col("tap")
    read, age = span(pl.col("nitrate_low"), pl.col("nitrate_high"), 0), ago(pl.col("nitrate_age_days"))
    hopeless = (tap >= ceiling).fill_null(False)
    most = f.assumed["change_at_once"]
    room = pl.col("nitrate_matched") - tap
    wanted = ((pl.col("nitrate_matched") - ceiling) / room).clip(f.assumed["change_least"], most)
    # A tap that was never tested leaves the change unsized: the usual one, and the tap's test with it.
    share = round_up(wanted, f.assumed["change_round"]).fill_null(f.assumed["usual_change_share"])
    reaches = (
        pl.when(tap.is_null())
        .then(pl.lit("; how far that brings it down hangs on the tap, which was never tested: test it"))
        .otherwise(
            pl.format(
                f", which brings {{}} down to about {{}}{NBSP}mg/L",
                whole(pl.col("nitrate_matched")),
                whole(pl.col("nitrate_matched") - share * room),
            )
        )
    )
    small = change_words(pl.lit(f.assumed["old_tank_change_share"]), pl.col("net_l"))
    amount = change_words(share, pl.col("net_l"))
    step = (
        pl.when(pl.col("trap"))
        .then(pl.format("No big change: {} a day, test ammonia first", small))
        .when(hopeless)
        .then(pl.format("Tap is {}: mix in RO water; more tap water is no use", whole(tap)))
        .otherwise(pl.format("Change {}, retest at the next visit", amount))
    )
    do = (
        pl.when(pl.col("trap"))
        .then(pl.format("No big change: {} a day, and test ammonia first.", small))
        .when(hopeless)
        .then(
            pl.format(
                f"The tap brings {{}}{NBSP}mg/L, which is not under the ceiling of {{}}: part RO water, more media or plants.",
                whole(tap),
                whole(ceiling),
            )
        )
        .otherwise(
            pl.format(
                "Change {} in one go or in two a day apart{}; retest at the next visit, and look at what makes it rise.",
                amount,
                reaches,
            )
        )
    )
    return finding(
        rows,
        "nitrate_over_ceiling",
        WEEK,
        reason=pl.format("nitrate {} over its ceiling of {}, {}", read, whole(ceiling), age),
        step=step,
        says=pl.format(
            f"Nitrate was read as {{}}{NBSP}mg/L, {{}}; the ceiling here is {{}}.", read, age, whole(ceiling)
        ),
        do=do,
        basis=pl.format("ceiling of {} mg/L, from tanks.csv or the house figure", whole(ceiling)),
        harm=nearer(NITRATE, pl.col("nitrate_matched") / ceiling),
    )


def flow_low(f: Facts) -> pl.DataFrame:
    """Timed flow under its share of clean flow."""
    limit = f.assumed["low_flow_share"]
    found = (pl.col("flow_basis") == "timed") & (pl.col("flow_of_clean") < limit)
    age = ago((pl.col("as_of") - pl.col("flow_day")).dt.total_days())
    rows = f.rows.filter(found)
    share = whole(100 * pl.col("flow_of_clean"))
    return finding(
        rows,
        "flow_low",
        WEEK,
        reason=pl.format(f"flow at {{}}{NBSP}% of clean, {{}}", share, age),
        step="Pads now, hose and impeller too; leave the media for another day",
        says=pl.format(
            f"Flow was {{}}{NBSP}L/h, {{}}{NBSP}% of what this filter gives when clean ({{}}).",
            whole(pl.col("flow_l_h")),
            share,
            age,
        ),
        do="Clean pads, hose and impeller now, not the media on the same day; next check in four weeks; time the flow again.",
        basis=f"under {100 * limit:.0f} % of clean flow; {CP}",
        harm=nearer(FLOW, 1 - pl.col("flow_of_clean")),
    )


def closed_today(f: Facts) -> pl.DataFrame:
    """The last day a tank ran: it stands in the review once more, never silently gone."""
    rows = f.rows.filter(pl.col("closed") == pl.col("as_of"))
    return finding(
        rows,
        "closed_today",
        "due",
        reason="closed today",
        step="Note where its filter, media and fish went",
        says="Today is the last day this tank runs.",
        do="Close its placement, say where filter and media went, and tell the site.",
        basis="tanks.csv, closed",
        harm=pl.lit(0.0),
    )
