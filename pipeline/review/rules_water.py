"""Rules about the water and the fish: welfare before nitrate, always. Values are matched values, limits assumptions."""

from __future__ import annotations

import polars as pl

from pipeline.review.facts import Facts, concat
from pipeline.review.saying import ASK, CP, HOUSE, ago, change_words, finding, num, span, whole
from pipeline.wording import NBSP

ACT, WEEK, DUE = "act today", "this week", "due"

# Order within the two urgent classes: what kills soonest comes first, smaller is nearer. The trap comes before all,
# since its step forbids what the others would ask for.
TRAP, FREE, NITRITE, STOPPED, DEATHS, PH, KH, TEMPERATURE, AMMONIA, NITRATE, FLOW = (100.0 * n for n in range(11))


def nearer(order: float, over: pl.Expr) -> pl.Expr:
    """A place in the order of welfare; the further over its limit, the sooner."""
    return order - over.clip(0, 9).fill_null(0.0) * 10


def _amount(f: Facts, share: str) -> pl.Expr:
    """The water to change now; small steps only in the old-tank trap, where a large change can kill."""
    small = change_words(pl.lit(f.assumed["old_tank_change_share"]), pl.col("net_l"))
    usual = change_words(pl.lit(f.assumed[share]), pl.col("net_l"))
    return (
        pl.when(pl.col("trap"))
        .then(pl.format("Change no more than {}", small))
        .otherwise(pl.format("Change {}", usual))
    )


def _retest(
    rows: pl.DataFrame, rule: str, *, reason: pl.Expr, step: str, says: pl.Expr, do: str, basis: str, order: float
) -> pl.DataFrame:
    """A finding for this week: the kit cannot tell whether a limit is passed, so it is read once more."""
    return finding(
        rows, rule, WEEK, reason=reason, step=step, says=says, do=do, basis=basis, harm=nearer(order, pl.lit(0.0))
    )


def free_ammonia(f: Facts) -> pl.DataFrame:
    """Free ammonia over its limit; where only the high end passes it, a retest."""
    limit = f.assumed["act_free_ammonia"]
    acts = pl.col("free_ammonia_matched") > limit
    perhaps = (
        ~acts
        & (pl.col("free_ammonia_high").fill_null(float("inf")) > limit)
        & ~pl.col("free_ammonia_zero").fill_null(False)
    )
    rows = f.rows.filter(pl.col("free_ammonia_matched").is_not_null())
    range_ = span(pl.col("free_ammonia_low"), pl.col("free_ammonia_high"), 3)
    age = ago(pl.col("free_ammonia_age_days"))
    basis = f"free ammonia from ammonia, pH and temperature of one visit; limit {limit:g} mg/L, {CP}"
    amount = _amount(f, "act_change_share")
    told = pl.format(
        f"Free ammonia {{}}{NBSP}mg/L, {{}}, over the {limit:g} at which gills are harmed (ammonia {{}}{NBSP}mg/L at pH {{}}).",
        range_,
        age,
        num(pl.col("ammonia_matched"), 2),
        num(pl.col("ph_matched"), 1),
    )
    acted = finding(
        rows.filter(acts),
        "free_ammonia",
        ACT,
        reason=pl.format(f"free ammonia {{}}{NBSP}mg/L, {{}}", range_, age),
        step=pl.format("{} today, no food, retest tomorrow", amount),
        says=told,
        do=pl.format(
            "{} today with conditioned water of the same warmth, conditioner as its label says; no food; more air;"
            " retest ammonia and nitrite tomorrow.",
            amount,
        ),
        basis=basis,
        harm=nearer(FREE, pl.col("free_ammonia_matched") / limit),
    )
    doubted = _retest(
        rows.filter(perhaps),
        "free_ammonia",
        reason=pl.format(f"free ammonia may be over {limit:g}: {{}}{NBSP}mg/L, {{}}", range_, age),
        step="Retest ammonia and pH this week, with the finer kit if there is one",
        says=pl.format(
            f"Free ammonia {{}}{NBSP}mg/L, {{}}: the kit cannot tell whether it is over {limit:g}.", range_, age
        ),
        do="Retest ammonia, pH and temperature this week; no extra food until then.",
        basis=basis,
        order=FREE,
    )
    return concat([acted, doubted])


