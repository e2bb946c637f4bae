"""The records that point to a cause, one function a cause: frames of tank, as_of, because. It points to, it never is."""

from __future__ import annotations

from collections.abc import Callable

import polars as pl

from pipeline.review.facts import Facts
from pipeline.review.saying import ASK, ago, day, num, span, whole
from pipeline.wording import NBSP


def _said(rows: pl.DataFrame, because: pl.Expr) -> pl.DataFrame:
    """tank, as_of, because: the last word on each ask."""
    return rows.select(*ASK, because.alias("because")).unique(ASK, keep="last", maintain_order=True)


def overfeeding(f: Facts) -> pl.DataFrame:
    """Food raised or overfed lately, or more of it than normal; or nitrate that outruns the food that is recorded."""
    heavy = f.assumed["heavy_feed_load"]
    parts = [
        _said(
            f.rows.filter((pl.col("recent_low") > pl.col("expected_high")).fill_null(False)),
            pl.format(
                "nitrate rises {} a week, more than the recorded food makes ({})",
                span(pl.col("week_low"), pl.col("week_high"), 1),
                span(7 * pl.col("expected_low"), 7 * pl.col("expected_high"), 1),
            ),
        ),
        _said(
            f.rows.filter((pl.col("load_basis") == "feed") & (pl.col("load") >= heavy)),
            pl.format(
                f"{{}}{NBSP}g of food a day is {{}} times normal for {{}}{NBSP}L",
                num(pl.col("feed_g_day"), 2),
                num(pl.col("load"), 1),
                whole(pl.col("net_l")),
            ),
        ),
    ]
    feeding = f.table("feeding").select("tank", pl.col("from").alias("day"), "feed_g_day").sort("tank", "day")
    rises = feeding.with_columns(pl.col("feed_g_day").shift().over("tank").alias("was")).filter(
        pl.col("feed_g_day") > pl.col("was")
    )
    lately = f.in_span(rises, f.assumed["long_cause_days"])
    parts.append(
        _said(
            lately,
            pl.format(
                f"food went from {{}} to {{}}{NBSP}g a day on {{}}",
                num(pl.col("was"), 2),
                num(pl.col("feed_g_day"), 2),
                day(pl.col("day")),
            ),
        )
    )
    fed = f.lately("event", "date", f.assumed["recent_cause_days"]).filter(pl.col("event") == "overfed")
    parts.append(_said(fed, pl.format("overfed on {}", day(pl.col("day")))))
    return pl.concat(parts).unique(ASK, keep="last", maintain_order=True)


def _event(f: Facts, name: str, days: float, words: str) -> pl.DataFrame:
    rows = f.lately("event", "date", days).filter(pl.col("event") == name)
    count = pl.when(pl.col("count").is_null()).then(pl.lit("")).otherwise(pl.format("{} ", whole(pl.col("count"))))
    return _said(rows, pl.format(words, count, day(pl.col("day"))))


def new_fish(f: Facts) -> pl.DataFrame:
    """Fish added within six weeks or so."""
    return _event(f, "fish in", f.assumed["fresh_stock_days"], "{}fish in on {}")


def too_much_stock(f: Facts) -> pl.DataFrame:
    """Stocking recorded as heavy or messy."""
    return _said(
        f.rows.filter(pl.col("stocking").is_in(["heavy", "messy"])), pl.format("stocking is recorded as {}", "stocking")
    )


def too_little_media(f: Facts) -> pl.DataFrame:
    """A plain load over 100 %, or no media that counts."""
    over = f.rows.filter(pl.col("over_full_cycle").fill_null(False) | (pl.col("plain_state") == "half cycle only"))
    return _said(
        over,
        pl.format(
            f"{{}}{NBSP}kg of media on {{}}{NBSP}L, which wants {{}}",
            num(pl.col("media_kg"), 2),
            whole(pl.col("net_l")),
            num(pl.col("net_l") / f.assumed["litres_per_kg"], 2),
        ),
    )


