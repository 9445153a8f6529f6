-- +goose Up

-- Predicates of rules look at serial numbers.

alter table p_units add column serial text not null default '';

-- Units were read before this was kept: the projection is thrown away, and the feeds are read again from their beginning.
truncate clocks, holds_derived, p_entries, p_fittings, p_units, p_models, p_shops, cursors;
