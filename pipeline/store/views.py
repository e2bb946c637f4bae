"""The named queries, kept as views in the warehouse itself so that anyone who opens it can use them."""

from __future__ import annotations

VIEWS: dict[str, str] = {
    # What each tank's nitrate was, with the tap water of its site as of that day.
    "nitrate_with_tap": """
        create view nitrate_with_tap as
        select r.tank, r.at, r.taken, r.low, r.high, r.matched, r.kit, r.doubt, r.expired,
               t.matched as tap_nitrate, t.date as tap_tested
        from reading r
        join tank using (tank)
        join site on site.site = tank.site
        asof left join (select * from tap where parameter = 'nitrate') t
          on t.water_supply = site.water_supply and t.date <= r.day
        where r.parameter = 'nitrate'
        order by r.tank, r.at
    """,
    # The food in force on each day that something was read.
    "feeding_as_of_reading": """
        create view feeding_as_of_reading as
        select d.tank, d.day, f.feed_g_day, f.protein_pct, f."from" as since
        from (select distinct tank, day from reading) d
        asof left join feeding f on f.tank = d.tank and f."from" <= d.day
        order by d.tank, d.day
    """,
    # Every layer of every filter on every tank that something was read from, day by day.
    "layers_in_force": """
        create view layers_in_force as
        select d.tank, d.day, p.filter, l.compartment, l.layer, l.medium, l.mass_kg, l.wetted
        from (select distinct tank, day from reading) d
        join placement p on p.tank = d.tank and p."from" <= d.day and (p."to" is null or d.day <= p."to")
        join fill l on l.filter = p.filter and l."from" <= d.day and (l."to" is null or d.day <= l."to")
        order by d.tank, d.day, p.filter, l.compartment, l.layer
    """,
    # The review as of the last day, with names.
    "latest_review": """
        create view latest_review as
        select r.rank, r.class, tank.name, site.name as site, r.reason, r.step, r.tank, r.as_of
        from review r
        join tank using (tank)
        left join site on site.site = tank.site
        where r.as_of = (select max(as_of) from review)
        order by r.rank
    """,
    # What is held, by file, with its age on the day of loading.
    "held_by_file": """
        create view held_by_file as
        select file, count(*)::bigint as held, min(day) as oldest
        from held group by file order by file
    """,
}