def media_not_ripe(f: Facts) -> pl.DataFrame:
    """Media that counts and is not ripe yet."""
    full = f.assumed["maturity_full_weeks"]
    young = f.table("capacity_layer").filter(
        pl.col("counts") & (pl.col("maturity") < f.assumed["ripe_share"]) & (pl.col("age_weeks") < full)
    )
    rows = young.group_by(ASK, maintain_order=True).agg(pl.col("mass_kg").sum(), pl.col("age_weeks").min())
    return _said(
        rows,
        pl.format(
            f"{{}}{NBSP}kg of its media is {{}}{NBSP}weeks old; ripe at {full:g}",
            num(pl.col("mass_kg"), 2),
            whole(pl.col("age_weeks").floor()),
        ),
    )


def media_clogged(f: Facts) -> pl.DataFrame:
    """Found heavy or sludgy at the last look, or a check well overdue."""
    found = (
        f.lately("service", "date", f.assumed["long_cause_days"])
        .drop_nulls("found")
        .filter(pl.col("found").is_in(["heavy", "sludge"]))
    )
    last = (
        f.lately("service", "date", f.assumed["long_cause_days"])
        .drop_nulls("found")
        .unique(ASK, keep="last", maintain_order=True)
    )
    dirty = last.join(found.select(*ASK, "day").unique(), on=[*ASK, "day"])
    late = f.table("due").filter(
        (pl.col("what") == "check") & (pl.col("late_days") > 7 * f.assumed["clog_overdue_weeks"])
    )
    return pl.concat(
        [
            _said(late, pl.format(f"the check of {{}} is {{}}{NBSP}days late", "about", "late_days")),
            _said(dirty, pl.format("found {} on {}", "found", day(pl.col("day")))),
        ]
    ).unique(ASK, keep="last", maintain_order=True)


def flow_lost(f: Facts) -> pl.DataFrame:
    """Timed flow well under clean flow."""
    low = f.rows.filter((pl.col("flow_basis") == "timed") & (pl.col("flow_of_clean") < f.assumed["flow_lost_share"]))
    return _said(
        low,
        pl.format(
            f"flow {{}}{NBSP}L/h on {{}}, {{}}{NBSP}% of clean",
            whole(pl.col("flow_l_h")),
            day(pl.col("flow_day")),
            whole(100 * pl.col("flow_of_clean")),
        ),
    )


def bypass(f: Facts) -> pl.DataFrame:
    """A basket half empty, in the audit of the layout."""
    half = f.table("audit").filter(pl.col("fault").str.contains("half|empty"))
    return _said(half, pl.format("the book shows a compartment of {} half empty", "filter"))


def _handled(f: Facts, days: float) -> pl.DataFrame:
    return f.lately("service", "date", days).filter(pl.col("job").is_in(["media rinsed", "full"]))


def rinsed_in_tap_water(f: Facts) -> pl.DataFrame:
    """Media rinsed in tap water while that still holds it back."""
    weeks = f.assumed["disturb_tap_rinse_weeks"]
    rows = _handled(f, 7 * weeks).filter(pl.col("rinse_water") == "tap")
    return _said(rows, pl.format("media rinsed in tap water on {}", day(pl.col("day"))))


def over_cleaned(f: Facts) -> pl.DataFrame:
    """More than a third of the media handled in the days before."""
    most = f.assumed["media_share_at_once"]
    rows = _handled(f, f.assumed["after_clean_days"]).filter(
        (pl.col("media_share").fill_null(1.0) > most + 0.01) | (pl.col("job") == "full")
    )
    share = (
        pl.when(pl.col("media_share").is_null())
        .then(pl.lit("its media"))
        .otherwise(pl.format(f"{{}}{NBSP}% of its media", whole(100 * pl.col("media_share"))))
    )
    return _said(rows, pl.format("{} handled on {}", share, day(pl.col("day"))))


def medication(f: Facts) -> pl.DataFrame:
    """A medicine within the weeks that it holds bacteria back."""
    return _event(f, "medication", 7 * f.assumed["disturb_medication_weeks"], "{}medicine on {}")


def filter_stopped(f: Facts) -> pl.DataFrame:
    """A stop or a power cut, recorded as an event or with a service."""
    events = f.lately("event", "date", 7 * f.assumed["disturb_stopped_weeks"]).filter(
        pl.col("event").is_in(["filter stopped", "power cut"])
    )
    services = f.lately("service", "date", 7 * f.assumed["disturb_stopped_weeks"]).filter(
        pl.col("hours_stopped") >= f.assumed["stop_short_hours"]
    )
    hours = (
        pl.when(pl.col("hours").is_null())
        .then(pl.lit(""))
        .otherwise(pl.format(f", {{}}{NBSP}hours", num(pl.col("hours"), 1)))
    )
    return pl.concat(
        [
            _said(events, pl.format("{} on {}{}", "event", day(pl.col("day")), hours)),
            _said(
                services,
                pl.format(f"stopped {{}}{NBSP}hours on {{}}", num(pl.col("hours_stopped"), 1), day(pl.col("day"))),
            ),
        ]
    ).unique(ASK, keep="last", maintain_order=True)