def nitrite_act(f: Facts) -> pl.DataFrame:
    """Nitrite at which the tank is acted on today; where only the high end reaches it, a retest."""
    limit = f.assumed["act_nitrite"]
    rows = f.rows.filter(pl.col("nitrite_matched").is_not_null())
    acts = pl.col("nitrite_matched") >= limit
    high = pl.col("nitrite_high").fill_null(float("inf"))
    perhaps = ~acts & (high >= limit) & ~pl.col("nitrite_zero").fill_null(False)
    value, age = span(pl.col("nitrite_low"), pl.col("nitrite_high"), 2), ago(pl.col("nitrite_age_days"))
    # A new tank is expected to show nitrite; it still harms fish, so it is acted on, more gently.
    new = ~pl.col("established")
    amount = pl.when(new).then(_amount(f, "usual_change_share")).otherwise(_amount(f, "act_change_share"))
    basis = f"nitrite from {limit:g} mg/L is acted on today; {CP}"
    acted = finding(
        rows.filter(acts),
        "nitrite_act",
        ACT,
        reason=pl.format(f"nitrite {{}}{NBSP}mg/L, {{}}", num(pl.col("nitrite_matched"), 2), age),
        step=pl.format("{} today, no food for two days, retest tomorrow", amount),
        says=pl.format(
            f"Nitrite {{}}{NBSP}mg/L (read as {{}}), {{}}: fish cannot carry enough oxygen.{{}}",
            num(pl.col("nitrite_matched"), 2),
            value,
            age,
            pl.when(new).then(pl.lit(" The tank is new, so it is still ripening.")).otherwise(pl.lit("")),
        ),
        do=pl.format("{} today, no food for 48 hours, more air, retest daily until it is 0 twice.", amount),
        basis=basis,
        harm=nearer(NITRITE, pl.col("nitrite_matched") / limit),
    )
    doubted = _retest(
        rows.filter(perhaps),
        "nitrite_act",
        reason=pl.format(f"nitrite may reach {limit:g}: {{}}{NBSP}mg/L, {{}}", value, age),
        step="Retest nitrite this week",
        says=pl.format(f"Nitrite {{}}{NBSP}mg/L, {{}}: the kit cannot tell whether it reaches {limit:g}.", value, age),
        do="Retest nitrite this week; half the food until then.",
        basis=basis,
        order=NITRITE,
    )
    return concat([acted, doubted])


def nitrite(f: Facts) -> pl.DataFrame:
    """Any nitrite in an established tank."""
    limit = f.assumed["act_nitrite"]
    found = (pl.col("nitrite_matched") > 0) & (pl.col("nitrite_matched") < limit) & pl.col("established")
    age, amount = ago(pl.col("nitrite_age_days")), _amount(f, "usual_change_share")
    value = num(pl.col("nitrite_matched"), 2)
    return finding(
        f.rows.filter(found),
        "nitrite",
        WEEK,
        reason=pl.format(f"nitrite {{}}{NBSP}mg/L in an established tank, {{}}", value, age),
        step=pl.format("{}, half the food, retest in two days", amount),
        says=pl.format(f"Nitrite {{}}{NBSP}mg/L, {{}}; an established tank has none.", value, age),
        do=pl.format("{}, feed half as much, leave the media alone, retest in two days.", amount),
        basis=f"any nitrite in a tank over {f.assumed['established_weeks']:g} weeks old; {CP}",
        harm=nearer(NITRITE, pl.col("nitrite_matched") / limit),
    )


def ammonia(f: Facts) -> pl.DataFrame:
    """Any ammonia in an established tank. After a change, what the tap brings with it is no alarm."""
    age, amount = ago(pl.col("ammonia_age_days")), _amount(f, "usual_change_share")
    rows = f.rows.join(_last_fraction(f), on=ASK, how="left", maintain_order="left")
    # One change brings in T × f; the high end of the tap test is the most that T can be.
    brings = pl.col("tap_ammonia_high").fill_null(pl.col("tap_ammonia")) * pl.col("fraction")
    explained = ((pl.col("ammonia_taken") == "after") & (pl.col("ammonia_matched") <= brings)).fill_null(False)
    found = (pl.col("ammonia_matched") > 0) & pl.col("established") & ~explained
    value = num(pl.col("ammonia_matched"), 2)
    return finding(
        rows.filter(found),
        "ammonia",
        WEEK,
        reason=pl.format(f"ammonia {{}}{NBSP}mg/L in an established tank, {{}}", value, age),
        step=pl.format("{}, half the food, look for a dead fish, retest in two days", amount),
        says=pl.format(f"Ammonia {{}}{NBSP}mg/L, {{}}; an established tank has none.", value, age),
        do=pl.format("{}, feed half as much, count the fish, check the flow, retest in two days.", amount),
        basis=f"any ammonia in a tank over {f.assumed['established_weeks']:g} weeks old; {CP}",
        harm=nearer(AMMONIA, pl.col("ammonia_matched")),
    )


