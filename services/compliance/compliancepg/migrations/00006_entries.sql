-- +goose Up

-- What an entry says of a use beyond its amount.

alter table p_entries
  add column estimated boolean not null default false,
  add column celsius smallint, -- of the air drawn in; null if not known
  add column rollover bigint not null default 0; -- the count at which the meter began again at zero, hours in nanoseconds; 0 if it did not

-- Entries may have been read before this could be kept: the projection is thrown away, and the feeds are read again from their beginning.
truncate clocks, holds_derived, p_entries, p_fittings, p_units, p_models, p_shops, cursors;