def dead_fish(f: Facts) -> pl.DataFrame:
    """Fish that died, or fewer seen than at the visit before."""
    died = _event(f, "fish died", f.assumed["death_cause_days"], "{}fish died, on {}")
    seen = f.lately("visit", "day", f.assumed["recent_cause_days"]).drop_nulls("fish_seen")
    seen = seen.with_columns(pl.col("fish_seen").shift().over(ASK).alias("was")).unique(
        ASK, keep="last", maintain_order=True
    )
    fewer = _said(
        seen.filter(pl.col("fish_seen") < pl.col("was")),
        pl.format("{} fish seen {}, {} before", whole(pl.col("fish_seen")), ago(pl.col("ago")), whole(pl.col("was"))),
    )
    return pl.concat([fewer, died]).unique(ASK, keep="last", maintain_order=True)


def heater(f: Facts) -> pl.DataFrame:
    """Water away from the set temperature."""
    off = (pl.col("temperature_matched") - pl.col("temperature_c")).abs() >= f.assumed["temperature_warn_off_c"]
    return _said(
        f.rows.filter(off),
        pl.format(f"{{}}{NBSP}°C read, set to {{}}", num(pl.col("temperature_matched")), num(pl.col("temperature_c"))),
    )


def tap_nitrate(f: Facts) -> pl.DataFrame:
    """A tap that brings much of it."""
    high = (pl.col("tap") >= f.assumed["tap_nitrate_high"]) | (
        pl.col("tap") >= f.assumed["tap_ceiling_share"] * pl.col("ceiling")
    )
    rows = f.rows.filter(high.fill_null(False))
    return _said(rows, pl.format(f"the tap brings {{}}{NBSP}mg/L", whole(pl.col("tap"))))


def tap_ammonia(f: Facts) -> pl.DataFrame:
    """Ammonia in the tap."""
    return _said(
        f.rows.filter(pl.col("tap_ammonia") > 0),
        pl.format(
            f"the tap had {{}}{NBSP}mg/L ammonia on {{}}", num(pl.col("tap_ammonia"), 2), day(pl.col("tap_ammonia_day"))
        ),
    )


def _changes(f: Facts) -> pl.DataFrame:
    """Changes and top-ups of the last eight weeks: tank, as_of, changes, topups."""
    rows = f.lately("water_change", "day", f.assumed["change_cause_days"])
    return rows.group_by(ASK, maintain_order=True).agg(
        (pl.col("kind") != "top-up").sum().alias("changes"), (pl.col("kind") == "top-up").sum().alias("topups")
    )


def too_few_changes(f: Facts) -> pl.DataFrame:
    """Visits without a change, or small ones."""
    rows = f.rows.filter(
        (pl.col("change_share") < f.assumed["few_changes_share"])
        | (pl.col("mean_fraction") < f.assumed["small_change_share"])
    )
    return _said(
        rows,
        pl.format(
            f"water changed at {{}}{NBSP}% of the visits of late, {{}}{NBSP}% a visit on average",
            whole(100 * pl.col("change_share")),
            whole(100 * pl.col("mean_fraction")),
        ),
    )


def top_ups_only(f: Facts) -> pl.DataFrame:
    """Top-ups and no change for eight weeks."""
    rows = _changes(f).filter((pl.col("changes") == 0) & (pl.col("topups") > 0))
    return _said(rows, pl.format("{} top-ups and no change in eight weeks", pl.col("topups")))


def _doubted(f: Facts, doubt: str) -> pl.DataFrame:
    return f.lately("reading", "day", f.assumed["recent_cause_days"]).filter(
        (pl.col("parameter") == "nitrate") & (pl.col("doubt") == doubt)
    )


def wrong_basis(f: Facts) -> pl.DataFrame:
    """A reading that fits the other basis."""
    return _said(
        _doubted(f, "basis"),
        pl.format("“{}” on {} fits nitrate given as nitrogen", pl.col("text"), day(pl.col("day"))),
    )


