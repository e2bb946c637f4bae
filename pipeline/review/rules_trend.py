"""Rules about where nitrate heads and whether the filter is rated for it: rating beside evidence, never one alone."""

from __future__ import annotations

import polars as pl

from pipeline.review.facts import Facts
from pipeline.review.saying import CP, HOUSE, change_words, day, finding, num, round_up, span, spell, whole
from pipeline.wording import NBSP

PLAN, STEADY = "plan", "steady"
FITTED = "net rise from readings as ranges, with changes, tap and kit allowed for (90 % range)"


def _soon(f: Facts) -> pl.Expr:
    """Order within plan: weeks to the ceiling; those that will not reach it come last, the likelier ones first."""
    likelier = 1 - pl.col("over_ceiling_probability").fill_null(0.0)
    return pl.col("weeks_to_ceiling").fill_null(f.assumed["far_weeks"]) + likelier


def _rise() -> pl.Expr:
    """The net rise a week, as a range: `8 (5–10) a week`."""
    return (
        pl.when(pl.col("recent_state") == "at least")
        .then(pl.format("at least {} a week", num(pl.col("week_low"), 1)))
        .when(pl.col("week_rate").is_null())
        .then(pl.lit("rise not known"))
        .otherwise(
            pl.format("{} ({}) a week", num(pl.col("week_rate"), 1), span(pl.col("week_low"), pl.col("week_high"), 1))
        )
    )


def _change_for_ceiling(f: Facts) -> pl.Expr:
    """The share a visit that holds the ceiling, f = R/(L − T); null where no change can."""
    rise = pl.col("recent_rate") * pl.col("mean_gap_days")
    room = pl.col("ceiling") - pl.col("tap")
    share = rise / room
    possible = (room > 0) & (share > 0) & (share <= f.assumed["change_limit"])
    return pl.when(possible).then(round_up(share, f.assumed["change_round"]))


def _short_kg(f: Facts) -> pl.Expr:
    """Media short of the plain rule [kg]."""
    return pl.col("net_l") / f.assumed["litres_per_kg"] - pl.col("media_kg")


def _cure(f: Facts) -> pl.Expr:
    """What holds it: the media it is short of, or the change a visit."""
    short = num(_short_kg(f), 2)
    share = _change_for_ceiling(f)
    return (
        pl.when(share.is_null())
        .then(pl.format(f"Feed less or add {{}}{NBSP}kg media; see the plan", short))
        .otherwise(
            pl.format(
                f"Feed less or add {{}}{NBSP}kg media; until then change {{}}",
                short,
                change_words(share, pl.col("net_l")),
            )
        )
    )


def _over(f: Facts) -> pl.Expr:
    return pl.col("over_full_cycle").fill_null(False)


def _no_media() -> pl.Expr:
    return pl.col("plain_state") == "half cycle only"


def over_full_cycle_rating(f: Facts) -> pl.DataFrame:
    """Over the plain rating: to plan for when nitrate climbs, else told and left alone."""
    rows = f.rows.filter(_over(f) & ~_no_media())
    busy = pl.col("climbing") | (pl.col("plateau") > pl.col("ceiling")).fill_null(False)
    load = whole(pl.col("plain_load_pct"))
    held = (
        pl.when(pl.col("trend") == "steady")
        .then(pl.lit("nitrate steady"))
        .otherwise(pl.lit("nitrate not clearly climbing"))
    )
    return finding(
        rows,
        "over_full_cycle_rating",
        pl.when(busy).then(pl.lit(PLAN)).otherwise(pl.lit(STEADY)),
        reason=pl.when(busy)
        .then(pl.format(f"{{}}{NBSP}% of its rating, short of {{}}{NBSP}kg media", load, num(_short_kg(f), 2)))
        .otherwise(pl.format(f"{{}}{NBSP}% of its rating, but {{}}", load, held)),
        step=pl.when(busy).then(_cure(f)).otherwise(pl.lit("Leave it; ask again if feed or stock changes")),
        says=pl.format(
            f"{{}}{NBSP}L net on {{}}{NBSP}kg of media rates {{}}{NBSP}L: {{}}{NBSP}% of its full-cycle rating, short of"
            f" {{}}{NBSP}kg.{{}}",
            whole(pl.col("net_l")),
            num(pl.col("media_kg"), 2),
            whole(pl.col("plain_l")),
            load,
            num(_short_kg(f), 2),
            pl.when(pl.col("plain_state") == "borderline")
            .then(pl.lit(" That is within the rule's own uncertainty."))
            .otherwise(pl.lit("")),
        ),
        do=pl.when(busy)
        .then(pl.format("{}.", _cure(f)))
        .otherwise(
            pl.lit("Leave it alone: changes, plants or light feeding hold it. Rate it anew if feed or stock changes.")
        ),
        basis=f"{f.assumed['litres_per_kg']:g} L a kilogram of good porous media; {CP}, disputed: a planning rule",
        harm=_soon(f),
    )


