"""The rules of the review. A new rule is one function in a rules module and one entry here."""

from __future__ import annotations

from collections.abc import Callable

import polars as pl

from pipeline.review import rules_duties, rules_tank, rules_trend, rules_unknown, rules_water
from pipeline.review.facts import Facts

Rule = Callable[[Facts], pl.DataFrame]

RULES: tuple[Rule, ...] = (
    rules_water.free_ammonia,
    rules_water.nitrite_act,
    rules_water.nitrite,
    rules_water.ammonia,
    rules_water.ph_low,
    rules_water.ph_moved,
    rules_water.kh_low,
    rules_water.old_tank_trap,
    rules_water.temperature_off,
    rules_water.new_tank,
    rules_tank.filter_stopped,
    rules_tank.fish_deaths,
    rules_tank.nitrate_over_ceiling,
    rules_tank.flow_low,
    rules_tank.closed_today,
    rules_unknown.no_usable_reading,
    rules_unknown.held,
    rules_unknown.kit_expired,
    rules_unknown.not_tested,
    rules_unknown.rating_not_known,
    rules_trend.over_and_climbing,
    rules_trend.over_full_cycle_rating,
    rules_trend.climbing_within_rating,
    rules_trend.no_rated_media,
    rules_trend.plateau_above_ceiling,
    rules_trend.rise_stepped_up,
    rules_trend.kit_shift,
    rules_duties.jobs,
)