def nitrite_interference(f: Facts) -> pl.DataFrame:
    """Nitrite at the same visit, which nitrate tests colour with."""
    return _said(_doubted(f, "nitrite"), pl.format("nitrite showed at the same visit, {}", ago(pl.col("ago"))))


def taken_after(f: Facts) -> pl.DataFrame:
    """A change that day, and it is not known on which side of it the sample was taken."""
    return _said(
        _doubted(f, "taken"),
        pl.format("water was changed on {} and the sheet does not say when it was read", day(pl.col("day"))),
    )


def kit_expired(f: Facts) -> pl.DataFrame:
    """The last nitrate kit out of date."""
    rows = f.rows.filter(pl.col("last_expired").fill_null(False))
    return _said(
        rows, pl.format("kit {} was out of date {}", pl.col("last_kit").fill_null("not named"), ago(pl.col("last_age")))
    )


def kit_batch(f: Facts) -> pl.DataFrame:
    """Tanks of one kit stepping together."""
    rows = f.rows.drop_nulls("step_kit_batch")
    return _said(rows, pl.format("other tanks of kit {} stepped at the same time", "step_kit_batch"))


def not_shaken(f: Facts) -> pl.DataFrame:
    """KH falls as if all the nitrate were there, and the nitrate test does not show it."""
    rows = f.rows.filter(pl.col("witness") == "doubt the nitrate test")
    return _said(rows, pl.col("witness_says"))


def plants(f: Facts) -> pl.DataFrame:
    """Plants that take some of it."""
    rows = f.rows.filter(pl.col("planting").is_in(["moderate", "dense"]))
    return _said(rows, pl.format("planting is {}", "planting"))


def limestone(f: Facts) -> pl.DataFrame:
    """KH that climbs."""
    rows = f.rows.filter((pl.col("kh_matched") - pl.col("kh_before_matched")) >= f.assumed["kh_warn_fall_month"])
    return _said(
        rows, pl.format("KH rose from {} to {} dKH", num(pl.col("kh_before_matched")), num(pl.col("kh_matched")))
    )


def still_new(f: Facts) -> pl.DataFrame:
    """A tank in its first weeks."""
    rows = f.rows.filter(~pl.col("established"))
    return _said(rows, pl.format(f"set up {{}}{NBSP}weeks ago", whole(pl.col("age_weeks_of_tank").floor())))


def typing_slip(f: Facts) -> pl.DataFrame:
    """A reading that the fit weighs at under half, or an item that is held."""
    suspects = f.table("suspect").filter(
        (pl.col("as_of") - pl.col("day")).dt.total_days() < f.assumed["recent_cause_days"]
    )
    odd = _said(
        suspects.sort(*ASK, "day"),
        pl.format("the reading of {} does not fit the others ({} line {})", day(pl.col("day")), "file", "line"),
    )
    held = f.rows.filter(pl.col("held_fresh") > 0)
    waits = _said(held, pl.format("{}: {}", pl.col("held_where"), pl.col("held_reason")))
    return pl.concat([odd, waits]).unique(ASK, keep="last", maintain_order=True)


EVIDENCE: dict[str, Callable[[Facts], pl.DataFrame]] = {
    "overfeeding": overfeeding,
    "new fish": new_fish,
    "too much stock": too_much_stock,
    "too little media": too_little_media,
    "media not ripe": media_not_ripe,
    "media clogged": media_clogged,
    "flow lost": flow_lost,
    "bypass": bypass,
    "rinsed in tap water": rinsed_in_tap_water,
    "over-cleaned": over_cleaned,
    "medication": medication,
    "filter stopped": filter_stopped,
    "dead fish": dead_fish,
    "heater": heater,
    "tap nitrate": tap_nitrate,
    "tap ammonia": tap_ammonia,
    "too few changes": too_few_changes,
    "top-ups only": top_ups_only,
    "wrong basis": wrong_basis,
    "kit expired": kit_expired,
    "kit batch": kit_batch,
    "not shaken": not_shaken,
    "nitrite interference": nitrite_interference,
    "taken after the change": taken_after,
    "typing slip": typing_slip,
    "plants or algae": plants,
    "limestone": limestone,
    "tank still new": still_new,
}