def over_and_climbing(f: Facts) -> pl.DataFrame:
    """Over its rating and climbing: expected, and to be planned for."""
    rows = f.rows.filter(_over(f) & ~_no_media() & pl.col("climbing"))
    return finding(
        rows,
        "over_and_climbing",
        PLAN,
        reason=pl.format(f"over its rating ({{}}{NBSP}%) and climbing {{}}", whole(pl.col("plain_load_pct")), _rise()),
        step=_cure(f),
        says=pl.format("Over its full-cycle rating and nitrate rises {}, changes allowed for{}.", _rise(), _heads()),
        do=pl.format("{}. More media takes four to six months to show.", _cure(f)),
        basis=FITTED,
        harm=_soon(f) - 0.5,
    )


def _heads() -> pl.Expr:
    """Where it heads, as the tail of a sentence."""
    weeks = pl.col("weeks_to_ceiling")
    when_ = (
        pl.when(weeks.is_null() | (weeks <= 0))
        .then(pl.lit(""))
        .otherwise(pl.format(", there in about {}", spell(weeks)))
    )
    return (
        pl.when(pl.col("plateau").is_not_null())
        .then(
            pl.format(
                "; heads for {} ({}), ceiling {}{}",
                whole(pl.col("plateau")),
                span(pl.col("plateau_low"), pl.col("plateau_high"), 0),
                whole(pl.col("ceiling")),
                when_,
            )
        )
        .when(weeks > 0)
        .then(pl.format("; no changes hold it: ceiling {}{}", whole(pl.col("ceiling")), when_))
        .otherwise(pl.lit(""))
    )


def climbing_within_rating(f: Facts) -> pl.DataFrame:
    """Within its rating, or rating not known, and climbing: look for a cause."""
    rows = f.rows.filter(~_over(f) & ~_no_media() & pl.col("climbing"))
    return finding(
        rows,
        "climbing_within_rating",
        PLAN,
        reason=pl.format(
            "climbing {} though {}",
            _rise(),
            pl.when(pl.col("plain_load_pct").is_null())
            .then(pl.lit("its rating is not known"))
            .otherwise(pl.format(f"within its rating ({{}}{NBSP}%)", whole(pl.col("plain_load_pct")))),
        ),
        step="Look for a cause: weigh food, check flow and pads, test the tap",
        says=pl.format(
            "Nitrate rises {}, changes allowed for, though the filter holds enough media on paper{}.",
            _rise(),
            _heads(),
        ),
        do="Weigh a day's food; check flow and pads; test the tap's nitrate; then judge over three weeks. Media is not the"
        " first thing to buy.",
        basis=FITTED,
        harm=_soon(f),
    )


def no_rated_media(f: Facts) -> pl.DataFrame:
    """No media that counts for the full cycle: half cycle only, and nitrate is held by changes alone."""
    rows = f.rows.filter(_no_media())
    need = pl.col("net_l") / f.assumed["litres_per_kg"]
    share = _change_for_ceiling(f)
    busy = pl.col("climbing") | (pl.col("plateau") > pl.col("ceiling")).fill_null(False)
    step = (
        pl.when(~busy)
        .then(pl.lit("Leave it: the water changes hold it"))
        .when(share.is_null())
        .then(pl.format(f"Add {{}}{NBSP}kg media after a fine stage, or feed less", num(need, 1)))
        .otherwise(
            pl.format(
                f"Change {{}} a visit, or add {{}}{NBSP}kg media", change_words(share, pl.col("net_l")), num(need, 1)
            )
        )
    )
    return finding(
        rows,
        "no_rated_media",
        pl.when(busy).then(pl.lit(PLAN)).otherwise(pl.lit(STEADY)),
        reason=pl.when(busy)
        .then(pl.format("half cycle only: no rated media, rises {}", _rise()))
        .otherwise(pl.lit("half cycle only: no rated media; the changes hold it")),
        step=step,
        says=pl.format(
            "No porous media that counts lies in its filters: half cycle only. Nitrate goes by changes alone{}.",
            _heads(),
        ),
        do=pl.format(
            f"Run it as half cycle and size the changes, or add {{}}{NBSP}kg of porous media after a fine stage.",
            num(need, 1),
        ),
        basis=f"plain rating counts porous biological media in the flow; {CP}",
        harm=_soon(f),
    )


