"""How large a water change is: one answer for the review, the plan, the visit sheet and the pages.

Numbers of one tank; levels [mg/L NO3], rates [mg/L NO3 per day], fractions 0–1. None is not known.
"""

from collections.abc import Mapping

from pipeline.calc import mixing


def largest_change(ph: float | None, tap_ph: float | None, assumed: Mapping[str, float]) -> float:
    """The largest change that may be made in one go: less where the tap's pH is far from the tank's."""
    most = assumed["change_at_once"]
    if ph is None or tap_ph is None or round(abs(tap_ph - ph), 6) < assumed["mix_ph_apart"]:
        return most
    return min(assumed["mix_change_share"], most)


def holding_change(
    rise: float | None, every_days: float | None, limit: float | None, tap: float | None, assumed: Mapping[str, float]
) -> float | None:
    """The fraction at every visit that keeps the level before a change at the limit, f = R/(L − T).

    0 where nitrate does not rise; None where something is not known, or no change can do it (`mixing` says why).
    """
    if rise is None or every_days is None or limit is None or tap is None:
        return None
    sized = mixing.fraction_for_ceiling(max(rise, 0.0) * every_days, limit, tap, assumed)
    return float(sized.fraction) if bool(sized.possible) else None


def way_down(
    level: float | None,
    limit: float,
    tap: float,
    rise: float | None,
    every_days: float,
    most: float,
    assumed: Mapping[str, float],
    holding: float | None = None,
) -> tuple[float, int] | None:
    """From over the limit to under it: the fraction at each visit, and how many visits; None for no way.

    The smallest of a few sizes, none under what holds the limit after, that needs no more than `way_down_visits`; else
    the largest that may be made.
    """
    if level is None or level <= limit:
        return None
    gentle, at_once = assumed["way_down_share"], most
    sizes = sorted({min(max(share, holding or 0.0), most) for share in (gentle, (gentle + at_once) / 2, at_once)})
    ways = []
    for size in sizes:
        visits = float(mixing.visits_to_reach(limit, level, tap, max(rise or 0.0, 0.0), every_days, size))
        if visits <= assumed["way_down_visits_most"]:  # nan, for never, is not
            ways.append((size, int(visits)))
    quick = [way for way in ways if way[1] <= assumed["way_down_visits"]]
    if quick:
        return quick[0]
    return ways[-1] if ways else None
