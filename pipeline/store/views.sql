-- The named queries, kept as views in the warehouse itself so that anyone who opens it can use them.

-- What each tank's nitrate was, with the tap water of its site as of that day.
create view nitrate_with_tap as
select r.tank, r.at, r.taken, r.low, r.high, r.matched, r.kit, r.doubt, r.expired,
       t.matched as tap_nitrate, t.date as tap_tested
from reading r
join tank using (tank)
join site on site.site = tank.site
asof left join (select * from tap where parameter = 'nitrate') t
  on t.water_supply = site.water_supply and t.date <= r.day
where r.parameter = 'nitrate'
order by r.tank, r.at;

-- The food in force on each day that something was read.
create view feeding_as_of_reading as
select d.tank, d.day, f.feed_g_day, f.protein_pct, f."from" as since
from (select distinct tank, day from reading) d
asof left join feeding f on f.tank = d.tank and f."from" <= d.day
order by d.tank, d.day;

-- Every layer of every filter on every tank that something was read from, day by day.
create view layers_in_force as
select d.tank, d.day, p.filter, l.compartment, l.layer, l.medium, l.mass_kg, l.wetted
from (select distinct tank, day from reading) d
join placement p on p.tank = d.tank and p."from" <= d.day and (p."to" is null or d.day <= p."to")
join fill l on l.filter = p.filter and l."from" <= d.day and (l."to" is null or d.day <= l."to")
order by d.tank, d.day, p.filter, l.compartment, l.layer;

-- The review as of the last day, with names.
create view latest_review as
select r.rank, r.class, tank.name, site.name as site, r.reason, r.step, r.tank, r.as_of
from review r
join tank using (tank)
left join site on site.site = tank.site
where r.as_of = (select max(as_of) from review)
order by r.rank;

-- The newest reading of each parameter of each tank.
create view latest_reading as
select r.tank, tank.name, site.name as site, r.parameter, r.day, r.low, r.high, r.matched, r.taken, r.kit, r.doubt
from reading r
join tank using (tank)
left join site on site.site = tank.site
qualify row_number() over (partition by r.tank, r.parameter order by r.at desc, r.file desc, r.line desc) = 1
order by r.tank, r.parameter;

-- The bioload of each tank as of the last day.
create view latest_rating as
select c.tank, tank.name, site.name as site, c.net_l, c.media_kg, c.plain_l, c.plain_load_pct, c.plain_state,
       c.working_load_pct, c.working_state, c.half_rating_l, c.flow_l_h, c.missing, c.as_of
from capacity c
join tank using (tank)
left join site on site.site = tank.site
where c.as_of = (select max(as_of) from capacity)
order by c.tank;

-- How nitrate rises, per week as on the pages, and where it levels off, as of the last day.
create view latest_nitrate as
select o.tank, tank.name, site.name as site, f."window", f.readings, f.state, f.rate * 7 as rise_per_week,
       f.low * 7 as rise_per_week_low, f.high * 7 as rise_per_week_high, o.plateau, o.plateau_low, o.plateau_high,
       o.ceiling, o.weeks_to_ceiling, o.as_of
from nitrate_outlook o
join nitrate_fit f using (tank, as_of)
join tank using (tank)
left join site on site.site = tank.site
where o.as_of = (select max(as_of) from nitrate_outlook)
order by o.tank, f."window";

-- Every finding as of the last day, with names.
create view latest_finding as
select f.tank, tank.name, site.name as site, f.rule, f.class, f.says, f.do, f.basis, f.as_of
from finding f
join tank using (tank)
left join site on site.site = tank.site
where f.as_of = (select max(as_of) from finding)
order by f.tank, f.harm;

-- What is held, by file, with its age on the day of loading.
create view held_by_file as
select file, count(*)::bigint as held, min(day) as oldest
from held group by file order by file;
