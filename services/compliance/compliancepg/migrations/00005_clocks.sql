-- +goose Up

-- Clocks say what their limits are for the unit, what set work aside, how much of the use is estimated, and what excuses the unit.

alter table clocks
  add column months integer not null default 0,
  add column month_stamp boolean not null default false,
  add column limit_dives bigint not null default 0,
  add column limit_hours bigint not null default 0, -- nanoseconds
  add column limit_fills bigint not null default 0,
  add column basis smallint not null default 0,
  add column basis_entry uuid,
  add column basis_until date,
  add column rejected uuid,
  add column rejected_why smallint not null default 0,
  add column anchor_late boolean not null default false,
  add column anchor_expiry_on date,
  add column anchor_expiry_month boolean not null default false,
  add column estimated_dives bigint not null default 0,
  add column estimated_hours bigint not null default 0, -- nanoseconds
  add column estimated_fills bigint not null default 0,
  add column phase_in_on date,
  add column waivers jsonb not null default '[]',
  add column excused datemultirange not null default '{}'; -- the days of phase_in_on and waivers

-- What is stored was derived by the rules before: it is thrown away, and the feeds are read again from their beginning.
truncate clocks, holds_derived, p_entries, p_fittings, p_units, p_models, p_shops, cursors;