def _last_fraction(f: Facts) -> pl.DataFrame:
    """The share of the last water change up to each as-of day: tank, as_of, fraction."""
    change = f.table("water_change").filter(pl.col("fraction").is_not_null()).select("tank", "day", "fraction")
    last = (
        f.rows.select(ASK)
        .sort("as_of")
        .join_asof(change.sort("day"), left_on="as_of", right_on="day", by="tank", check_sortedness=False)
    )
    return last.select(*ASK, "fraction")


def new_tank(f: Facts) -> pl.DataFrame:
    """A tank in its first weeks: ammonia and nitrite are expected, watched, and no alarm."""
    some = pl.any_horizontal(pl.col("ammonia_matched", "nitrite_matched") > 0)
    age = whole(pl.col("age_weeks_of_tank").floor())
    told = pl.when(some).then(pl.lit("; ammonia or nitrite shows, as expected")).otherwise(pl.lit(""))
    return finding(
        f.rows.filter(~pl.col("established")),
        "new_tank",
        DUE,
        reason=pl.format(f"new tank, {{}}{NBSP}weeks old{{}}", age, told),
        step="Test ammonia and nitrite at each visit, add no fish",
        says=pl.format(f"The tank is {{}}{NBSP}weeks old and still ripening{{}}.", age, told),
        do=f"Test ammonia and nitrite at each visit; change {100 * f.assumed['usual_change_share']:.0f}{NBSP}% when either"
        f" reaches {f.assumed['act_nitrite']:g}{NBSP}mg/L; add no fish.",
        basis=f"established from {f.assumed['established_weeks']:g} weeks; {CP}",
        harm=pl.lit(-1.0),
    )


def ph_low(f: Facts) -> pl.DataFrame:
    """pH under its limit; where only the low end is, a retest."""
    limit = f.assumed["act_ph_below"]
    acts = pl.col("ph_matched") < limit
    value, age = num(pl.col("ph_matched"), 2), ago(pl.col("ph_age_days"))
    small = change_words(pl.lit(f.assumed["old_tank_change_share"]), pl.col("net_l"))
    acted = finding(
        f.rows.filter(acts),
        "ph_low",
        ACT,
        reason=pl.format("pH {}, {}", value, age),
        step=pl.format("Test ammonia, then {} a day: no big change", small),
        says=pl.format("pH {}, {}: too sour, and the bacteria of the filter slow down.", value, age),
        do=pl.format(
            "Test ammonia and KH first; then change {} a day for a week. Raise KH slowly, at most 1 dKH a day: as pH"
            " rises, ammonia turns poisonous.",
            small,
        ),
        basis=f"pH under {limit:g} is acted on today; {CP}",
        harm=nearer(PH, limit - pl.col("ph_matched")),
    )
    doubted = _retest(
        f.rows.filter((pl.col("ph_matched") >= limit) & (pl.col("ph_low") < limit)),
        "ph_low",
        reason=pl.format(
            f"pH may be under {limit:g}: read as {{}}, {{}}", span(pl.col("ph_low"), pl.col("ph_high"), 2), age
        ),
        step="Retest pH and KH this week",
        says=pl.format(f"pH {{}}, {{}}: the kit cannot tell whether it is under {limit:g}.", value, age),
        do="Retest pH and KH this week.",
        basis=f"pH under {limit:g} is acted on today; {CP}",
        order=PH,
    )
    return concat([acted, doubted])


def ph_moved(f: Facts) -> pl.DataFrame:
    """pH that moved too far within a week."""
    limit = f.assumed["act_ph_move_week"]
    move = pl.col("ph_matched") - pl.col("ph_before_matched")
    # Rounded: 7.4 − 6.6 is 0.8 on the kit, whatever binary fractions make of it.
    found = move.abs().round(6) >= limit
    age = ago(pl.col("ph_age_days"))
    was, now = num(pl.col("ph_before_matched"), 2), num(pl.col("ph_matched"), 2)
    return finding(
        f.rows.filter(found),
        "ph_moved",
        ACT,
        reason=pl.format("pH moved from {} to {} in about a week, {}", was, now, age),
        step="Retest pH, KH and ammonia; ask what was added",
        says=pl.format("pH moved from {} to {} in about a week ({}).", was, now, age),
        do="Retest pH, KH, ammonia and temperature today with the other kit; ask what was added; correct slowly.",
        basis=f"a move of {limit:g} within 5 to 10 days; {HOUSE}",
        harm=nearer(PH, move.abs()),
    )


