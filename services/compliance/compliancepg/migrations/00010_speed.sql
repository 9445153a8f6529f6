-- +goose Up

-- Histories are read whole, fleet after fleet. Almost all of one is plain uses, without a meter: those are read from this index alone, in
-- order. The rest is found by the other one.

create index p_entries_increments on p_entries (org_id, unit_id, occurred, entry_id) include (recorded, dives, hours, fills, estimated, celsius)
  where kind = 1 and meter = 0;
create index p_entries_rest on p_entries (org_id, unit_id) where kind <> 1 or meter <> 0;
