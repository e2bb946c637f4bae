"""The rules of the review. A new rule is one function in a rules module and its place here."""

from __future__ import annotations

from pipeline.review import rules_doubt, rules_duties, rules_fish, rules_tank, rules_trend, rules_unknown, rules_water
from pipeline.review.finding import Rule

RULES: tuple[Rule, ...] = (
    *rules_water.WATER_RULES,
    rules_doubt.held_danger,
    rules_doubt.reading_in_doubt,
    rules_doubt.kit_moved,
    rules_doubt.nitrate_fell,
    rules_doubt.tap_near_limit,
    rules_doubt.tap_moved,
    rules_doubt.tap_has_ammonia,
    rules_doubt.kh_climbs,
    rules_water.tap_ammonia,
    rules_water.new_tank,
    *rules_fish.FISH_RULES,
    rules_tank.filter_stopped,
    rules_tank.nitrate_over_ceiling,
    rules_tank.off_the_chart,
    rules_tank.flow_low,
    rules_tank.half_cycle_short,
    rules_tank.closed_today,
    rules_unknown.no_usable_reading,
    rules_unknown.held,
    rules_unknown.kit_expired,
    rules_unknown.not_tested,
    rules_unknown.no_filter_recorded,
    rules_unknown.rating_not_known,
    rules_trend.over_and_climbing,
    rules_trend.over_full_cycle_rating,
    rules_trend.climbing_within_rating,
    rules_trend.no_rated_media,
    rules_trend.plateau_above_ceiling,
    rules_trend.rise_stepped_up,
    rules_trend.rise_seen,
    rules_trend.changes_missed,
    rules_trend.kit_shift,
    rules_trend.overload_recorded,
    rules_duties.service_due,
    rules_duties.carbon_due,
    rules_duties.kit_due,
    rules_duties.flow_test_due,
    rules_duties.promise_due,
)