def kh_low(f: Facts) -> pl.DataFrame:
    """Little KH left: this week; with pH falling: today."""
    week, act = f.assumed["week_kh_at"], f.assumed["act_kh_at"]
    falling = (pl.col("ph_matched") < pl.col("ph_before_matched")).fill_null(False)
    acts = (pl.col("kh_matched") <= act) & falling
    value, age = num(pl.col("kh_matched"), 1), ago(pl.col("kh_age_days"))
    small = change_words(pl.lit(f.assumed["old_tank_change_share"]), pl.col("net_l"))
    usual = change_words(pl.lit(f.assumed["usual_change_share"]), pl.col("net_l"))
    rows = f.rows.filter(pl.col("kh_matched") <= week)
    return finding(
        rows,
        "kh_low",
        pl.when(acts).then(pl.lit(ACT)).otherwise(pl.lit(WEEK)),
        reason=pl.when(acts)
        .then(pl.format(f"KH {{}}{NBSP}dKH and pH falling, to {{}}, {{}}", value, num(pl.col("ph_matched"), 1), age))
        .otherwise(pl.format(f"KH {{}}{NBSP}dKH, {{}}", value, age)),
        step=pl.when(acts | pl.col("trap"))
        .then(pl.format("{} a day for a week, test ammonia first", small))
        .otherwise(pl.format("{} weekly three times, test the tap's KH", usual)),
        says=pl.format(
            f"KH {{}}{NBSP}dKH, {{}}: {{}}",
            value,
            age,
            pl.when(acts)
            .then(pl.lit("pH is falling already; it can drop overnight."))
            .otherwise(pl.lit("little is left to hold the pH.")),
        ),
        do=pl.when(acts | pl.col("trap"))
        .then(pl.format("Test ammonia first. Change {} a day for a week; KH up by at most 1 dKH a day.", small))
        .otherwise(pl.format("Test the tap's KH. Change {} weekly, three times, then find the interval.", usual)),
        basis=f"KH at or under {week:g} dKH; at or under {act:g} with pH falling: today; {CP}",
        harm=nearer(KH, week - pl.col("kh_matched")),
    )


def old_tank_trap(f: Facts) -> pl.DataFrame:
    """Sour water, no KH, high nitrate: a large change now can kill."""
    fig = f.assumed
    small = change_words(pl.lit(fig["old_tank_change_share"]), pl.col("net_l"))
    return finding(
        f.rows.filter(pl.col("trap")),
        "old_tank_trap",
        pl.when((pl.col("ammonia_matched") > 0).fill_null(False)).then(pl.lit(ACT)).otherwise(pl.lit(WEEK)),
        reason=pl.format(
            "old-tank trap: pH {}, KH {}, nitrate {}",
            num(pl.col("ph_matched"), 1),
            num(pl.col("kh_matched"), 1),
            span(pl.col("nitrate_low"), pl.col("nitrate_high"), 0),
        ),
        step=pl.format("No big change: {} a day for a week, test ammonia first", small),
        says=pl.format(
            f"pH {{}}, KH {{}}{NBSP}dKH and nitrate {{}}{NBSP}mg/L: acid has used up the buffer and the bacteria have"
            " slowed. A large change would raise the pH at a stroke and turn ammonia poisonous.",
            num(pl.col("ph_matched"), 1),
            num(pl.col("kh_matched"), 1),
            span(pl.col("nitrate_low"), pl.col("nitrate_high"), 0),
        ),
        do=pl.format("Test ammonia first. Change {} a day for seven to ten days. No new fish, half the food.", small),
        basis=f"pH under {fig['old_tank_ph']:g}, KH at or under {fig['act_kh_at']:g}, nitrate over the ceiling; {HOUSE}",
        harm=pl.lit(TRAP),
    )


def temperature_off(f: Facts) -> pl.DataFrame:
    """Water too far from the set temperature."""
    limit = f.assumed["act_temperature_off_c"]
    off = pl.col("temperature_matched") - pl.col("temperature_c")
    value, age = num(pl.col("temperature_matched"), 1), ago(pl.col("temperature_age_days"))
    cold = off < 0
    return finding(
        f.rows.filter(off.abs() >= limit),
        "temperature_off",
        ACT,
        reason=pl.format(f"water at {{}}{NBSP}°C, set to {{}}, {{}}", value, num(pl.col("temperature_c"), 1), age),
        step=pl.when(cold)
        .then(pl.lit("Check the heater; warm by no more than 1 °C an hour"))
        .otherwise(pl.lit("Check heater, sun and room; cool slowly, more air")),
        says=pl.format(
            f"The water was {{}}{NBSP}°C, {{}}, and is set to {{}}{NBSP}°C.",
            value,
            age,
            num(pl.col("temperature_c"), 1),
        ),
        do=pl.when(cold)
        .then(pl.lit("Check the heater and its plug; warm by at most 1 °C an hour; retest nitrite in two days."))
        .otherwise(pl.lit("Unplug the heater if it sticks; shade, more air; cool slowly; retest tomorrow.")),
        basis=f"{limit:g} °C from the set temperature; {CP}",
        harm=nearer(TEMPERATURE, off.abs()),
    )