def plateau_above_ceiling(f: Facts) -> pl.DataFrame:
    """Under the present routine nitrate settles above the ceiling, or never settles."""
    settles = (pl.col("plateau") > pl.col("ceiling")).fill_null(False)
    never = (pl.col("plateau").is_null() & (pl.col("weeks_to_ceiling") > 0) & (pl.col("recent_low") > 0)).fill_null(
        False
    )
    known = pl.col("recent_state").is_in(["ok", "rough", "at least"])
    rows = f.rows.filter((settles | never) & known)
    share = _change_for_ceiling(f)
    tap_high = (pl.col("tap") >= pl.col("ceiling")).fill_null(False)
    step = (
        pl.when(tap_high)
        .then(pl.format("Tap is {}: part RO water, or media; tap water cannot do it", whole(pl.col("tap"))))
        .when(share.is_null())
        .then(pl.lit("Less food or more media: no water change alone holds it"))
        .otherwise(pl.format("Change {} each visit holds it; see the plan", change_words(share, pl.col("net_l"))))
    )
    weeks = pl.col("weeks_to_ceiling")
    soon = pl.when(weeks > 0).then(pl.format(", in about {}", spell(weeks))).otherwise(pl.lit(""))
    return finding(
        rows,
        "plateau_above_ceiling",
        PLAN,
        reason=pl.when(never)
        .then(pl.format("rises {} with no changes; ceiling {}{}", _rise(), whole(pl.col("ceiling")), soon))
        .otherwise(
            pl.format(
                "heads for {}, over its ceiling of {}{}", whole(pl.col("plateau")), whole(pl.col("ceiling")), soon
            )
        ),
        step=step,
        says=pl.when(never)
        .then(pl.format("Nitrate rises {} and nothing is changed out: it settles nowhere{}.", _rise(), _heads()))
        .otherwise(
            pl.format(
                f"Under the present routine nitrate settles at {{}}{NBSP}mg/L ({{}}) before each change, over its ceiling of"
                " {}{}.",
                whole(pl.col("plateau")),
                span(pl.col("plateau_low"), pl.col("plateau_high"), 0),
                whole(pl.col("ceiling")),
                soon,
            )
        ),
        do=pl.format("{}.", step),
        basis="plateau = tap + rise ÷ fraction changed, with the routine of late (90 % range)",
        harm=_soon(f),
    )


def rise_stepped_up(f: Facts) -> pl.DataFrame:
    """The net rise stepped up: the early sign, before nitrate passes its ceiling."""
    rows = f.rows.filter(pl.col("step_since").is_not_null() & pl.col("step_kit_batch").is_null())
    size = num(7 * pl.col("step_size"), 1)
    return finding(
        rows,
        "rise_stepped_up",
        PLAN,
        reason=pl.format("nitrate rises faster by {} a week since {}", size, day(pl.col("step_since"))),
        step="Ask what changed: food, fish, filter; weigh the food",
        says=pl.format(
            f"Since about {{}} nitrate rises faster by {{}}{NBSP}mg/L a week{{}}.",
            day(pl.col("step_since")),
            size,
            _heads(),
        ),
        do="Ask what changed about then: food, who feeds, fish, filter work. Weigh the food, check flow and pads, retest"
        " next week.",
        basis=f"step alarm over the last visits, threshold met twice; {HOUSE}, measured by simulation",
        harm=_soon(f) - 0.25,
    )


def kit_shift(f: Facts) -> pl.DataFrame:
    """Many tanks of one kit stepped together: one cause, and it is not their filters."""
    rows = f.rows.filter(pl.col("step_kit_batch").is_not_null())
    return finding(
        rows,
        "kit_shift",
        "due",
        reason=pl.format("tanks of kit {} stepped together: doubt the kit", pl.col("step_kit_batch")),
        step="Retest three tanks with another kit before any change of plan",
        says=pl.format(
            "Many tanks tested with kit {} seem to step up together since about {}: that points to the kit or the way of"
            " testing, so this tank's own alarm is held down.",
            pl.col("step_kit_batch"),
            day(pl.col("step_since")),
        ),
        do="Retest three of these tanks with another kit, and one sample diluted by half, which should read half.",
        basis="pooled scores of a common factor against a common step; house figure, measured by simulation",
        harm=pl.lit(-2.0),
    )
